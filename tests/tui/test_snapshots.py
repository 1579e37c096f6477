"""A few whole screens as pictures, compared by what can be read on them.

Values are asserted elsewhere; this notices a screen that looks otherwise than it did. Dots of
curves are left out, since they may move by one. `XOVER_SNAPSHOTS=write` draws the pictures anew,
to be looked at before they are committed.
"""

from __future__ import annotations

import html
import os
import re
from pathlib import Path

import pytest

from tests.tui.desk import Desk, at_desk
from xover.tui.panes.advice import AdvicePane

FOLDER = Path(__file__).parent / "snapshots"
_TEXT = re.compile(
    r'<text [^>]*?x="([0-9.]+)"[^>]*?clip-path="url\(#[^"]*-line-([0-9]+)\)"[^>]*>([^<]*)<'
)
_FETCHED = re.compile(r"@font-face \{.*?\}\s*|<!--.*?-->\s*", re.DOTALL)
"""What a picture would fetch from elsewhere; it is kept without."""
_CELL = 12.2
"""The width of a character in the pictures."""


def readable(svg: str) -> list[str]:
    """The rows of a picture as text, without dots of curves."""
    rows: dict[int, list[str]] = {}
    for x, line, text in _TEXT.findall(svg):
        row = rows.setdefault(int(line), [])
        at = round(float(x) / _CELL)
        row += [" "] * (at - len(row))
        row[at:] = html.unescape(text).replace("\xa0", " ")
    found = ["".join(rows.get(number, [])) for number in range(max(rows) + 1)]
    return [re.sub("[\u2800-\u28ff·░]", " ", row).rstrip() for row in found]


async def opening(desk: Desk) -> None:
    assert desk.title.endswith("example")


async def typing(desk: Desk) -> None:
    await desk.enter("Top L", "delay", "3'7\"")
    await desk.enter("Sub", "low_pass", "lr25 100")
    assert desk.grid.sentence


async def advice(desk: Desk) -> None:
    await desk.enter("Sub", "high_pass", "off")
    await desk.keys("f4")
    await desk.until(lambda: any(pane.findings for pane in desk.app.query(AdvicePane)))


@pytest.mark.parametrize(
    ("name", "steps", "size"),
    [
        ("opening", opening, (80, 24)), ("opening", opening, (120, 40)),
        ("typing", typing, (80, 24)), ("advice", advice, (120, 40)),
    ],
)  # fmt: skip
def test_screens(name: str, steps, size: tuple[int, int]) -> None:
    path = FOLDER / f"{name}-{size[0]}x{size[1]}.svg"
    drawn: list[str] = []

    async def look(desk: Desk) -> None:
        await desk.drawn()
        await steps(desk)
        await desk.drawn()
        await desk.until(lambda: not desk.app._crossing_busy)
        await desk.pilot.pause()
        await desk.pilot.pause()
        drawn.append(desk.app.export_screenshot(title=name))

    at_desk(look, size=size)
    if os.environ.get("XOVER_SNAPSHOTS") == "write":
        path.write_text(_FETCHED.sub("", drawn[0]), encoding="utf-8")
    rows = readable(drawn[0])
    assert len(rows) == size[1]
    assert all(len(row) <= size[0] for row in rows)
    assert rows == readable(path.read_text(encoding="utf-8"))
