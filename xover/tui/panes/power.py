"""Power: what boxes and amplifiers bear against the limiters as set; loads, taps, cable.

Shows and asks: thresholds are written by the app, as one step. Enter goes to the cell.
"""

from __future__ import annotations

from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.content import Content
from textual.message import Message
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.sheets.wording import RAISED_CAUTION
from xover.tui.options import Options
from xover.tui.panes.base import Pane
from xover.tui.panes.power_view import Power, power_of


class PowerPane(Pane):
    """Limiters and loads; posts `JumpTo` for the one chosen and `Apply` for all limiters."""

    title: ClassVar[str] = "Power"

    DEFAULT_CSS = """
    PowerPane > #summary { height: auto; padding: 0 1; color: $text-muted; }
    PowerPane > #ask { height: auto; padding: 0 1; }
    PowerPane > #ask > #caution { width: 1fr; height: auto; text-style: italic;
        color: $text-muted; }
    PowerPane > #ask > Button { min-width: 7; width: auto; }
    PowerPane > OptionList { height: 1fr; min-width: 6; border: none; padding: 0 1;
        background: transparent; scrollbar-size-vertical: 1; }
    PowerPane > OptionList:focus { border: none; background: transparent; }
    """

    class Apply(Message):
        """All limiters shall become what the ratings allow."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._power: Power | None = None

    def body(self) -> ComposeResult:
        """A line that counts, the entries, and what can hurt."""
        yield Static("", id="summary", markup=False)
        yield Options(id="entries", markup=False)
        with Horizontal(id="ask"):
            yield Static(RAISED_CAUTION, id="caution", markup=False)
            yield Button(" Apply ", id="apply", disabled=True, compact=True)

    @property
    def power(self) -> Power | None:
        """What is shown."""
        return self._power

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Have limits and loads computed anew."""
        self.compute(partial(power_of, preset))

    def result_ready(self, result: object, sentence: str) -> None:
        """Show what was computed last; the highlight stays on the same place."""
        summary = self.query_one("#summary", Static)
        if not isinstance(result, Power):
            summary.update(Content(sentence))
            return
        choices = self.query_one("#entries", OptionList)
        at = choices.highlighted
        held = self._power.entries[at].where if self._power is not None and at is not None else ""
        self._power = result
        summary.update(Content(counted(result)))
        self.query_one("#apply", Button).disabled = not result.changes
        choices.clear_options()
        choices.add_options(
            [Option(entry.content, disabled=not entry.where) for entry in result.entries]
        )
        places = [index for index, entry in enumerate(result.entries) if entry.where]
        same = [index for index in places if held and result.entries[index].where == held]
        if places:
            choices.highlighted = same[0] if same else places[0]

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        if self._power is not None and event.option_index < len(self._power.entries):
            self.post_message(self.JumpTo(self._power.entries[event.option_index].where))

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        self.post_message(self.Apply())


def counted(power: Power) -> str:
    """`2 cautions, 3 limiters to set. Enter goes to the cell.`"""
    cautions = len(power.answer.cautions)
    words = f"{cautions} caution{'' if cautions == 1 else 's'}" if cautions else "No caution"
    to_set = f"{power.changes} limiter{'' if power.changes == 1 else 's'} to set"
    if not power.changes:
        to_set = "limiters as allowed"
    return f"{words}, {to_set}. Enter goes to the cell."
