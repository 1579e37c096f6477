"""What each curve leaves in the cells of a plot, kept while neither it nor the grid changes.

An edit changes one or two of the curves that are shown. Only arrays that nobody can write to are
remembered, by their identity; numpy only, no characters.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from xover.sheets.drawing import Curve
from xover.sheets.raster import Grid, raster

_DOT_WEIGHTS = np.array((0x01, 0x08, 0x02, 0x10, 0x04, 0x20, 0x40, 0x80), dtype=np.float64)
"""Braille patterns, Unicode 15 chapter 21.1: the bit of each dot, row after row of two."""
KEPT = 128


class Ink(NamedTuple):
    """One curve in the cells of a plot."""

    bits: NDArray[np.uint8]
    """(rows, columns) the dots of each cell as a braille pattern."""
    seen: NDArray[np.bool_]
    """(rows, columns) whether there are any."""
    end: int
    """The row where it ends on the right; −1 where nothing is seen of it."""


_T = TypeVar("_T")
_Key = tuple[object, ...]
_inks: OrderedDict[_Key, tuple[Curve, Ink]] = OrderedDict()
_extents: OrderedDict[_Key, tuple[Curve, tuple[float, float]]] = OrderedDict()


class Wanted(NamedTuple):
    """Curves on a grid of dots, four by two to a cell."""

    grid: Grid
    curves: Sequence[Curve]


def inks(wishes: Sequence[Wanted]) -> list[list[Ink]]:
    """What each curve of each wish leaves; wishes of one width and one span are drawn in one go."""
    each = [(wish, curve) for wish in wishes for curve in wish.curves]
    keys = [(*_identity(curve), curve.dash, curve.wraps, wish.grid) for wish, curve in each]
    known = [_found(_inks, key) for key in keys]
    together: dict[_Key, list[int]] = {}
    for at, ink in enumerate(known):
        if ink is None:
            grid = each[at][0].grid
            alike = (grid.columns, grid.low_hz, grid.high_hz)
            together.setdefault(alike, []).append(at)
    for missing in together.values():
        fresh = _drawn([each[at] for at in missing])
        for at, ink in zip(missing, fresh, strict=True):
            known[at] = ink
            _keep(_inks, keys[at], each[at][1], ink)
    found = iter([ink for ink in known if ink is not None])
    return [[next(found) for _ in wish.curves] for wish in wishes]


def extent(curve: Curve, low_hz: float, high_hz: float) -> tuple[float, float]:
    """The least and the greatest finite value in a span; (inf, −inf) where there is none."""
    key = (*_identity(curve), low_hz, high_hz)
    known = _found(_extents, key)
    if known is None:
        first, stop = np.searchsorted(curve.frequency_hz, [low_hz, np.nextafter(high_hz, np.inf)])
        values = curve.values[first:stop]
        finite = np.isfinite(values)
        if not finite.all():
            values = values[finite]
        known = (float(values.min()), float(values.max())) if values.size else (np.inf, -np.inf)
        _keep(_extents, key, curve, known)
    return known


def _identity(curve: Curve) -> _Key:
    return id(curve.values), id(curve.frequency_hz)


def _found(among: OrderedDict[_Key, tuple[Curve, _T]], key: _Key) -> _T | None:
    known = among.get(key)
    if known is None:
        return None
    among.move_to_end(key)
    return known[1]


def _keep(among: OrderedDict[_Key, tuple[Curve, _T]], key: _Key, curve: Curve, what: _T) -> None:
    """Remember with the curve, so that no other array can get its identity."""
    if curve.values.flags.writeable or curve.frequency_hz.flags.writeable:
        return
    among[key] = curve, what
    if len(among) > KEPT:
        among.popitem(last=False)


def _drawn(each: Sequence[tuple[Wanted, Curve]]) -> list[Ink]:
    """Curves on grids of one width and one span; their heights may differ."""
    curves = [curve for _, curve in each]
    which, row, column = raster(
        [wish.grid for wish, _ in each],
        [curve.frequency_hz for curve in curves],
        [curve.values for curve in curves],
        [curve.dash for curve in curves],
        [360.0 if curve.wraps else None for curve in curves],
    )
    cell_row = row >> 2
    columns = each[0][0].grid.columns >> 1
    heights = [wish.grid.rows >> 2 for wish, _ in each]
    begins = np.cumsum([0, *heights])
    cell = (begins[which] + cell_row) * columns + (column >> 1)
    size = int(begins[-1]) * columns
    # Every dot comes once, so that adding their bits is the same as joining them.
    weights = _DOT_WEIGHTS.take(((row & 3) << 1) | (column & 1))
    bits = np.bincount(cell, weights=weights, minlength=size).astype(np.uint8)
    bits = bits.reshape(-1, columns)
    seen = bits != 0
    found: list[Ink] = []
    bounds = np.searchsorted(which, np.arange(len(each) + 1)).tolist()
    rows = begins.tolist()
    for at, (first, stop) in enumerate(pairwise(bounds)):
        end = -1
        if first < stop:
            across = column[first:stop]
            end = int(cell_row[first:stop][across == across.max()].max())
        part = slice(rows[at], rows[at + 1])
        found.append(Ink(bits[part], seen[part], end))
    return found
