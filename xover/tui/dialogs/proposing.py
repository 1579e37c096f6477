"""What dialogs share that work out a change of some outputs: a form, then what was found.

Ctrl+G works it out and then takes it as one step; Escape goes back a page, then leaves.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable
from typing import Generic, TypeVar

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Button

from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.tui.dialogs.base import Dialog, button, button_row, column, columns
from xover.tui.dialogs.picking import NameList

T = TypeVar("T")
Found = TypeVar("Found")


class ProposingDialog(Dialog[T], Generic[T, Found]):
    """Asks what is changed, to suit what, and where; shows what was found; answers it."""

    DEFAULT_CSS = """
    ProposingDialog > #box { width: 100; }
    ProposingDialog #form, ProposingDialog #found { height: auto; }
    ProposingDialog #words { height: auto; scrollbar-size-vertical: 1; }
    """

    def __init__(
        self,
        preset: Preset,
        drive: Drive,
        *,
        move: tuple[str, ...] = (),
        to: str | None = None,
        listener: str | None = None,
    ) -> None:
        """`move`, `to` and `listener` are chosen at first."""
        super().__init__()
        self._preset, self._drive = preset, drive
        self._first = (move, () if to is None else (to,), () if listener is None else (listener,))
        self._found: Found | None = None

    def body(self) -> ComposeResult:
        """The form, and what came of it."""
        with Vertical(id="form"):
            yield from self.form()
        with Vertical(id="found"):
            yield from self.shown()
            with button_row():
                yield button("Apply", "apply")
                yield button("Back", "back")

    @abstractmethod
    def form(self) -> ComposeResult:
        """What is asked, its names by `names`."""

    @abstractmethod
    def shown(self) -> ComposeResult:
        """What shows the answer."""

    @abstractmethod
    def job(self) -> Callable[[], Found]:
        """What works the answer out. Raises `Refused` for what the form leaves open."""

    @abstractmethod
    def taken(self, found: Found) -> T:
        """The dialog's answer for what was found."""

    def names(self, move: str, to: str, *, one_place: bool) -> ComposeResult:
        """The lists of outputs that move (`#move`) and stay (`#to`), and of listeners (`#at`)."""
        outputs = [item.name for item in self._preset.outputs]
        places = [item.name for item in self._preset.listeners]
        moved, kept, at = self._first
        with columns():
            with column(move):
                yield NameList(outputs, chosen=moved, id="move")
            with column(to):
                yield NameList(outputs, chosen=kept, single=True, id="to")
            with column("at"):
                yield NameList(places, chosen=at, single=one_place, id="at")

    def on_mount(self) -> None:
        """The form first."""
        super().on_mount()
        self.turn_to("form")

    @property
    def found(self) -> Found | None:
        """What was worked out, None while the form is up."""
        return self._found

    def action_go(self) -> None:
        """Work it out; once there is an answer, apply it."""
        if self.newest.is_busy:
            return
        if self._found is not None:
            self.dismiss(self.taken(self._found))
            return
        try:
            job = self.job()
        except Refused as refused:
            self.say(refused)
            return
        self.say("")
        self.compute(job)

    def compute(self, job: Callable[[], Found]) -> None:
        """Work it out beside the screen."""
        self.newest.ask(job)

    def action_leave(self) -> None:
        """Stop waiting; else go back to the form; else leave."""
        if self.newest.is_busy:
            self.stop_waiting()
            self.say("stopped; nothing has changed")
        elif self._found is not None:
            self._back()
        else:
            self.dismiss(None)

    def stop_waiting(self) -> None:
        """Nothing that is still being worked out is wanted any more."""
        self.newest.forget()

    def turn_to(self, page: str) -> None:
        """Show the form, or what was found."""
        self.query_one("#form").display = page == "form"
        self.query_one("#found").display = page == "found"
        self.query_one("#move" if page == "form" else "#apply").focus()

    def _back(self) -> None:
        self._found = None
        self.say("")
        self.turn_to("form")

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        if event.button.id == "back":
            self._back()
        else:
            self.action_go()
