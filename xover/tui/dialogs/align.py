"""Aligning from inside: what moves, to what, where it counts; before and after; then one step.

The search runs beside the screen, says how long it has run and can be left at any time.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from time import monotonic
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Static

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
from xover.tui.dialogs.base import button, button_row, column, columns, labelled
from xover.tui.dialogs.picking import NameList, Tick
from xover.tui.dialogs.preview import plot_lines
from xover.tui.dialogs.proposing import ProposingDialog
from xover.tui.field import Field
from xover.tui.reflow import Reflowed

if TYPE_CHECKING:
    from xover.session.proposals import Proposal


class AlignDialog(ProposingDialog["Proposal", Answer]):
    """Answers the proposal to be taken as one step; posts `Compared` for the plot behind it."""

    heading = "Align by phase"
    keys: ClassVar[str] = "Tab moves on   Space chooses   Ctrl+G searches, applies   Esc leaves"

    DEFAULT_CSS = """
    AlignDialog #form NameList { max-height: 7; }
    AlignDialog #form #criterion { max-height: 3; }
    AlignDialog #form .row > .label { width: 8; }
    AlignDialog #words { max-height: 7; }
    AlignDialog #settings { max-height: 4; }
    AlignDialog #progress { height: 1; }
    """

    _began: float = 0.0
    _ticker: Timer | None = None

    class Compared(Message):
        """There are two presets to compare behind the dialog."""

        def __init__(self, proposal: Proposal) -> None:
            super().__init__()
            self.proposal = proposal

    def body(self) -> ComposeResult:
        """The form, and what was found."""
        yield from super().body()
        yield Static("", id="progress", markup=False)

    def form(self) -> ComposeResult:
        """Outputs, listeners, and what counts."""
        yield from self.names("move", "to", one_place=False)
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

    def shown(self) -> ComposeResult:
        """The curves before and after, the answer's words, and the settings to choose among."""
        yield Reflowed(id="picture")
        with VerticalScroll(id="words"):
            yield Reflowed(id="answer")
        yield NameList((), single=True, id="settings")

    def on_mount(self) -> None:
        """The form first; nothing is searched yet."""
        super().on_mount()
        self._course = Course()
        self.query_one("#progress").display = False

    def job(self) -> Callable[[], Answer]:
        """What searches."""
        request = self.request()
        self._course = Course()
        return partial(answered, self._preset, request, self._course)

    def taken(self, found: Answer) -> Proposal:
        """The proposal that was chosen."""
        return found.chosen

    def stop_waiting(self) -> None:
        """End the search too."""
        self._course.stop = True
        super().stop_waiting()
        self.computing_ended()

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
        fresh = self._found is None or result.proposal is not self._found.proposal
        self._found = result
        if fresh:
            rows = settings_of(result)
            settings = self.query_one("#settings", NameList)
            settings.words = {key: words for key, words, _ in rows}
            settings.offer([key for key, _, _ in rows], chosen=["own"])
            settings.display = len(rows) > 1
            self.query_one("#answer", Reflowed).show(partial(answer_lines, result))
            self.turn_to("found")
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
        if self._found is None:
            return
        spare = self.app.size.height - 16
        make = partial(
            plot_lines,
            self._found.curves,
            min(max(spare, 6), 18),
            bands=self._found.bands,
            title=f"sum at {self._found.request.listeners[0]}",
            dark=self.app.current_theme.dark,
        )
        self.query_one("#picture", Reflowed).show(make)

    def compute(self, job: Callable[[], Answer]) -> None:
        """Work it out, and say how long it has taken so far."""
        self._began = monotonic()
        super().compute(job)
        self._tick()
        self._ticker = self.set_interval(0.1, self._tick)

    def _tick(self) -> None:
        seconds = monotonic() - self._began
        progress = self.query_one("#progress", Static)
        progress.display = seconds >= 0.3
        done = f", {100.0 * self._course.done:.0f} %" if 0.0 < self._course.done < 1.0 else ""
        progress.update(Content(f"searching, {seconds:.1f} s{done}   Esc stops waiting"))

    def _on_name_list_changed(self, message: NameList.Changed) -> None:
        message.stop()
        if message.names.id != "settings" or self._found is None:
            return
        answer = self._found
        try:
            chosen = picked(answer, message.names.one)
        except Refused as refused:
            self.say(refused)
            return
        self.say("")
        self.compute(partial(drawn, answer.request, answer.proposal, chosen))
