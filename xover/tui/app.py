"""The workbench: one session, the sheet, the curves, one pane; the only place where state changes.

The shell is painted before the engine is loaded. Widgets ask by messages; what they ask becomes a
step of the session here, and what came of it is shown to all of them.
"""

from __future__ import annotations

import gc
import os
from typing import TYPE_CHECKING, ClassVar

from textual import events, work
from textual.app import App, ComposeResult
from textual.binding import Binding
from textual.containers import Container
from textual.driver import Driver
from textual.message import Message

from xover.tui.actions import bindings, footer_text
from xover.tui.doing import Doing
from xover.tui.kept import Column, Ground, Whole
from xover.tui.lines import Line

if TYPE_CHECKING:
    from xover.tui.opening import Opening

SHELL_ROWS = 3
"""Title, read-out and footer."""
SHEET_LEAST = 10
"""The heading and nine rows."""
PLOT_LEAST = 11
"""Eight rows of magnitude with heading, axis and read-out."""
PANE_BESIDE = 120
"""From this width on a pane stands at the right, below it takes the place of the curves."""


class Workbench(Doing, App[int]):
    """The terminal workbench on one preset."""

    TITLE = "xover"
    CSS_PATH = "xover.tcss"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[Binding]] = bindings()  # type: ignore[assignment]

    def __init__(self, path: str | None = None) -> None:
        """`path`: a preset, or None for the shipped example."""
        super().__init__(ansi_color="NO_COLOR" in os.environ)
        self.wanted_path = path
        self._loading = False
        self.add_class("-no-pane", update=False)

    def get_driver_class(self) -> type[Driver]:
        """The toolkit's own driver, which starts no task for every key."""
        return _without_tasks(super().get_driver_class())

    def get_default_screen(self) -> Whole:
        """The screen under all dialogs."""
        return Whole(id="_default")

    def compose(self) -> ComposeResult:
        """The shell; sheet and curves come when the engine is there."""
        self._place_pane(self.size.width, update=False)
        yield Line(" xover", "opening …", id="title")
        with Ground(id="stage"):
            yield Column(id="curves")
            yield Container(id="pane")
        yield Column(id="sheet")
        yield Line(most=3, id="readout")
        yield Line(footer_text(80), id="footer")

    def post_display_hook(self) -> None:
        """Once the shell is painted, load."""
        if not self._loading and self.query("#footer"):
            self._loading = True
            self._load()

    @work(thread=True, exclusive=True, group="opening", description="opening")
    def _load(self) -> None:
        from xover.tui.opening import open_or_offer

        opening = open_or_offer(self.wanted_path)
        self.call_from_thread(self.call_later, self._loaded, opening)

    async def _loaded(self, opening: Opening) -> None:
        # Title, sheet and curves in one frame: painted apart, the later ones wait for their turn.
        with self.batch_update():
            self.take(opening)
            if self.mounting is not None:
                await self.mounting
        _collect_seldom()

    def on_unmount(self) -> None:
        """However it ends: the preset is let go, unsaved work stays in the journal."""
        self.end_session()

    def on_resize(self, event: events.Resize) -> None:
        """Share the rows between curves and sheet."""
        self.arrange(event.size.width, event.size.height)

    def on_key(self, event: events.Key) -> None:
        """A letter that nobody took was typed right behind a Tab: it goes where that led."""
        if event.is_printable and event.is_forwarded:
            from xover.tui.field import Field

            if isinstance(self.focused, Field):
                self.focused._forward_event(events.Key(event.key, event.character))

    def arrange(self, width: int, height: int) -> None:
        """Heights for this size: the sheet gets what it needs, up to half; the curves the rest."""
        room = max(0, height - SHELL_ROWS)
        needed = max(SHEET_LEAST, self.sheet_rows + 1)
        sheet = min(needed, max(SHEET_LEAST, room * 45 // 100))
        if room < SHEET_LEAST + PLOT_LEAST:
            sheet = max(0, min(SHEET_LEAST, room - PLOT_LEAST if room > 16 else room // 2))
        self.query_one("#sheet").styles.height = sheet
        self._place_pane(width)
        self.query_one("#footer", Line).tell(footer_text(width))
        self.call_next(self._tell_lines)

    def _place_pane(self, width: int, *, update: bool = True) -> None:
        """Where a pane stands; no style needs an `update` before there are widgets."""
        beside = width >= PANE_BESIDE
        self.update_classes({"-beside": beside, "-below": not beside}, update=update)

    def _tell_lines(self) -> None:
        """After a resize has been obeyed: only then the app's own size is the new one."""
        self.tell_title()
        self.tell_readout()


def _without_tasks(base: type[Driver]) -> type[Driver]:
    class Direct(base):  # type: ignore[misc, valid-type]
        def send_message(self, message: Message) -> None:
            """From the thread that reads the terminal to the app's queue."""
            self._loop.call_soon_threadsafe(self._app.post_message, message)

    return Direct


def run_workbench(path: str | None) -> int:
    """Open the workbench and give its exit code."""
    from xover.tui.terminal import guarded

    gc.disable()  # until everything is loaded: nearly all of it stays
    return guarded(lambda: Workbench(path))


def _collect_seldom() -> None:
    """After loading: what is there stays and is looked at no more, and the rest seldom.

    A collection amid a key's frame takes longer than the frame.
    """
    if not gc.isenabled():
        gc.freeze()
        gc.set_threshold(20_000, 20, 20)
        gc.enable()
