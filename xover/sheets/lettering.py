"""What is written around curves on a grid of characters: title, legend, labels, names of bands.

Names are shown inert, and cut with a mark where there is no room. Labels show the curves'
dashes, which tell them apart without colour.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.names import inert
from xover.sheets.cells import clusters, fitted, width_of, wrapped
from xover.sheets.drawing import AXIS, CURVE, TEXT, Curve, Drawing, code_points
from xover.sheets.raster import dash_pattern

GUTTER = 6
"""Columns left of the plot: figures of the value axis and the axis itself."""
Pieces = list[tuple[str, int]]
"""Pieces of a header line: text, and the index of its curve or −1."""


class Canvas(Struct):
    """Characters being put together; nothing outside the drawing is ever written."""

    characters: NDArray[np.str_]
    styles: NDArray[np.int16]

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.characters.shape[1])

    def write(self, row: int, column: int, text: str, style: int) -> None:
        """Put `text` at a cell; what does not fit to the right is left out."""
        if text.isascii() or all(len(piece) == cells == 1 for piece, cells in clusters(text)):
            text = text[: max(0, self.width - column)]
            codes = code_points(self.characters)[row, column : column + len(text)]
            codes[:, 0] = np.frombuffer(text.encode("utf-32-le"), dtype="<u4")
            codes[:, 1:] = 0
            self.styles[row, column : column + len(text)] = style
            return
        for piece, cells in clusters(text):
            if column + cells > self.width:
                return
            self.characters[row, column] = piece[:4]
            self.styles[row, column : column + cells] = style
            if cells == 2:
                self.characters[row, column + 1] = ""
            column += cells


def sample_and_name(curve: Curve) -> tuple[str, str]:
    """A piece of the curve as it is drawn, and its name."""
    on = dash_pattern(curve.dash)
    codes = [0x02 * bool(on[2 * k]) + 0x10 * bool(on[2 * k + 1]) for k in range(3)]
    return "".join(chr(0x2800 + code) for code in codes), inert(curve.label)


def header_lines(
    title: str, names: Sequence[tuple[str, str]], columns: int, most: int
) -> list[Pieces]:
    """The lines above the plot: the title, then the legend, never more than `most` lines."""
    limit = max(12, columns // 2 - 4)
    items: Pieces = []
    for index, (sample, name) in enumerate(names):
        cut = name if width_of(name) <= limit else fitted(name, limit).rstrip()
        items.append((f"{sample} {cut}", index))
    lines: list[Pieces] = [[(fitted(inert(title), columns).rstrip(), -1)]] if title else [[]]
    used = width_of(lines[0][0][0]) if title else 0
    while items:
        text, index = items[0]
        gap = 3 if lines[-1] else 0
        if used + gap + width_of(text) > columns and lines[-1]:
            if len(lines) >= max(1, most):
                _say_more(lines[-1], len(items), columns)
                break
            lines.append([])
            used = 0
            continue
        lines[-1].append((" " * gap + text, index))
        used += gap + width_of(text)
        items.pop(0)
    return lines


def _say_more(line: Pieces, left: int, columns: int) -> None:
    """End a full legend with how many curves it does not name."""
    while line:
        more = f"   and {left} more"
        if sum(width_of(text) for text, _ in line) + len(more) <= columns:
            line.append((more, -1))
            return
        if len(line) == 1 and line[0][1] < 0:  # the title gives way, the count stays whole
            line[:] = [(fitted(line[0][0], max(0, columns - len(more))).rstrip(), -1), (more, -1)]
            return
        if line.pop()[1] >= 0:
            left += 1


def write_header(canvas: Canvas, row: int, pieces: Pieces, curves: Sequence[Curve]) -> None:
    """Write one of the lines above the plot."""
    column = GUTTER
    for text, index in pieces:
        style = TEXT if index < 0 else style_of(curves[index])
        canvas.write(row, column, text, style)
        column += width_of(text)


def style_of(curve: Curve) -> int:
    """How a curve is coloured."""
    return AXIS if curve.grey else CURVE + curve.order


def draw_labels(
    canvas: Canvas,
    drawing: Drawing,
    curves: Sequence[Curve],
    names: Sequence[tuple[str, str]],
    ends: Sequence[int],
    margin: int,
) -> None:
    """A label right of each curve's end, moved up or down only as far as others need room."""
    first, last = drawing.top_row, drawing.top_row + drawing.rows - 1
    wanted = [end if end >= 0 else last for end in ends]
    order = sorted(range(len(curves)), key=lambda index: (wanted[index], index))
    placed: list[int] = []
    for index in order:
        placed.append(max(wanted[index], placed[-1] + 1 if placed else first))
    for position in range(len(placed) - 1, -1, -1):
        below = placed[position + 1] - 1 if position + 1 < len(placed) else last
        placed[position] = min(placed[position], below)
    for index, row in zip(order, placed, strict=True):
        if row < first:
            continue
        sample, name = names[index]
        text = f"{sample} {fitted(name, margin - len(sample) - 2)}"
        start = drawing.left + drawing.columns + 1
        canvas.write(row, start, text, style_of(curves[index]))


def label_band(
    canvas: Canvas,
    drawing: Drawing,
    ground: Drawing,
    band: tuple[float, float, str],
) -> None:
    """Write a band's label beside it, in the lowest row that is free, else as near as it goes."""
    low_hz, high_hz, label = band
    text = inert(label)
    left, right = drawing.left, drawing.left + drawing.columns
    room = width_of(text)
    after = drawing.column_of(min(high_hz, drawing.high_hz)) + 2
    before = drawing.column_of(max(low_hz, drawing.low_hz)) - 1 - room
    area = slice(drawing.top_row, drawing.top_row + drawing.rows)
    free = (code_points(canvas.characters[area]) == code_points(ground.characters[area])).all(2)
    for start in (after, before, (after + before) // 2):
        if left + 1 > start or start + room > right:
            continue
        rows = np.flatnonzero(free[:, start - 1 : start + room + 1].all(axis=1))
        if rows.size:
            canvas.write(drawing.top_row + int(rows[-1]), start, text, TEXT)
            return
    for line in wrapped(text, drawing.columns - 2)[:1]:
        canvas.write(drawing.top_row, left + 1, line, TEXT)
