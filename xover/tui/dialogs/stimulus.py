"""What is played and where one listens: driven inputs with levels, the listener, what is shown.

The answer says whether it shall be kept in the preset; whoever asked makes the edit.
"""

from __future__ import annotations

from typing import ClassVar, NamedTuple

from textual.app import ComposeResult
from textual.widgets import Button

from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.tui.dialogs.base import Dialog, button, button_row, column, columns
from xover.tui.dialogs.levels import LevelRows
from xover.tui.dialogs.picking import NameList, Tick

ELECTRICAL = ""
"""Stands for no listener in the list of listeners; no listener can be called so."""


class ListenChoice(NamedTuple):
    """What is played (`levels_db` may not be empty), heard and shown; exact names."""

    levels_db: dict[str, float]
    correlated: bool
    listener: str | None
    """None: the outputs' own electrical responses."""
    shown: tuple[str, ...]
    """Outputs whose curves are shown, in file order."""
    keep: bool
    """Whether what is played shall be written into the preset."""

    @property
    def drive(self) -> Drive:
        """What is played, as a request."""
        return Drive(dict(self.levels_db), self.correlated, "request")


class ListenDialog(Dialog[ListenChoice]):
    """Answers a `ListenChoice`."""

    heading = "What is played, where you listen, what is shown"
    keys: ClassVar[str] = "Tab moves on   Space ticks   Ctrl+G shows it   Esc leaves"

    DEFAULT_CSS = """
    ListenDialog NameList { max-height: 10; }
    ListenDialog .buttons { margin: 1 0 0 0; }
    """

    def __init__(
        self, preset: Preset, drive: Drive, *, listener: str | None, shown: tuple[str, ...]
    ) -> None:
        """The present choice is ticked."""
        super().__init__()
        self._preset = preset
        self._drive = drive
        self._listener = listener
        self._outputs = shown

    def body(self) -> ComposeResult:
        """Three columns and two ticks."""
        preset = self._preset
        with columns():
            with column("played, dB"):
                yield LevelRows(
                    [item.name for item in preset.inputs], self._drive.levels_db, id="played"
                )
            with column("listening at"):
                yield NameList(
                    [ELECTRICAL, *(item.name for item in preset.listeners)],
                    chosen=[ELECTRICAL if self._listener is None else self._listener],
                    single=True,
                    words={ELECTRICAL: "nowhere: electrical"},
                    id="listener",
                )
            with column("shown"):
                yield NameList(
                    [item.name for item in preset.outputs], chosen=self._outputs, id="shown"
                )
        yield Tick("one signal on all of them (correlated)", self._drive.correlated, id="same")
        yield Tick("keep what is played in the preset, as a step", id="keep")
        with button_row():
            yield button("Show", "go")
            yield button("Leave", "leave")

    def action_go(self) -> None:
        """Answer, unless something is missing."""
        try:
            levels_db = self.query_one(LevelRows).levels()
        except Refused as refused:
            self.say(refused)
            return
        if not levels_db:
            self.say("nothing is played; tick at least one input")
            return
        listener = self.query_one("#listener", NameList).one
        shown = self.query_one("#shown", NameList).chosen
        if not shown and listener in (None, ELECTRICAL):
            self.say("nothing would be shown; tick an output, or choose a listener")
            return
        self.dismiss(
            ListenChoice(
                levels_db,
                self.query_one("#same", Tick).value,
                listener or None,
                shown,
                self.query_one("#keep", Tick).value,
            )
        )

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        if event.button.id == "go":
            self.action_go()
        else:
            self.action_leave()
