"""What every companion pane has: a title, a way to be shown the preset, requests to the app.

A pane shows and asks; it holds no preset of its own beyond the one it was last shown. What takes
time is computed beside the screen and marked as pending until it is there.
"""

from __future__ import annotations

from typing import ClassVar, Protocol

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Static

from xover.model.drive import Drive, drive_of
from xover.model.names import inert
from xover.model.preset import Preset
from xover.tui.computing import Computed, Job, Newest


class Opened(Protocol):
    """What a pane reads of the session: the open preset."""

    @property
    def preset(self) -> Preset:
        """The preset as it is now."""
        ...

    @property
    def read_only(self) -> str:
        """Why nothing can be edited, "" where it can."""
        ...


class Pane(Widget):
    """A companion pane; `title` stands above its content and in the list of panes."""

    title: ClassVar[str] = ""

    DEFAULT_CSS = """
    Pane { layout: vertical; height: 1fr; width: 1fr; overflow: hidden hidden; }
    Pane > .pane-title { height: 1; width: 100%; padding: 0 1; text-style: bold;
        background: $boost; }
    Pane > VerticalScroll { height: 1fr; padding: 0 1; scrollbar-size-vertical: 1;
        scrollbar-gutter: stable; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "give_back", "to the sheet", show=False)
    ]

    class GivenBack(Message):
        """The keys shall go to the sheet again; the pane stays."""

    class JumpTo(Message):
        """The cursor shall go to the place `where` in the preset."""

        def __init__(self, where: str) -> None:
            super().__init__()
            self.where = where

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._newest = Newest(self)
        self._preset: Preset | None = None
        self._drive: Drive | None = None
        self._stale = False

    def action_give_back(self) -> None:
        """The keys go to the sheet again."""
        self.post_message(self.GivenBack())

    def take_keys(self) -> None:
        """The keys go to what a pane is opened for, where it is to be read or typed into."""

    def compose(self) -> ComposeResult:
        """The title, then what the pane itself is made of."""
        yield Static(self.title, classes="pane-title", markup=False)
        yield from self.body()

    def body(self) -> ComposeResult:
        """The pane's own widgets."""
        yield VerticalScroll()

    def show(self, session: Opened, *, drive: Drive | None = None) -> None:
        """Show the session's preset; cheap, and free where nothing has changed.

        `drive` is what is played where that is not the preset's own stimulus. A pane that is not
        mounted yet does its work when it is.
        """
        settled = drive_of(session.preset) if drive is None else drive
        if session.preset is self._preset and settled == self._drive:
            return
        self._preset, self._drive, self._stale = session.preset, settled, True
        if self.is_mounted:
            self._catch_up()

    def on_mount(self) -> None:
        """Catch up with what was shown before there was a place for it."""
        self._catch_up()

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Bring the content up to date; called only while the pane is mounted."""

    def result_ready(self, result: object, sentence: str) -> None:
        """Show what was computed last, or the `sentence` that says why it could not be."""

    def compute(self, job: Job) -> None:
        """Compute beside the screen; `result_ready` follows, and the title says pending."""
        self._newest.ask(job)
        self._mark()

    @property
    def is_pending(self) -> bool:
        """Whether what is shown is not yet that of the newest preset."""
        return self._stale or self._newest.is_busy

    def _on_computed(self, message: Computed) -> None:
        newest = self._newest.ended(message)
        if newest and self.is_attached:
            sentence = "" if message.problem is None else inert(str(message.problem))
            self.result_ready(message.result, sentence)
        self._mark()

    def _catch_up(self) -> None:
        if self._stale and self._preset is not None and self._drive is not None:
            self._stale = False
            self.refresh_content(self._preset, self._drive)

    def _mark(self) -> None:
        if not self.is_attached:
            return
        heading = Content(self.title)
        if self.is_pending:
            heading += Content.styled("  pending …", "italic")
        self.query_one(".pane-title", Static).update(heading)
