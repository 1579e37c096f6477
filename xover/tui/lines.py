"""The three lines around sheet and curves: title, what the cell is, what the keys do.

Each fits whatever width there is; words go as a whole, from the right. A sentence that one row
does not hold may take more of them.
"""

from __future__ import annotations

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip

from xover.sheets.cells import fitted, width_of, wrapped
from xover.tui.kept import Kept


class Line(Kept, can_focus=False):
    """One row: `left` text, `right` text, of which the left gives way.

    A `left` text alone may take up to `most` rows, broken between words.
    """

    DEFAULT_CSS = "Line { height: 1; width: 1fr; }"

    def __init__(
        self, left: str = "", right: str = "", *, most: int = 1, id: str | None = None
    ) -> None:
        super().__init__(id=id)
        self._left, self._right, self._most = left, right, most

    def tell(self, left: str, right: str = "") -> None:
        """Show other text; repaints only where it differs."""
        if (left, right) != (self._left, self._right):
            self._left, self._right = left, right
            self._fold()
            self.refresh()

    def on_resize(self) -> None:
        """Another width: perhaps other rows."""
        self._fold()

    def _fold(self) -> None:
        """As many rows as the text takes."""
        rows = len(self._rows(self.size.width)) if self._most > 1 and self.size.width else 1
        if self.styles.height is None or self.styles.height.value != rows:
            self.styles.height = rows

    def _rows(self, width: int) -> list[str]:
        if self._most == 1 or self._right or width < 4 or width_of(self._left) <= width:
            return [in_row(self._left, self._right, width)]
        rows = wrapped(self._left.strip(), width - 1, indent=" ")
        if len(rows) > self._most:
            rows[self._most - 1 :] = [" " + " ".join(row.strip() for row in rows[self._most - 1 :])]
        return [in_row(row, "", width) for row in rows]

    @property
    def text(self) -> str:
        """What stands there, whole."""
        return f"{self._left}  {self._right}" if self._right else self._left

    def paint(self, crop: Region) -> list[Strip]:
        """Rows, each exactly as wide as the widget."""
        width = self.size.width
        texts = self._rows(width)
        texts += [" " * width] * (crop.bottom - len(texts))
        strips = [Strip([Segment(text, self.look)], width) for text in texts[crop.y : crop.bottom]]
        if crop.column_span != (0, width):
            strips = [strip.crop(*crop.column_span) for strip in strips]
        return strips


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
