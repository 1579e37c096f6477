"""What the processor's pane shows, as data: costs, what cannot be held, what changes, slips.

Figures and sentences are those of `design.adapting` and `design.verifying`. Names are inert.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from textual.content import Content

from xover.model.names import inert
from xover.model.places import label, parse
from xover.model.preset import Preset
from xover.model.units import plain, show_hz
from xover.session.processors import Course, Fitted
from xover.sheets.device import change_text
from xover.sheets.verification_text import TOLD, headline, remains, through

if TYPE_CHECKING:
    from xover.design.adapting.result import Adapted
    from xover.design.verifying.verification import Verified


class Entry(NamedTuple):
    """One entry: its place in the file ("" where Enter leads nowhere) and its words."""

    where: str
    content: Content


class Judged(NamedTuple):
    """A verification, ready to show."""

    results: tuple[Verified, ...]
    entries: tuple[Entry, ...]

    @property
    def matches(self) -> bool:
        """Whether every output is what was meant."""
        return all(one.matches for one in self.results)

    @property
    def verdict(self) -> str:
        """`2 of 3 outputs match`, of one output `What was captured matches`."""
        good, count = sum(one.matches for one in self.results), len(self.results)
        if count == 1:
            return f"What was captured {'matches' if good else 'does not match'}"
        return f"{'All' if good == count else good or 'None'} of {count} outputs match"


def entries_of(fitted: Fitted) -> tuple[Entry, ...]:
    """Per output what it costs, then what cannot be held, then what is entered otherwise."""
    answer, preset = fitted.answer, fitted.preset
    entries: list[Entry] = []
    for kind, adapted in (("outputs", answer.outputs), ("inputs", answer.inputs)):
        for number, one in enumerate(adapted):
            if kind == "inputs" and not one.changes and not one.cannot:
                continue
            entries += _one(preset, f"{kind}[{number}]", one)
    entries += [Entry("", Content.styled(inert(note), "italic")) for note in answer.notes]
    return tuple(entries)


def _one(preset: Preset, where: str, one: Adapted) -> list[Entry]:
    cost = "as it is"
    if one.changes or one.cannot:
        cost = (
            f"at most {plain(one.largest_db, 2)} dB, {plain(one.largest_deg, 1)}°; "
            f"{plain(one.rms_db, 2)} dB rms"
        )
    head = Content.styled(inert(one.name), "bold") + Content(f"  {cost}")
    entries = [Entry(f"{where}.gain_db", head)]
    for cannot in one.cannot:
        loss = "" if cannot.largest_db is None else f" (costs {plain(cannot.largest_db, 2)} dB)"
        text = Content.styled("cannot ", "bold $text-warning")
        text += Content(inert(f"{label(preset, cannot.where)}: {cannot.why}{loss}"))
        entries.append(Entry(cannot.where, text))
    named = {cannot.where for cannot in one.cannot if cannot.where.endswith(".name")}
    entries += [
        Entry(setting.where, Content(inert(f"  {change_text(preset, setting)}")))
        for setting in one.changes
        if setting.where not in named
    ]
    return entries


def counted(fitted: Fitted) -> str:
    """`2 things cannot be held; 7 cells become others`, and at which rate."""
    answer = fitted.answer
    cannot = sum(len(one.cannot) for one in (*answer.outputs, *answer.inputs))
    cells = len(fitted.becomes)
    things = "1 thing cannot be held" if cannot == 1 else f"{cannot} things cannot be held"
    if not cannot:
        things = "all can be held"
    become = "1 cell becomes another" if cells == 1 else f"{cells} cells become others"
    if not cells:
        become = "no cell changes"
    return f"{things}; {become} (~ in the sheet). At {show_hz(answer.device_rate_hz)}"


def judged(preset: Preset, results: Sequence[Verified]) -> Judged:
    """The verdicts, then the slips by name, likeliest first, then what else is to be said."""
    entries = [_head(preset, one, is_alone=len(results) == 1) for one in results]
    for one in results:
        entries += _slips(one)
    rest: dict[str, list[str]] = {}
    for one in results:
        lines = [] if len(results) == 1 else [remains(one)]
        lines += [*through(one), *one.notes]
        if one.not_testable:
            names = ", ".join(label(preset, place) for place in one.not_testable)
            lines.append(f"not testable this way: {names}")
        for text in lines:
            rest.setdefault(text, []).append(one.output)
    for text, outputs in rest.items():
        whose = "" if len(outputs) == len(results) else f"{', '.join(outputs)}: "
        entries.append(Entry("", Content.styled(inert(f"{whose}{text}"), "dim")))
    return Judged(tuple(results), tuple(entries))


def _head(preset: Preset, one: Verified, *, is_alone: bool) -> Entry:
    words = Content.styled(inert(headline(one)), "bold" if one.matches else "bold $text-warning")
    remain = f"{plain(one.residual_db_rms, 2)} dB, {plain(one.residual_deg_rms, 1)}° rms"
    return Entry(
        _place(preset, one.output),
        words + Content(f"\n{remains(one)}" if is_alone else f"  {remain}"),
    )


def _slips(one: Verified) -> list[Entry]:
    entries = []
    likely = [each for each in one.explanations if each.confidence >= TOLD]
    for number, each in enumerate(likely, 1):
        for at, slip in enumerate({one.sentence: one for one in each.slips}.values()):
            text = f"{number}. {slip.sentence}" if not at else f"   and {slip.sentence}"
            if not at:
                left = f"leaves {plain(each.residual_db_rms, 2)} dB rms"
                text += f" ({plain(100.0 * each.confidence, 0)} % likely; {left})"
            entries.append(Entry(slip.where, Content(inert(text))))
    return entries


def output_at(preset: Preset, where: str) -> str | None:
    """The output that a place in the file belongs to, None where to none."""
    steps = parse(where) if where else ()
    if len(steps) < 2 or steps[0] != "outputs" or not isinstance(steps[1], int):
        return None
    return preset.outputs[steps[1]].name if steps[1] < len(preset.outputs) else None


def drawn(what: str, course: Course, width: int, height: int) -> str:
    """A difference against frequency on a grid of characters, ±1 dB at least."""
    import numpy as np

    from xover.sheets.curves import plot
    from xover.sheets.drawing import Curve

    known = course.difference_db[np.isfinite(course.difference_db)]
    most_db = max(1.0, float(np.ceil(np.abs(known).max()))) if known.size else 1.0
    curve = Curve("difference", course.frequency_hz, course.difference_db, "solid", 0)
    drawing = plot(
        [curve],
        width=width,
        height=height,
        value_range=(-most_db, most_db),
        labels="none",
        title=what,
    )
    return drawing.to_text(colour=False).rstrip("\n")


def _place(preset: Preset, output: str) -> str:
    number = next((k for k, item in enumerate(preset.outputs) if item.name == output), None)
    return "" if number is None else f"outputs[{number}].gain_db"
