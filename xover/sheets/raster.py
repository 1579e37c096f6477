"""Curves over log frequency to dots, all curves in one vectorised pass; numpy only.

Values become spans of dots, one a dot column, that join without gaps; NaN leaves a gap, a phase
wrap is not joined, and a peak or notch between two columns still shows. It knows no characters.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.sheets.palette import DASHES

_FAR_DOTS = 1e6
_PERIOD_DOTS = 48
"""A multiple of the length of every dash pattern."""


class Grid(Struct, frozen=True):
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
    grid: Grid | Sequence[Grid],
    frequency_hz: Sequence[NDArray[np.float64]],
    values: Sequence[NDArray[np.float64]],
    dashes: Sequence[str],
    periods: Sequence[float | None],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """The dots of every curve as (curve, row, column), in the order of the curves.

    `frequency_hz[i]` and `values[i]` are (n_i,), frequencies ascending and > 0; a period of 360
    makes a curve wrapped degrees. `grid` is one for all, or one for each: those of one width and
    span go together. Curves that share one frequency array are rastered together.
    """
    count = len(values)
    if count == 0:
        nothing = np.zeros(0, dtype=np.intp)
        return nothing, nothing, nothing
    grids = [grid] * count if isinstance(grid, Grid) else list(grid)
    columns = grids[0].columns
    together: dict[tuple[int, float, float], list[int]] = {}
    for index, axis in enumerate(frequency_hz):
        if grids[index].columns != columns:
            raise ValueError("grids of different width are not rastered together")
        key = (id(axis), grids[index].low_hz, grids[index].high_hz)
        together.setdefault(key, []).append(index)
    found: list[_Spans] = []
    for members in together.values():
        stacked = np.array([values[index] for index in members], dtype=np.float64)
        found.append(
            _spans(
                [grids[index] for index in members],
                frequency_hz[members[0]],
                stacked,
                [periods[index] for index in members],
            )
        )
    spans = found[0]
    if len(found) > 1:
        order = np.argsort([index for members in together.values() for index in members])
        spans = _Spans(*(np.concatenate(parts)[order] for parts in zip(*found, strict=True)))
    table = np.array([dash_pattern(name) for name in dashes])
    return _dots(np.array([[each.rows] for each in grids]), spans, table)


class _Spans(NamedTuple):
    """First and last dot row (n_curves, columns) of each column, and where the line enters it.

    NaN where there is none.
    """

    low: NDArray[np.float64]
    high: NDArray[np.float64]
    start: NDArray[np.float64]


def _spans(
    grids: Sequence[Grid],
    frequency_hz: NDArray[np.float64],
    values: NDArray[np.float64],
    periods: Sequence[float | None],
) -> _Spans:
    """The spans of curves on one frequency axis, each on a grid of its own."""
    sampling = _sampling(frequency_hz, grids[0].columns, grids[0].low_hz, grids[0].high_hz)
    scale = np.array([[each.dots_per_unit] for each in grids])
    rows = np.array([[each.top] for each in grids]) - values
    rows *= scale
    rows += np.array([[each.top_dot] for each in grids])
    np.minimum(np.maximum(rows, -_FAR_DOTS, out=rows), _FAR_DOTS, out=rows)
    wrapped = [at for at, period in enumerate(periods) if period]
    smooth = rows
    if wrapped:
        period = np.array([[periods[at] or 0.0] for at in wrapped]) * scale[wrapped]
        smooth = rows.copy()
        smooth[wrapped] = _unwrapped(rows[wrapped], period)
    edge = sampling.at_edges(smooth)
    broken = None
    if wrapped:
        half = [[grids[at].row_of(0.5 * (periods[at] or 0.0))] for at in wrapped]
        turn = np.floor((edge[wrapped] - np.array(half)) / period)
        edge[wrapped] -= turn * period
        broken = turn[:, 1:] != turn[:, :-1]
    edge += 0.5
    dot = np.floor(edge, out=edge)
    first, last = dot[:, :-1], dot[:, 1:].copy()
    if broken is not None:
        last[wrapped] = np.where(broken, first[wrapped], last[wrapped])
    # Each column owns its first dot and leaves the last to its neighbour: no doubled corners.
    last -= np.sign(last - first)
    whole = not sampling.leaves and bool(np.isfinite(rows).all())
    if not whole:
        first = np.where(np.isnan(dot[:, :-1]), dot[:, 1:], first)
        last = np.where(np.isnan(last), first, last)
    low, high = np.fmin(first, last), np.fmax(first, last)
    _include_samples(low, high, dot, sampling, rows, wrapped, whole)
    return _Spans(low, high, first if whole else np.where(np.isnan(first), low, first))


def _unwrapped(rows: NDArray[np.float64], period: NDArray[np.float64]) -> NDArray[np.float64]:
    """`rows` with jumps of more than half a period taken out, NaN left where it is."""
    jumps = np.rint(np.diff(rows, axis=1) / period)
    jumps[~np.isfinite(jumps)] = 0.0
    smooth = rows.copy()
    smooth[:, 1:] -= np.cumsum(jumps, axis=1) * period
    return smooth


class _Sampling(Struct, frozen=True, eq=False):
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
    leaves: bool
    """Whether borders of columns lie outside the axis."""
    every: bool
    """Whether every column has points."""

    def at_edges(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Linear interpolation at the borders of the columns, NaN outside and beside gaps."""
        if self.left is None:
            return np.full((rows.shape[0], self.weight.size), np.nan)
        found = rows.take(self.left, axis=1)
        found *= 1.0 - self.weight
        found += rows.take(self.left + 1, axis=1) * self.weight
        if self.leaves:
            found[:, self.outside] = np.nan
        return found


_kept: list[_Sampling] = []
"""The last few, the newest first: curves come again and again on the same axis."""


def _sampling(
    frequency_hz: NDArray[np.float64], columns: int, low_hz: float, high_hz: float
) -> _Sampling:
    key = (columns, low_hz, high_hz)
    for known in _kept[:]:
        same = known.frequency_hz is frequency_hz and not frequency_hz.flags.writeable
        if known.key == key and (same or np.array_equal(known.frequency_hz, frequency_hz)):
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
    outside = (weight < 0.0) | (weight > 1.0)
    made = _Sampling(
        key, frequency_hz, left, weight, outside, slice(int(start), int(stop)), nearest[first],
        first, bool(outside.any()) or left is None, first.size == columns,
    )  # fmt: skip
    _kept[:] = [made, *_kept[:3]]
    return made


def _include_samples(
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    dot: NDArray[np.float64],
    sampling: _Sampling,
    rows: NDArray[np.float64],
    wrapped: Sequence[int],
    whole: bool,
) -> None:
    """Widen spans, in place, to peaks and notches that lie between the borders of a column."""
    where, starts = sampling.column, sampling.first
    if not where.size:
        return
    samples = rows[:, sampling.inside] + 0.5
    np.floor(samples, out=samples)
    least = np.fmin.reduceat(samples, starts, axis=1)
    most = np.fmax.reduceat(samples, starts, axis=1)
    left, right = dot[:, :-1], dot[:, 1:]
    if not sampling.every:
        left, right = left[:, where], right[:, where]
    # Comparisons with NaN are false: a sample alone in a gap is taken by the isnan terms.
    up, down = least < np.fmin(left, right), most > np.fmax(left, right)
    if wrapped:
        up[wrapped] = down[wrapped] = False
    if not whole:
        bare = np.isnan(left) & np.isnan(right)
        up |= bare
        down |= bare
    if sampling.every:
        np.copyto(low, least, where=up)
        np.copyto(high, most, where=down)
    else:
        low[:, where] = np.where(up, least, low[:, where])
        high[:, where] = np.where(down, most, high[:, where])


def _dots(
    limits: NDArray[np.intp], spans: _Spans, table: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Spans to single dots, what lies outside left out, dash gaps left out.

    `limits` (n_curves, 1) is how many rows of dots there are for each.
    """
    low, high, start = spans
    with np.errstate(invalid="ignore"):
        length = np.fmax(high - low + 1.0, 1.0)
    along = np.cumsum(length, axis=1)
    along -= length
    shown = (high >= 0.0) & (low <= limits - 1)
    at = np.flatnonzero(shown)
    curve, column = np.divmod(at, low.shape[1])
    first = np.maximum(low.ravel()[at], 0.0).astype(np.intp)
    last = np.minimum(high.ravel()[at], limits.ravel()[curve] - 1).astype(np.intp)
    counts = last - first + 1
    ends = np.cumsum(counts)
    own = np.repeat(np.arange(at.size), counts)
    row = np.arange(own.size) - (ends - counts - first)[own]
    distance = np.abs(row - start.ravel()[at][own]) + along.ravel()[at][own]
    drawn = table[curve[own], distance.astype(np.intp) % _PERIOD_DOTS]
    own = own[drawn]
    return curve[own], row[drawn], column[own]
