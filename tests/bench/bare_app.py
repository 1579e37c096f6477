"""The peer of the workbench's benchmarks: a bare Textual app that updates one `Static` a key.

`python bare_app.py [still|cells]`; with `still` the size of the widget is not asked for anew. With
`cells` it changes, besides the count, as many cells of a picture as a step of the workbench does,
from two pictures made before: what the toolkit takes to paint them where nothing is computed.
"""

from __future__ import annotations

import sys

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.app import App, ComposeResult
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Static

STILL, CELLS = sys.argv[1:] == ["still"], sys.argv[1:] == ["cells"]
WIDE, ROWS, PIECES, CHANGED = 160, 20, 10, (24, 56)
"""A picture of 20 rows of ten pieces each, as the curves have; two parts of every row change."""


class Picture(Widget):
    """Two pictures by turns."""

    DEFAULT_CSS = "Picture { height: 20; }"
    turn = 0

    def on_mount(self) -> None:
        """Both, made once."""
        size = WIDE // PIECES
        inks = [Style(color=f"rgb({20 * at + 40},160,200)") for at in range(PIECES)]
        self.strips = []
        for turn in range(2):
            rows = []
            for y in range(ROWS):
                text = list("⠒" * WIDE)
                for at in CHANGED:
                    text[at + y : at + y + 4] = "⡠⠤⠒⠊" if turn else "⠊⠒⠤⡠"
                pieces = ["".join(text[at : at + size]) for at in range(0, WIDE, size)]
                segments = [Segment(piece, ink) for piece, ink in zip(pieces, inks, strict=True)]
                rows.append(Strip(segments, WIDE))
            self.strips.append(rows)

    def change(self) -> None:
        """The other one; just the parts that differ are painted."""
        self.turn = 1 - self.turn
        self.refresh(*(Region(at + y, y, 4, 1) for y in range(ROWS) for at in CHANGED))

    def render_line(self, y: int) -> Strip:
        """One row."""
        return self.strips[self.turn][y]


class Bare(App[None]):
    """One line that counts keys."""

    count = 0

    def compose(self) -> ComposeResult:
        """One line, and the picture where it is wanted."""
        yield Static("count 0")
        if CELLS:
            yield Picture()

    def on_key(self, event: events.Key) -> None:
        """Count."""
        self.count += 1
        if CELLS:
            self.query_one(Picture).change()
        self.query_one(Static).update(f"count {self.count}", layout=not (STILL or CELLS))


if __name__ == "__main__":
    Bare().run()
