"""Rows that are kept as painted: told anew, another theme or another size is seen at once."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from textual.app import App, ComposeResult
from textual.geometry import Region
from textual.pilot import Pilot

from xover.tui.kept import Ground
from xover.tui.lines import Line


class Host(App[None]):
    """A line over a ground."""

    CSS = "Line { background: $panel; } Ground { height: 1fr; background: $boost; }"

    def compose(self) -> ComposeResult:
        """Both."""
        yield Line("one", id="line")
        yield Ground(id="ground")


def hosted(look: Callable[[Host, Pilot[None]], Awaitable[None]]) -> None:
    async def play() -> None:
        app = Host()
        async with app.run_test(size=(20, 4)) as pilot:
            await pilot.pause()
            await look(app, pilot)

    asyncio.run(play())


def painted(app: Host, id: str) -> list[Any]:
    widget = app.query_one(id)
    assert isinstance(widget, Line | Ground)
    return widget.render_lines(Region(0, 0, *widget.size))


def test_what_is_told_is_painted_and_what_is_not_is_kept() -> None:
    async def look(app: Host, pilot: Pilot[None]) -> None:
        first = painted(app, "#line")
        assert first[0].text == "one".ljust(20)
        assert painted(app, "#line") is first
        app.query_one(Line).tell("another", "right")
        assert painted(app, "#line")[0].text == "another" + "right".rjust(13)

    hosted(look)


def test_a_theme_changes_lines_and_grounds() -> None:
    async def look(app: Host, pilot: Pilot[None]) -> None:
        before = [next(iter(painted(app, id)[0])).style for id in ("#line", "#ground")]
        app.theme = "textual-light"
        await pilot.pause()
        await pilot.pause()
        after = [next(iter(painted(app, id)[0])).style for id in ("#line", "#ground")]
        for was, now in zip(before, after, strict=True):
            assert was.bgcolor != now.bgcolor

    hosted(look)


def test_another_size_is_filled() -> None:
    async def look(app: Host, pilot: Pilot[None]) -> None:
        painted(app, "#line")
        await pilot.resize_terminal(31, 6)
        await pilot.pause()
        assert painted(app, "#line")[0].cell_length == 31
        assert [strip.cell_length for strip in painted(app, "#ground")] == [31] * 5

    hosted(look)
