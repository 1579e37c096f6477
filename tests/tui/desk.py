"""The whole workbench on a screen without a terminal, for tests: keys in, values out."""

from __future__ import annotations

import asyncio
import unicodedata
from collections.abc import Awaitable, Callable
from typing import Any

from textual import events
from textual.pilot import Pilot

from xover.model.preset import Preset
from xover.session.cells import Cell, Value, value_of
from xover.tui.app import Workbench
from xover.tui.lines import Line
from xover.tui.sheet import SheetGrid

NAMES = {"?": "question_mark", "/": "slash", " ": "space", "[": "left_square_bracket",
         "]": "right_square_bracket", "{": "left_curly_bracket",
         "}": "right_curly_bracket"}  # fmt: skip
LONGEST_S = 60.0
"""How long something computed beside the screen may take on a busy machine."""


class Desk:
    """A workbench that is open, and hands on its keys."""

    def __init__(self, app: Workbench, pilot: Pilot[int]) -> None:
        self.app, self.pilot = app, pilot

    # What there is

    @property
    def preset(self) -> Preset:
        assert self.app.session is not None
        return self.app.session.preset

    @property
    def grid(self) -> SheetGrid:
        return self.app.grid

    @property
    def title(self) -> str:
        return self._line("title")

    @property
    def readout(self) -> str:
        return self._line("readout")

    def _line(self, name: str) -> str:
        return self.app.screen_stack[0].query_one(f"#{name}", Line).text.strip()

    def cell(self, column: str, row: Any, side: Any = "output") -> Cell:
        return Cell(column, row, side)

    def value(self, column: str, row: Any, side: Any = "output") -> Value:
        return value_of(self.preset, Cell(column, row, side))

    def shown(self, column: str, row: Any, side: Any = "output") -> str:
        """What stands in the cell of the sheet."""
        assert self.grid._view is not None
        found = self.grid._view.at(Cell(column, row, side))
        assert found is not None
        return found.text

    def curve(self, label: str) -> Any:
        """The curve of that label in what the plot shows."""
        return next(each for each in self.app.plot.data.upper if each.label == label)

    def text(self) -> str:
        """What stands on the screen; "" while a widget that has just come waits for its styles."""
        try:
            strips = self.app.screen._compositor.render_strips()
        except KeyError:
            return ""
        return "\n".join("".join(piece.text for piece in strip) for strip in strips)

    # What is done

    async def keys(self, *names: str) -> None:
        """Press keys by their names or characters, all at once, and wait for what they do."""
        driver = self.app._driver
        assert driver is not None
        for name in names:
            character = name if len(name) == 1 else None
            event = events.Key(_key_name(name), character)
            event.set_sender(self.app)
            driver.send_message(event)
        await self.settle()

    async def type(self, text: str, *then: str) -> None:
        """Type a text letter by letter, then press keys."""
        await self.keys(*text, *then)

    async def paste(self, text: str) -> None:
        driver = self.app._driver
        assert driver is not None
        driver.send_message(events.Paste(text))
        await self.settle()

    async def go(self, column: str, row: Any, side: Any = "output") -> None:
        assert self.grid.go_to(Cell(column, row, side))
        await self.settle()

    async def enter(self, column: str, row: Any, text: str, side: Any = "output") -> None:
        """Type a text over a cell and take it."""
        await self.go(column, row, side)
        await self.type(text, "enter")

    async def settle(self) -> None:
        """Until every message that is under way has been obeyed."""
        quiet = 0
        while quiet < 3 and self.app.is_running:
            nodes = [self.app, *self.app.screen.walk_children(with_self=True)]
            heard = asyncio.Semaphore(0)
            asked = sum(each.call_later(heard.release) for each in nodes)
            try:
                async with asyncio.timeout(10.0):
                    for _ in range(asked):
                        await heard.acquire()
            except TimeoutError:
                return
            quiet = 0 if any(each.message_queue_size for each in nodes) else quiet + 1

    async def until(self, holds: Callable[[], object]) -> None:
        """Wait for what is computed beside the screen."""
        end = asyncio.get_running_loop().time() + LONGEST_S
        while not holds():
            if asyncio.get_running_loop().time() > end:
                raise AssertionError("it did not come to pass")
            await asyncio.sleep(0.005)
            await self.settle()

    async def drawn(self) -> None:
        """Wait until curves and crossings are those of the present preset."""
        app = self.app
        await self.until(lambda: not (app._busy or app._wanted or app._crossing_busy))
        await self.until(lambda: app._crossed and app._crossed[0] is self.preset)
        await self.settle()

    async def dialog(self, kind: type) -> Any:
        """The dialog that is open, of that kind."""
        await self.until(lambda: isinstance(self.app.screen, kind))
        await self.settle()
        return self.app.screen


def _key_name(name: str) -> str:
    if len(name) != 1 or name.isalnum():
        return name
    if name in NAMES:
        return NAMES[name]
    return unicodedata.name(name, name).lower().replace(" ", "_").replace("-", "_")


Steps = Callable[[Desk], Awaitable[None]]


def at_desk(steps: Steps, path: str | None = None, *, size: tuple[int, int] = (80, 24)) -> None:
    """Open the workbench on a preset and go through the steps."""

    async def main() -> None:
        app = Workbench(path)
        async with app.run_test(size=size) as pilot:
            desk = Desk(app, pilot)
            await desk.until(lambda: app.session is not None or len(app.screen_stack) > 1)
            if app.session is not None:
                await desk.until(lambda: app.query("#grid") and app._drawn is not None)
                await desk.until(lambda: app.grid._plan.spans)
                await desk.until(lambda: app.grid.has_focus or len(app.screen_stack) > 1)
            await desk.settle()
            await steps(desk)
        if app._exception is not None:
            raise app._exception

    asyncio.run(main())
