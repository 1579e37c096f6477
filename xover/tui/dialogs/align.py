"""Aligning from inside: what moves, to what, where it counts; before and after; then one step.

The search runs beside the screen, says how long it has run and can be left at any time.
"""

from __future__ import annotations

from functools import partial
from time import monotonic
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Button, Static

from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.tui.dialogs.align_view import (
    CRITERIA,
    AlignRequest,
    Answer,
    Course,
    answer_lines,
    answered,
    drawn,
    picked,
    read_band,
    read_search_ms,
    read_weights,
    said_here,
    settings_of,
)
from xover.tui.dialogs.base import Dialog, button, button_row, column, columns, labelled
from xover.tui.dialogs.picking import NameList, Tick
from xover.tui.dialogs.preview import plot_lines
from xover.tui.field import Field
from xover.tui.reflow import Reflowed

if TYPE_CHECKING:
    from xover.session.proposals import Proposal


class AlignDialog(Dialog["Proposal"]):
    """Answers the proposal to be taken as one step; posts `Compared` for the plot behind it."""

    heading = "Align by phase"
    keys: ClassVar[str] = "Tab moves on   Space chooses   Ctrl+G searches, applies   Esc leaves"

    DEFAULT_CSS = """
    AlignDialog > #box { width: 100; }
    AlignDialog #form NameList { max-height: 7; }
    AlignDialog #form #criterion { max-height: 3; }
    AlignDialog #form .row > .label { width: 8; }
    AlignDialog #form, AlignDialog #found { height: auto; }
    AlignDialog #words { height: auto; max-height: 7; scrollbar-size-vertical: 1; }
    AlignDialog #settings { max-height: 4; }
    AlignDialog #progress { height: 1; }
    """

    class Compared(Message):
        """There are two presets to compare behind the dialog."""

        def __init__(self, proposal: Proposal) -> None:
            super().__init__()
            self.proposal = proposal

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
        self._preset = preset
        self._drive = drive
        self._first = (move, to, () if listener is None else (listener,))
        self._answer: Answer | None = None
        self._began: float = 0.0
        self._ticker: Timer | None = None
        self._course = Course()

    def body(self) -> ComposeResult:
        """The form, and what was found."""
        move, to, listeners = self._first
        outputs = [item.name for item in self._preset.outputs]
        with Vertical(id="form"):
            with columns():
                with column("move"):
                    yield NameList(outputs, chosen=move, id="move")
                with column("to"):
                    chosen = () if to is None else (to,)
                    yield NameList(outputs, chosen=chosen, single=True, id="to")
                with column("at"):
                    names = [item.name for item in self._preset.listeners]
                    yield NameList(names, chosen=listeners, id="at")
            with columns():
                with column("best is"):
                    yield NameList(
                        tuple(CRITERIA),
                        chosen=("mean",),
                        single=True,
                        words=CRITERIA,
                        id="criterion",
                    )
                with column("allowed"):
                    yield Tick("keep the polarity", id="keep")
                    yield Tick("shared time zero", id="shared")
                    yield Tick("mixed with a model", id="mixed")
                    yield Tick("an all-pass section", id="all-pass")
                with column("range"):
                    with labelled("band"):
                        yield Field(id="band", placeholder="by itself", most=40)
                    with labelled("weights"):
                        yield Field(id="weights", placeholder="all alike", most=80)
                    with labelled("search"):
                        yield Field("25 ms", id="search", most=20)
                    with button_row():
                        yield button("Search", "go")
        with Vertical(id="found"):
            yield Reflowed(id="picture")
            with VerticalScroll(id="words"):
                yield Reflowed(id="answer")
            yield NameList((), single=True, id="settings")
            with button_row():
                yield button("Apply", "apply")
                yield button("Back", "back")
        yield Static("", id="progress", markup=False)

    def on_mount(self) -> None:
        """The form first."""
        super().on_mount()
        self._turn_to("form")
        self.query_one("#progress").display = False

    @property
    def answer(self) -> Answer | None:
        """What was found, None while the form is up."""
        return self._answer

    def action_go(self) -> None:
        """Search; once there is an answer, apply it."""
        if self.newest.is_busy:
            return
        if self._answer is not None:
            self.dismiss(self._answer.chosen)
            return
        try:
            request = self.request()
        except Refused as refused:
            self.say(refused)
            return
        self.say("")
        self._course = Course()
        self._compute(partial(answered, self._preset, request, self._course))

    def action_leave(self) -> None:
        """Stop waiting for a search; else go back to the form; else leave."""
        if self.newest.is_busy:
            self._course.stop = True
            self.newest.forget()
            self.computing_ended()
            self.say("stopped; nothing has changed")
        elif self._answer is not None:
            self._back()
        else:
            self.dismiss(None)

    def request(self) -> AlignRequest:
        """What the form asks for. Raises `Refused` for what is missing or no number."""
        move = self.query_one("#move", NameList).chosen
        to = self.query_one("#to", NameList).one
        listeners = self.query_one("#at", NameList).chosen
        if not move:
            raise Refused.at("", "tick at least one output to move")
        if to is None:
            raise Refused.at("", "choose the output it is aligned to")
        if not listeners:
            raise Refused.at("", "tick at least one listener: the place where the sum counts")
        return AlignRequest(
            move,
            to,
            listeners,
            self._drive,
            read_search_ms(self.query_one("#search", Field).value),
            self.query_one("#keep", Tick).value,
            read_band(self.query_one("#band", Field).value),
            self.query_one("#criterion", NameList).one or "mean",
            self.query_one("#shared", Tick).value,
            self.query_one("#mixed", Tick).value,
            read_weights(self.query_one("#weights", Field).value, listeners),
            self.query_one("#all-pass", Tick).value,
        )

    def say(self, problem: str | Refused) -> None:
        """Show what is wrong in the words of this dialog."""
        super().say(said_here(str(problem)))

    def result_ready(self, result: object) -> None:
        """Show the answer, and let the plot behind compare."""
        if not isinstance(result, Answer):
            return
        fresh = self._answer is None or result.proposal is not self._answer.proposal
        self._answer = result
        if fresh:
            rows = settings_of(result)
            settings = self.query_one("#settings", NameList)
            settings.words = {key: words for key, words, _ in rows}
            settings.offer([key for key, _, _ in rows], chosen=["own"])
            settings.display = len(rows) > 1
            self.query_one("#answer", Reflowed).show(partial(answer_lines, result))
            self._turn_to("found")
        self._paint()
        self.post_message(self.Compared(result.chosen))

    def computing_ended(self) -> None:
        """Stop the clock."""
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None
        self.query_one("#progress").display = False

    def on_resize(self, event: events.Resize) -> None:
        """Draw as tall as there is room."""
        self._paint()

    def _paint(self) -> None:
        if self._answer is None:
            return
        spare = self.app.size.height - 16
        make = partial(
            plot_lines,
            self._answer.curves,
            min(max(spare, 6), 18),
            bands=self._answer.bands,
            title=f"sum at {self._answer.request.listeners[0]}",
            dark=self.app.current_theme.dark,
        )
        self.query_one("#picture", Reflowed).show(make)

    def _compute(self, job: partial[Answer]) -> None:
        self._began = monotonic()
        self.newest.ask(job)
        self._tick()
        self._ticker = self.set_interval(0.1, self._tick)

    def _tick(self) -> None:
        seconds = monotonic() - self._began
        progress = self.query_one("#progress", Static)
        progress.display = seconds >= 0.3
        done = f", {100.0 * self._course.done:.0f} %" if 0.0 < self._course.done < 1.0 else ""
        progress.update(Content(f"searching, {seconds:.1f} s{done}   Esc stops waiting"))

    def _turn_to(self, page: str) -> None:
        self.query_one("#form").display = page == "form"
        self.query_one("#found").display = page == "found"
        self.query_one("#move" if page == "form" else "#apply").focus()

    def _back(self) -> None:
        self._answer = None
        self.say("")
        self._turn_to("form")

    def _on_name_list_changed(self, message: NameList.Changed) -> None:
        message.stop()
        if message.names.id != "settings" or self._answer is None:
            return
        answer = self._answer
        try:
            chosen = picked(answer, message.names.one)
        except Refused as refused:
            self.say(refused)
            return
        self.say("")
        self._compute(partial(drawn, answer.request, answer.proposal, chosen))

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        if event.button.id == "back":
            self._back()
        else:
            self.action_go()
