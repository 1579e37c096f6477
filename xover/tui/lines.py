"""The three lines around sheet and curves: title, what the cell is, what the keys do.

Each is one row of text that fits whatever width there is; words go as a whole, from the right.
"""

from __future__ import annotations

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from xover.sheets.cells import fitted, width_of


class Line(Widget, can_focus=False):
    """One row: `left` text, `right` text, of which the left gives way."""

    DEFAULT_CSS = "Line { height: 1; width: 1fr; }"

    def __init__(self, left: str = "", right: str = "", *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._left, self._right = left, right

    def tell(self, left: str, right: str = "") -> None:
        """Show other text; repaints only where it differs."""
        if (left, right) != (self._left, self._right):
            self._left, self._right = left, right
            self.refresh()

    @property
    def text(self) -> str:
        """What stands there, whole."""
        return f"{self._left}  {self._right}" if self._right else self._left

    def render_line(self, y: int) -> Strip:
        """The row, exactly as wide as the widget."""
        width = self.size.width
        style: Style = self.rich_style
        return Strip([Segment(in_row(self._left, self._right, width), style)], width)


def in_row(left: str, right: str, width: int) -> str:
    """`left` and `right` in `width` cells; the left is cut first, then the right goes."""
    if width <= 0:
        return ""
    room = width - width_of(right) - 2 if right else width
    if right and room < min(12, width_of(left)):
        right, room = "", width
    text = fitted(left, room)
    gap = width - width_of(text) - width_of(right)
    return text + " " * max(0, gap) + right


def whole_parts(parts: list[str], width: int, gap: str = "   ") -> str:
    """As many parts as fit, none cut, the first ones first."""
    shown = ""
    for part in parts:
        if not part:
            continue
        longer = f"{shown}{gap}{part}" if shown else part
        if width_of(longer) > width:
            break
        shown = longer
    return shown
