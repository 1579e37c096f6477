"""Curves over log frequency to dots, all curves in one vectorised pass; numpy only.

Values become spans of dots, one a dot column, that join without gaps; NaN leaves a gap, a phase
wrap is not joined, and a peak or notch between two columns still shows. It knows no characters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from xover.sheets.palette import DASHES

_FAR_DOTS = 1e6
_PERIOD_DOTS = 48
"""A multiple of the length of every dash pattern."""


@dataclass(frozen=True)
class Grid:
    """The dot grid and what its edges stand for.

    `low_hz` is the centre of the first dot column, `high_hz` of the last; `top` and `bottom` are
    the values at the dot rows `top_dot` and `bottom_dot`.
    """

    columns: int
    rows: int
    low_hz: float
    high_hz: float
    top: float
    bottom: float
    top_dot: float
    bottom_dot: float

    @property
    def dots_per_unit(self) -> float:
        """Dot rows for one unit of value."""
        return (self.bottom_dot - self.top_dot) / (self.top - self.bottom)

    def row_of(self, value: float) -> float:
        """The dot row of a value, not rounded, 0 at the top."""
        return self.top_dot + (self.top - value) * self.dots_per_unit


@lru_cache(maxsize=32)
def dash_pattern(name: str) -> NDArray[np.bool_]:
    """(48,) whether a pattern of `palette.DASHES` draws at each dot along a line."""
    lengths = DASHES[name]
    if not lengths:
        return np.ones(_PERIOD_DOTS, dtype=bool)
    once = np.repeat(np.arange(len(lengths)) % 2 == 0, lengths)
    return np.resize(once, _PERIOD_DOTS)


def raster(
    grid: Grid,
    frequency_hz: Sequence[NDArray[np.float64]],
    values: Sequence[NDArray[np.float64]],
    dashes: Sequence[str],
    periods: Sequence[float | None],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """The dots of every curve as (curve, row, column), in the order of the curves.

    `frequency_hz[i]` and `values[i]` are (n_i,), frequencies ascending and > 0; a period of 360
    makes a curve wrapped degrees. Curves that share one frequency array are rastered together.
    """
    count = len(values)
    if count == 0:
        nothing = np.zeros(0, dtype=np.intp)
        return nothing, nothing, nothing
    low = np.full((count, grid.columns), np.nan)
    high = np.full((count, grid.columns), np.nan)
    start = np.full((count, grid.columns), np.nan)
    together: dict[int, list[int]] = {}
    for index, axis in enumerate(frequency_hz):
        together.setdefault(id(axis), []).append(index)
    for members in together.values():
        stacked = np.array([values[index] for index in members], dtype=np.float64)
        spans = _spans(grid, frequency_hz[members[0]], stacked, [periods[i] for i in members])
        low[members], high[members], start[members] = spans
    return _dots(grid, low, high, start, np.array([dash_pattern(name) for name in dashes]))


_Spans = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def _spans(
    grid: Grid,
    frequency_hz: NDArray[np.float64],
    values: NDArray[np.float64],
    periods: Sequence[float | None],
) -> _Spans:
    """First and last dot row (n_curves, columns) of each column, and where the line enters it."""
    sampling = _sampling(frequency_hz, grid.columns, grid.low_hz, grid.high_hz)
    rows = grid.top_dot + (grid.top - values) * grid.dots_per_unit
    np.clip(rows, -_FAR_DOTS, _FAR_DOTS, out=rows)
    period = np.array([p * grid.dots_per_unit if p else 0.0 for p in periods])[:, None]
    wrapping = period > 0.0
    any_wrap = bool(wrapping.any())
    smooth = _unwrapped(rows, period) if any_wrap else rows
    edge = sampling.at_edges(smooth)
    turn = np.zeros_like(edge)
    if any_wrap:
        half = np.array([0.5 * p if p else 0.0 for p in periods])[:, None]
        top = grid.top_dot + (grid.top - half) * grid.dots_per_unit
        turn = np.where(wrapping, np.floor((edge - top) / np.where(wrapping, period, 1.0)), 0.0)
        edge = edge - turn * period
    dot = np.floor(edge + 0.5)
    first, last = dot[:, :-1], dot[:, 1:].copy()
    broken = turn[:, 1:] != turn[:, :-1]
    last[broken] = first[broken]
    # Each column owns its first dot and leaves the last to its neighbour: no doubled corners.
    last = last - np.sign(last - first)
    first = np.where(np.isnan(dot[:, :-1]), dot[:, 1:], first)
    last = np.where(np.isnan(last), first, last)
    low, high = np.fmin(first, last), np.fmax(first, last)
    _include_samples(low, high, dot, sampling, rows, wrapping[:, 0])
    return low, high, np.where(np.isnan(first), low, first)


def _unwrapped(rows: NDArray[np.float64], period: NDArray[np.float64]) -> NDArray[np.float64]:
    """`rows` with jumps of more than half a period taken out, NaN left where it is."""
    wrapping = period > 0.0
    jumps = np.rint(np.diff(rows, axis=1) / np.where(wrapping, period, 1.0))
    jumps = np.where(wrapping & np.isfinite(jumps), jumps, 0.0)
    smooth = rows.copy()
    smooth[:, 1:] -= np.cumsum(jumps, axis=1) * period
    return smooth


@dataclass(frozen=True, eq=False)
class _Sampling:
    """Where the points of one frequency axis lie among the dot columns."""

    key: tuple[int, float, float]
    frequency_hz: NDArray[np.float64]
    left: NDArray[np.intp] | None
    """(columns + 1,) the point before each border between columns; None of a single point."""
    weight: NDArray[np.float64]
    """(columns + 1,) how far each border is on the way to the next point."""
    outside: NDArray[np.bool_]
    inside: slice
    """The points that have a column, ..."""
    column: NDArray[np.intp]
    """... which columns have points, ..."""
    first: NDArray[np.intp]
    """... and the first of each, counted within `inside`."""

    def at_edges(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Linear interpolation at the borders of the columns, NaN outside and beside gaps."""
        if self.left is None:
            return np.full((rows.shape[0], self.weight.size), np.nan)
        found = rows[:, self.left] * (1.0 - self.weight) + rows[:, self.left + 1] * self.weight
        found[:, self.outside] = np.nan
        return found


_kept: list[_Sampling] = []
"""The last few, the newest first: curves come again and again on the same axis."""


def _sampling(
    frequency_hz: NDArray[np.float64], columns: int, low_hz: float, high_hz: float
) -> _Sampling:
    key = (columns, low_hz, high_hz)
    for known in _kept[:]:
        if known.key == key and np.array_equal(known.frequency_hz, frequency_hz):
            return known
    position = np.log(frequency_hz / low_hz) * ((columns - 1) / np.log(high_hz / low_hz))
    edges = np.arange(columns + 1) - 0.5
    left, weight = None, np.zeros_like(edges)
    if position.size > 1:
        left = np.clip(np.searchsorted(position, edges, side="right") - 1, 0, position.size - 2)
        weight = (edges - position[left]) / (position[left + 1] - position[left])
    nearest = np.floor(position + 0.5)
    start, stop = np.searchsorted(nearest, [0.0, float(columns)])
    nearest = nearest[start:stop].astype(np.intp)
    first = np.flatnonzero(np.diff(nearest, prepend=-1))
    made = _Sampling(
        key, frequency_hz.copy(), left, weight, (weight < 0.0) | (weight > 1.0),
        slice(int(start), int(stop)), nearest[first], first,
    )  # fmt: skip
    _kept[:] = [made, *_kept[:3]]
    return made


def _include_samples(
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    dot: NDArray[np.float64],
    sampling: _Sampling,
    rows: NDArray[np.float64],
    wrapping: NDArray[np.bool_],
) -> None:
    """Widen spans, in place, to peaks and notches that lie between the borders of a column."""
    where, starts = sampling.column, sampling.first
    if not where.size:
        return
    samples = np.floor(rows[:, sampling.inside] + 0.5)
    least = np.fmin.reduceat(samples, starts, axis=1)
    most = np.fmax.reduceat(samples, starts, axis=1)
    edge_low = np.fmin(dot[:, where], dot[:, where + 1])
    edge_high = np.fmax(dot[:, where], dot[:, where + 1])
    # Comparisons with NaN are false: a sample alone in a gap is taken by the isnan terms.
    bare = np.isnan(edge_low)
    steady = ~wrapping[:, None]
    up = (steady & (least < edge_low)) | bare
    down = (steady & (most > edge_high)) | bare
    low[:, where] = np.where(up, least, low[:, where])
    high[:, where] = np.where(down, most, high[:, where])


def _dots(
    grid: Grid,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    start: NDArray[np.float64],
    table: NDArray[np.bool_],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Spans to single dots, what lies outside left out, dash gaps left out."""
    with np.errstate(invalid="ignore"):
        length = np.where(np.isnan(low), 1.0, np.maximum(high - low + 1.0, 1.0))
    along = np.cumsum(length, axis=1) - length
    shown = (high >= 0.0) & (low <= grid.rows - 1)
    curve, column = np.nonzero(shown)
    first = np.clip(low[shown], 0, grid.rows - 1).astype(np.intp)
    last = np.clip(high[shown], 0, grid.rows - 1).astype(np.intp)
    counts = last - first + 1
    offset = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)
    row = np.repeat(first, counts) + offset
    distance = np.abs(row - np.repeat(start[shown], counts)) + np.repeat(along[shown], counts)
    curve, column = np.repeat(curve, counts), np.repeat(column, counts)
    drawn = table[curve, distance.astype(np.intp) % _PERIOD_DOTS]
    return curve[drawn], row[drawn], column[drawn]
