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

_DOT_WEIGHTS = np.array(((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80)))
"""Braille patterns, Unicode 15 chapter 21.1: the bit of each dot, by row and column."""
KEPT = 128


class Ink(NamedTuple):
    """One curve in the cells of a plot."""

    bits: NDArray[np.uint8]
    """(rows, columns) the dots of each cell as a braille pattern; without braille 1 for any."""
    seen: NDArray[np.bool_]
    """(rows, columns) whether there are any."""
    end: int
    """The row where it ends on the right; −1 where nothing is seen of it."""


_T = TypeVar("_T")
_Key = tuple[object, ...]
_inks: OrderedDict[_Key, tuple[Curve, Ink]] = OrderedDict()
_extents: OrderedDict[_Key, tuple[Curve, tuple[float, float]]] = OrderedDict()


def inks(grid: Grid, curves: Sequence[Curve], *, braille: bool) -> list[Ink]:
    """What each curve leaves on a grid of dots, four by two to a cell, or one where not braille."""
    keys = [(*_identity(curve), curve.dash, curve.wraps, grid, braille) for curve in curves]
    known = [_found(_inks, key) for key in keys]
    missing = [at for at, ink in enumerate(known) if ink is None]
    if missing:
        fresh = _drawn(grid, [curves[at] for at in missing], braille)
        for at, ink in zip(missing, fresh, strict=True):
            known[at] = ink
            _keep(_inks, keys[at], curves[at], ink)
    return [ink for ink in known if ink is not None]


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


def _drawn(grid: Grid, curves: Sequence[Curve], braille: bool) -> list[Ink]:
    which, row, column = raster(
        grid,
        [curve.frequency_hz for curve in curves],
        [curve.values for curve in curves],
        [curve.dash if braille else "solid" for curve in curves],
        [360.0 if curve.wraps else None for curve in curves],
    )
    tall, wide = (4, 2) if braille else (1, 1)
    rows, columns = grid.rows // tall, grid.columns // wide
    cell_row = row // tall
    cell = (which * rows + cell_row) * columns + column // wide
    size = len(curves) * rows * columns
    if braille:
        # Every dot comes once, so that adding their bits is the same as joining them.
        sums = np.bincount(cell, weights=_DOT_WEIGHTS[row % tall, column % wide], minlength=size)
        bits = sums.astype(np.uint8)
    else:
        bits = np.zeros(size, dtype=np.uint8)
        bits[cell] = 1
    bits = bits.reshape(len(curves), rows, columns)
    seen = bits != 0
    ends: list[int] = []
    for first, stop in pairwise(np.searchsorted(which, np.arange(len(curves) + 1)).tolist()):
        if first == stop:
            ends.append(-1)
            continue
        across = column[first:stop]
        ends.append(int(cell_row[first:stop][across == across.max()].max()))
    return [Ink(*each) for each in zip(bits, seen, ends, strict=True)]
