"""Advice: what an experienced colleague would ask about, worst first; Enter goes to the place.

Shows the findings of `design.advice` and judges nothing itself.
"""

from __future__ import annotations

from functools import partial
from typing import ClassVar, cast

from textual.app import ComposeResult
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from xover.model.drive import Drive
from xover.model.names import inert
from xover.model.places import label
from xover.model.preset import Preset
from xover.model.problems import Finding
from xover.tui.options import Options
from xover.tui.panes.base import Pane

_STYLES = {"error": "bold $text-error", "warning": "bold $text-warning", "note": "bold"}


class AdvicePane(Pane):
    """The findings about the preset; posts `JumpTo` for the one chosen."""

    title: ClassVar[str] = "Advice"

    DEFAULT_CSS = """
    AdvicePane > OptionList { height: 1fr; min-width: 6; border: none; padding: 0 1;
        background: transparent; scrollbar-size-vertical: 1; }
    AdvicePane > OptionList:focus { border: none; background: transparent; }
    AdvicePane > #summary { height: auto; padding: 0 1; color: $text-muted; }
    """

    class Counted(Message):
        """How many findings of each severity there are now."""

        def __init__(self, counts: dict[str, int]) -> None:
            super().__init__()
            self.counts = counts

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._findings: tuple[Finding, ...] = ()
        self._visited: tuple[Finding | None, int] = (None, 0)
        """Where Enter went last: the finding, and which of its places."""

    def body(self) -> ComposeResult:
        """A line that counts, and the findings."""
        yield Static("", id="summary", markup=False)
        yield Options(id="findings", markup=False)

    def take_keys(self) -> None:
        """The keys go to the findings: Enter goes to the place of one."""
        self.query_one("#findings").focus()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings shown."""
        return self._findings

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Have the advice computed anew."""
        self.compute(partial(_advice, preset))

    def result_ready(self, result: object, sentence: str) -> None:
        """Show findings that differ from those shown; the highlight stays on the same one."""
        found = cast("tuple[tuple[Finding, str], ...]", result or ())
        findings = tuple(finding for finding, _ in found)
        choices = self.query_one("#findings", OptionList)
        summary = self.query_one("#summary", Static)
        summary.update(Content(sentence or counted(findings)))
        self.post_message(
            self.Counted({name: _count(findings, name) for name in ("error", "warning", "note")})
        )
        if findings == self._findings and choices.option_count == len(findings):
            return
        before = choices.highlighted
        held = self._findings[before] if before is not None and self._findings else None
        self._findings = findings
        choices.clear_options()
        choices.add_options([Option(finding_content(*each)) for each in found])
        if findings:
            same = [index for index, each in enumerate(findings) if held and _alike(each, held)]
            choices.highlighted = same[0] if same else min(before or 0, len(findings) - 1)

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        finding = self._findings[event.option_index]
        places = (finding.where, *finding.also)
        last, at = self._visited
        at = (at + 1) % len(places) if last is finding else 0
        self._visited = (finding, at)
        self.post_message(self.JumpTo(places[at]))


def finding_content(finding: Finding, place: str) -> Content:
    """A finding for people: severity, place, sentence, caution."""
    parts = [
        Content.styled(finding.severity, _STYLES.get(finding.severity, "bold")),
        Content("  "),
        Content.styled(place, "underline"),
        Content("\n" + inert(finding.message)),
    ]
    if finding.also:
        count = len(finding.also)
        more = f" and {count} more place{'s' if count > 1 else ''}; Enter goes from one to the next"
        parts.insert(3, Content(more))
    if finding.caution:
        parts.append(Content("\n"))
        parts.append(Content.styled("Caution: " + inert(finding.caution), "italic"))
    return Content("").join(parts)


def counted(findings: tuple[Finding, ...]) -> str:
    """`2 warnings, 1 note. Enter goes to the place.`"""
    if not findings:
        return "Nothing to report about this preset."
    words = [
        f"{count} {name}{'s' if count > 1 else ''}"
        for name in ("error", "warning", "note")
        if (count := _count(findings, name))
    ]
    return ", ".join(words) + ". Enter goes to the place."


def _advice(preset: Preset) -> tuple[tuple[Finding, str], ...]:
    from xover.design.advice import advise

    return tuple((finding, label(preset, finding.where)) for finding in advise(preset))


def _count(findings: tuple[Finding, ...], severity: str) -> int:
    return sum(finding.severity == severity for finding in findings)


def _alike(one: Finding, other: Finding) -> bool:
    return (one.code, one.where) == (other.code, other.where)
