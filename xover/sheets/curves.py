"""Curves over frequency on a grid of characters, shared by every door that draws on a terminal.

`plot` makes a `Drawing`: characters, and for each cell which curve or part of the axis it shows,
so that a terminal can colour it. It never relies on colour: dash and label tell curves apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from functools import lru_cache, wraps
from typing import ParamSpec

import numpy as np
from msgspec.structs import replace

from xover.model.problems import Refused
from xover.sheets.cells import width_of
from xover.sheets.drawing import (
    AXIS,
    CURSOR,
    CURVE,
    GRID,
    SHADE,
    TEXT,
    Curve,
    Drawing,
    code_points,
    stack,
)
from xover.sheets.ink import Ink, Wanted, extent, inks
from xover.sheets.lettering import (
    GUTTER,
    Canvas,
    draw_labels,
    header_lines,
    label_band,
    sample_and_name,
    style_of,
    write_header,
)
from xover.sheets.raster import Grid
from xover.sheets.scales import (
    HIGH_HZ,
    LOW_HZ,
    automatic_range,
    frequency_name,
    frequency_ticks,
    show_tick,
    steady_range,
    steps_for,
)

__all__ = ["CURVE", "GUTTER", "Curve", "Drawing", "magnitude_over_phase", "plot", "stack"]

MINIMUM_WIDTH, MINIMUM_HEIGHT = 32, 5

Making = Generator[Wanted, list[Ink], Drawing]
"""A plot in the making: it asks for what its curves leave, once."""


class Started:
    """A plot whose axes are settled and whose curves are still to be drawn."""

    def __init__(self, making: Making) -> None:
        self._making = making
        self.wanted = next(making)

    @property
    def columns(self) -> int:
        """Columns of the plot itself."""
        return self.wanted.grid.columns // 2

    def finished(self, drawn: list[Ink]) -> Drawing:
        """The drawing, with what its curves leave."""
        try:
            self._making.send(drawn)
        except StopIteration as end:
            drawing: Drawing = end.value
            return drawing
        raise AssertionError("a plot wants its curves once")


def together(*plots: Started) -> list[Drawing]:
    """Plots finished in one go, which is quicker for several of one width and span."""
    drawn = inks([each.wanted for each in plots])
    return [each.finished(own) for each, own in zip(plots, drawn, strict=True)]


_P = ParamSpec("_P")


def _startable(making: Callable[_P, Making]) -> Callable[_P, Started]:
    @wraps(making)
    def start(*args: _P.args, **kwargs: _P.kwargs) -> Started:
        return Started(making(*args, **kwargs))

    return start


def _whole(start: Callable[_P, Started]) -> Callable[_P, Drawing]:
    @wraps(start)
    def plot(*args: _P.args, **kwargs: _P.kwargs) -> Drawing:
        return together(start(*args, **kwargs))[0]

    return plot


@_startable
def started(
    curves: Sequence[Curve],
    *,
    width: int,
    height: int,
    unit: str = "dB",
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    value_range: tuple[float, float] | None = None,
    bands: Sequence[tuple[float, float, str]] = (),
    title: str = "",
    cursor_hz: float | None = None,
    labels: str = "auto",
    margin: int | None = None,
    frequency_axis: bool = True,
    like: Drawing | None = None,
) -> Making:
    """Draw curves over log frequency in `width` × `height` characters.

    `unit` is "dB", "deg" or "ms" (any other gets 1-2-5 steps); `value_range` (bottom, top) where
    not automatic; `bands` are (low Hz, high Hz, label) to shade; `labels` is "margin" (at the
    curves' ends), "legend" (above), "none" or "auto"; `margin` fixes the columns kept on the right.
    The scale of the drawing before, `like`, is kept as long as the curves sit well in it.
    Raises `Refused` where there is no room, or for a range that is empty.
    """
    if width < MINIMUM_WIDTH or height < MINIMUM_HEIGHT:
        raise Refused.at(
            "",
            f"a plot needs at least {MINIMUM_WIDTH} columns and {MINIMUM_HEIGHT} rows, here are "
            f"{width} and {height}; widen the terminal or write the plot to a file",
        )
    if not 0.0 < low_hz < high_hz:
        raise Refused.at("", f"a plot from {low_hz:g} to {high_hz:g} Hz has no width")
    if value_range is not None and not value_range[0] < value_range[1]:
        raise Refused.at("", f"a plot from {value_range[0]:g} to {value_range[1]:g} has no height")
    names = [sample_and_name(curve) for curve in curves]
    axis_rows = 1 if frequency_axis else 0
    if labels == "auto":
        roomy = width >= 60 and len(curves) <= height - 1 - axis_rows
        labels = "margin" if roomy else "legend"
    if margin is None:
        widest = max((width_of(name) for _, name in names), default=0)
        margin = min(widest, max(8, width // 5)) + 5 if labels == "margin" and names else 0
    columns = width - GUTTER - margin
    legend = names if labels == "legend" else []
    header = header_lines(title, legend, columns, height - axis_rows - 3)
    rows = height - len(header) - axis_rows
    bottom, top, step = _value_axis(curves, low_hz, high_hz, value_range, rows, unit, like)
    ground = _ground(
        width, height, len(header), rows, columns, low_hz, high_hz, bottom, top, step, unit,
        tuple((low, high) for low, high, _ in bands), frequency_axis,
    )  # fmt: skip
    canvas = Canvas(ground.characters.copy(), ground.styles.copy())
    drawing = replace(ground, characters=canvas.characters, styles=canvas.styles)
    drawn = yield Wanted(_grid(drawing), curves)
    ends = _draw_curves(canvas, drawing, curves, drawn)
    if cursor_hz is not None and low_hz <= cursor_hz <= high_hz:
        _draw_cursor(canvas, drawing, drawing.column_of(cursor_hz))
    for row, pieces in enumerate(header):
        write_header(canvas, row, pieces, curves)
    if labels == "margin":
        draw_labels(canvas, drawing, curves, names, ends, margin)
    for band in bands:
        if band[2]:
            label_band(canvas, drawing, ground, band)
    return drawing


plot = _whole(started)
"""As `started`, drawn at once."""


_Ticks = list[tuple[int, str, int]]
"""Frequency figures: where each starts, its text, the column it speaks of."""


def _value_axis(
    curves: Sequence[Curve],
    low_hz: float,
    high_hz: float,
    value_range: tuple[float, float] | None,
    rows: int,
    unit: str,
    like: Drawing | None,
) -> tuple[float, float, float]:
    """(bottom, top, tick step) of the value axis."""
    if value_range is None and unit == "deg" and all(curve.wraps for curve in curves):
        value_range = (-180.0, 180.0)
    if value_range is not None:
        bottom, top = value_range
        per_row = (top - bottom) / max(1, rows - 1)
        fitting = [step for step in steps_for(unit) if step >= 2.0 * per_row - 1e-9]
        return bottom, top, fitting[0] if fitting else top - bottom
    least, most = np.inf, -np.inf
    for curve in curves:
        low, high = extent(curve, low_hz, high_hz)
        least, most = min(least, low), max(most, high)
    if least > most:
        least, most = 0.0, 0.0
    fresh = automatic_range(least, most, rows, unit)
    if like is None or (like.unit, like.rows) != (unit, rows):
        return fresh
    return steady_range((*like.value_range, like.step), fresh, least, most, rows)


def _frequency_figures(drawing: Drawing) -> _Ticks:
    """Frequency figures, left to right; none overlaps another or is cut off."""
    taken: list[tuple[int, int]] = []
    ticks: _Ticks = []
    last = drawing.left + drawing.columns
    for level in frequency_ticks(drawing.low_hz, drawing.high_hz):
        for frequency_hz in level:
            text = frequency_name(frequency_hz)
            column = drawing.column_of(frequency_hz)
            start = column - len(text) // 2
            start = min(max(start, drawing.left), last - len(text))
            stop = start + len(text)
            if all(stop + 1 <= a or start >= b + 1 for a, b in taken):
                taken.append((start, stop))
                ticks.append((start, text, column))
    return sorted(ticks)


@lru_cache(maxsize=16)
def _ground(
    width: int,
    height: int,
    top_row: int,
    rows: int,
    columns: int,
    low_hz: float,
    high_hz: float,
    bottom: float,
    top: float,
    step: float,
    unit: str,
    bands: tuple[tuple[float, float], ...],
    frequency_axis: bool,
) -> Drawing:
    """The drawing without curves and names, kept while only curves change.

    Both axes with their figures, a dot where a value tick meets a frequency tick, shaded bands.
    """
    canvas = Canvas(
        np.full((height, width), " ", dtype="<U4"), np.zeros((height, width), dtype=np.int16)
    )
    shaded = np.zeros((height, width), dtype=bool)
    drawing = Drawing(
        canvas.characters, canvas.styles, shaded, low_hz, high_hz, (bottom, top),
        top_row, rows, GUTTER, columns, step, unit,
    )  # fmt: skip
    left, right = GUTTER, GUTTER + columns
    bar, cross, dot, shade = "│┤·░"
    canvas.write(0, 0, unit.rjust(4), AXIS)
    canvas.characters[top_row : top_row + rows, left - 1] = bar
    canvas.styles[top_row : top_row + rows, left - 1] = AXIS
    for band_low_hz, band_high_hz in bands:
        start = max(left, drawing.column_of(max(band_low_hz, low_hz)))
        stop = min(right, drawing.column_of(min(band_high_hz, high_hz)) + 1)
        if start < stop and band_high_hz > low_hz and band_low_hz < high_hz:
            shaded[top_row : top_row + rows, start:stop] = True
            canvas.characters[top_row : top_row + rows, start:stop] = shade
            canvas.styles[top_row : top_row + rows, start:stop] = SHADE
    ticks = _frequency_figures(drawing)
    if frequency_axis:
        for start, text, _ in ticks:
            canvas.write(height - 1, start, text, AXIS)
    columns_with_tick = [column for _, _, column in ticks]
    first, last = math.ceil(bottom / step - 1e-9), math.floor(top / step + 1e-9)
    for tick in [number * step for number in range(first, last + 1)]:
        row = top_row + math.floor((top - tick) / (top - bottom) * (rows - 1) + 0.5)
        figure = show_tick(tick, unit, step)
        canvas.write(row, 0, f"{figure:>4} "[: GUTTER - 1], AXIS)
        canvas.write(row, left - 1, cross, AXIS)
        free = [column for column in columns_with_tick if canvas.styles[row, column] == TEXT]
        canvas.characters[row, free] = dot
        canvas.styles[row, free] = GRID
    shaded.flags.writeable = False
    return drawing


def _grid(drawing: Drawing) -> Grid:
    """The dots of a drawing."""
    bottom, top = drawing.value_range
    return Grid(
        2 * drawing.columns, 4 * drawing.rows, drawing.low_hz, drawing.high_hz, top, bottom,
        1.25, 1.25 + 4 * max(1, drawing.rows - 1),
    )  # fmt: skip


def _draw_curves(
    canvas: Canvas,
    drawing: Drawing,
    curves: Sequence[Curve],
    drawn_by: Sequence[Ink],
) -> list[int]:
    """Draw every curve; returns the row where each ends on the right, −1 for one not seen."""
    bits = np.zeros((drawing.rows, drawing.columns), dtype=np.uint8)
    owner = np.full(bits.shape, -1, dtype=np.int16)
    for index, ink in enumerate(drawn_by):  # the last is on top
        bits |= ink.bits
        owner[ink.seen] = index
    drawn = bits != 0
    area = (
        slice(drawing.top_row, drawing.top_row + drawing.rows),
        slice(drawing.left, drawing.left + drawing.columns),
    )
    code_points(canvas.characters)[(*area, 0)][drawn] = 0x2800 + bits[drawn].astype(np.uint32)
    styles = np.array([style_of(curve) for curve in curves], dtype=np.int16)
    if styles.size:
        canvas.styles[area][drawn] = styles[owner[drawn]]
    return [-1 if ink.end < 0 else drawing.top_row + ink.end for ink in drawn_by]


def _draw_cursor(canvas: Canvas, drawing: Drawing, column: int) -> None:
    rows = np.arange(drawing.top_row, drawing.top_row + drawing.rows)
    rows = rows[canvas.styles[rows, column] < CURVE]
    canvas.characters[rows, column] = "┊"
    canvas.styles[rows, column] = CURSOR


def magnitude_over_phase(
    magnitude: Sequence[Curve],
    phase: Sequence[Curve],
    *,
    width: int,
    height: int,
    low_hz: float = LOW_HZ,
    high_hz: float = HIGH_HZ,
    bands: Sequence[tuple[float, float, str]] = (),
    title: str = "",
    lower_unit: str = "deg",
) -> Drawing:
    """Magnitude in dB over phase (or, by `lower_unit` "ms", group delay) on one frequency axis.

    Three fifths of the height are the magnitude's. Labels stand beside the magnitude only.
    """
    above = (3 * height + 2) // 5
    upper = plot(
        magnitude, width=width, height=above, low_hz=low_hz, high_hz=high_hz, bands=bands,
        title=title,
    )  # fmt: skip
    lower = plot(
        phase, width=width, height=height - above, unit=lower_unit, low_hz=low_hz,
        high_hz=high_hz, bands=[(a, b, "") for a, b, _ in bands], labels="none",
        margin=width - GUTTER - upper.columns,
    )  # fmt: skip
    return stack(upper, lower)
