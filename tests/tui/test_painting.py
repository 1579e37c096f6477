"""What is sent to the terminal piece by piece adds up to what stands on the screen."""

from __future__ import annotations

import random
from typing import Any

import pytest
from rich.console import Console
from textual._compositor import CompositorUpdate
from textual.widgets import Static

from tests.tui.desk import Desk, at_desk
from xover.sheets.cells import clusters
from xover.tui.app import Workbench
from xover.tui.painting import Painter, Runs

Cell = tuple[str, Any, Any, Any]


class Paper:
    """A terminal's cells: a sign, and all that can be seen of its style."""

    def __init__(self, app: Workbench, monkeypatch: pytest.MonkeyPatch) -> None:
        self.cells: dict[tuple[int, int], Cell] = {}
        self.console = Console(color_system="truecolor")
        self.kinds: list[type] = []
        self._app = app
        shown = Workbench._display

        def display(this: Workbench, screen: Any, update: Any) -> None:
            if isinstance(update, CompositorUpdate) and not this._batch_count:
                self.kinds.append(type(update))
                self._write(update)
            shown(this, screen, update)

        monkeypatch.setattr(Workbench, "_display", display)

    def _write(self, update: Any) -> None:
        x = y = 0
        for segment in update.__rich_console__(self.console, self.console.options):
            if segment.control:
                for control in segment.control:
                    _, x, y = control
            elif segment.text == "\n":
                x, y = 0, y + 1
            else:
                x = put(self.cells, x, y, segment)

    def same(self) -> None:
        """Everything stands as the screen has it now."""
        strips = self._app.screen._compositor.render_strips()
        wanted: dict[tuple[int, int], Cell] = {}
        for y, strip in enumerate(strips):
            x = 0
            for segment in strip:
                x = put(wanted, x, y, segment)
        for place, cell in wanted.items():
            assert self.cells.get(place) == cell, (place, self.cells.get(place), cell)


def put(cells: dict[tuple[int, int], Cell], x: int, y: int, segment: Any) -> int:
    style = segment.style
    for piece, wide in clusters(segment.text):
        ink = style and (style.color, style.bold, style.italic)
        ground = style and (style.bgcolor, style.reverse, style.underline)
        blank = piece == " " and not (style and (style.reverse or style.underline))
        cells[x, y] = (piece, None if blank else ink, ground, wide)
        for beside in range(1, wide):
            cells[x + beside, y] = ("", None, None, 0)
        x += wide
    return x


KEYS = [*"[]]]{}", "down", "up", "left", "right", "shift+right", "pagedown", "home", "end",
        "3", "5", "enter", "escape", "b", "l", "p", "tab", "ctrl+z", "ctrl+y", "f3", "f6",
        "m", "i", "plus", "minus"]  # fmt: skip


@pytest.mark.parametrize(("seed", "size"), [(1, (80, 24)), (2, (160, 48))])
def test_every_piece_lies_where_it_belongs(
    hall_path: str, monkeypatch: pytest.MonkeyPatch, seed: int, size: tuple[int, int]
) -> None:
    dice = random.Random(seed)

    async def steps(desk: Desk) -> None:
        await desk.drawn()
        paper = Paper(desk.app, monkeypatch)
        desk.app.screen.refresh()
        await desk.settle()
        for _ in range(45):
            await desk.keys(dice.choice(KEYS))
            await desk.pilot.pause()
            if len(desk.app.screen_stack) > 1:
                await desk.keys("escape")
                await desk.pilot.pause()
                desk.app.screen.refresh()  # the screen behind was drawn by the dialog's
                await desk.pilot.pause()
            else:
                paper.same()
        assert Runs in paper.kinds

    at_desk(steps, hall_path, size=size)


def test_a_step_is_painted_directly(hall_path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    async def steps(desk: Desk) -> None:
        await desk.drawn()
        paper = Paper(desk.app, monkeypatch)
        desk.app.screen.refresh()
        await desk.pilot.pause()
        await desk.go("Sub", "high_pass")
        await desk.pilot.pause()
        paper.kinds.clear()
        await desk.keys("]")
        await desk.drawn()
        await desk.pilot.pause()
        assert paper.kinds
        assert set(paper.kinds) == {Runs}
        paper.same()

    at_desk(steps, hall_path, size=(160, 48))


def test_what_lies_under_something_is_left_to_the_toolkit(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        painter = desk.app.screen._compositor
        assert isinstance(painter, Painter)
        assert {desk.app.grid, desk.app.plot} <= painter._on_top()
        note = Static("over the sheet")
        note.styles.overlay = "screen"
        note.styles.width, note.styles.height, note.styles.offset = 20, 2, (4, -9)
        await desk.app.screen.mount(note)
        await desk.pilot.pause()
        assert note.region.overlaps(desk.app.grid.region)
        assert desk.app.grid not in painter._on_top()
        assert desk.app.plot in painter._on_top()

    at_desk(steps, hall_path)


def test_sheet_and_curves_come_in_one_frame(
    hall_path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames: list[str] = []
    shown = Workbench._display

    def display(this: Workbench, screen: Any, update: Any) -> None:
        if isinstance(update, CompositorUpdate) and not this._batch_count:
            strips = this.screen._compositor.render_strips()
            frames.append("\n".join(strip.text for strip in strips))
        shown(this, screen, update)

    monkeypatch.setattr(Workbench, "_display", display)

    async def steps(desk: Desk) -> None:
        await desk.drawn()

    at_desk(steps, hall_path, size=(160, 48))
    first = next(frame for frame in frames if "opening …" not in frame and "saved" in frame)
    assert "High-pass" in first
    assert any("\u2800" < sign <= "\u28ff" for sign in first)
    assert first.rstrip().splitlines()[-2].strip(), "the read-out says something, too"
