"""The end of a smooth response as the flanks of one or two Butterworth or Linkwitz-Riley filters.

What a response does beyond its data decides its minimum phase inside them. Where the end is that
of filters, their orders and corners can be found from it; data that are not so smooth are left.
"""

from __future__ import annotations

import math

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Array = NDArray[np.float64]

FLANK_DB = 0.002
"""Rms deviation in dB up to which an end is taken for such flanks."""
NOISE_DB, NOISE_RATIO = 0.1, 1.5
"""A misfit without a shape may be larger: figures rounded to 0.01 dB, some noise."""
PAIRS_DB = 0.02
"""In noisier figures two flanks are not told from one."""
CERTAIN_DB = 1e-6
"""Below this there is no better one to look for."""
WHOLE_ORDER = 0.05
"""The slope far out must be found this near a whole number of orders."""
SHAPES: tuple[tuple[int, int], ...] = (
    *((order, 1) for order in range(1, 9)),
    *((order, 2) for order in range(1, 7)),
)
"""(order, power): Butterworth of orders 1 to 8, and squared, Linkwitz-Riley of 2 to 12."""
LIMITS = (np.log(0.5), np.log(100.0))
"""Logarithms that corners stay between: one beyond the end by more than an octave is not seen."""
CORNERS = 0.5 * 16.0 ** (np.arange(25) / 24.0)
"""Corners that a search begins at, from half to eight times the end's frequency."""
HOPELESS_DB = 0.3
"""Starts that have come no nearer than this after a few steps are left."""
NEAR_DB = 1.0
"""Data no nearer than this to any start are not those of filters."""
APART = 0.4
"""Starts of one kind whose corners, as logarithms, are nearer than this lead to the same end."""
SIMPLER = 0.3
TRIED = 40
POINTS = 160
NEPER_DB = 20.0 / math.log(10.0)


class Flank(Struct, frozen=True):
    """One filter: −power/2 · ln(1 + (x/corner)^(2·order)) nepers beyond its slope."""

    order: int
    power: int
    corner: float


class Flanks(Struct, frozen=True):
    """x^slope times the flanks: the end of a response, x the distance from its end, 1 there."""

    slope: int
    flanks: tuple[Flank, ...]
    far: tuple[float, float]
    """Factors of x² and x⁴, from filters whose corners are far from here."""
    deviation_db: float

    def level(self, x: Array) -> Array:
        """Nepers (n,) without x^slope and up to a constant."""
        bends = np.sum([_bend(flank, x) for flank in self.flanks], axis=0)
        return np.asarray(self.far[0] * x**2.0 + self.far[1] * x**4.0 - bends)


def fit_flanks(x: Array, level: Array) -> Flanks | None:
    """The flanks that `level` (n,), in nepers, follows over `x` (n,), which ascends from 1.

    The end of the data is at 1, and x grows inwards: frequency at a low end, 1/f at a high one.
    None where no such flanks come within 0.002 dB rms.
    """
    if x.size < 16 or x[-1] < 1.5:
        return None
    if x.size > POINTS:
        keep = np.linspace(0, x.size - 1, POINTS).astype(np.intp)
        x, level = x[keep], level[keep]
    u = np.log(x)
    noise_db = _noise_db(u, level)
    if noise_db > NOISE_DB:
        return None
    best: Flanks | None = None
    for pairs in (False, True) if noise_db < PAIRS_DB else (False,):
        for free in (False, True):
            for flanks in _starts(x, u, level, pairs=pairs, free=free):
                fit = _refined(flanks, None if free else _slope(flanks), u, level)
                # The simpler stands unless another is far better.
                if fit and (best is None or fit.deviation_db < SIMPLER * best.deviation_db):
                    best = fit
                    if best.deviation_db < CERTAIN_DB:
                        return best
            if best is not None and best.deviation_db < 2.0 * noise_db:
                return best
    return best


def _noise_db(u: Array, level: Array) -> float:
    """How far points lie from the cubic through their four neighbours, as a deviation in dB."""
    columns = np.lib.stride_tricks.sliding_window_view(u, 5)
    values = np.lib.stride_tricks.sliding_window_view(level, 5)
    others = (0, 1, 3, 4)
    expected = np.zeros(columns.shape[0])
    for j in others:
        weight = np.ones(columns.shape[0])
        for k in others:
            if k != j:
                weight *= (columns[:, 2] - columns[:, k]) / (columns[:, j] - columns[:, k])
        expected += weight * values[:, j]
    # The median of a normal deviation is 0.674 of it; even steps weigh the neighbours by 0.97.
    return NEPER_DB * float(np.median(np.abs(values[:, 2] - expected))) / (0.674 * 1.39)


def _slope(flanks: tuple[Flank, ...]) -> int:
    return sum(flank.order * flank.power for flank in flanks)


def _starts(
    x: Array, u: Array, level: Array, *, pairs: bool, free: bool
) -> list[tuple[Flank, ...]]:
    """Promising single flanks, or pairs; none where the data are not near any.

    The slope is what the flanks together make, or `free` for others whose corners are far away.
    """
    shapes = [Flank(order, power, c) for order, power in SHAPES for c in CORNERS.tolist()]
    columns = [np.ones_like(u), *_far(x)]
    bends = np.array([_bend(flank, x) for flank in shapes])
    if free:
        columns.append(u)
    else:
        bends -= np.outer([flank.order * flank.power for flank in shapes], u)
    plain = np.linalg.qr(np.column_stack(columns))[0]
    bends -= (bends @ plain) @ plain.T
    rest = level - plain @ (plain.T @ level)
    along, gram = bends @ rest, bends @ bends.T
    one = 2.0 * along + np.diag(gram)
    single = rest @ rest + one
    misfit = single[:, None] + one[None, :] + 2.0 * gram if pairs else single
    if np.sqrt(max(misfit.min(), 0.0) / x.size) * NEPER_DB > NEAR_DB:
        return []
    return _best_kinds(shapes, misfit)


def _best_kinds(shapes: list[Flank], misfit: Array) -> list[tuple[Flank, ...]]:
    """The best starts, at most three of a kind, and those with corners apart."""
    order = np.argsort(misfit, axis=None)
    seen: dict[tuple[tuple[int, int], ...], list[Array]] = {}
    found: list[tuple[Flank, ...]] = []
    for place in order[:20_000].tolist():
        which = np.unravel_index(place, misfit.shape)
        flanks = tuple(sorted((shapes[int(k)] for k in which), key=_kind))
        corners = np.log([flank.corner for flank in flanks])
        known = seen.setdefault(tuple((flank.order, flank.power) for flank in flanks), [])
        if len(known) == 3 or any(np.abs(corners - one).max() < APART for one in known):
            continue
        known.append(corners)
        found.append(flanks)
        if len(found) == TRIED:
            break
    return found


def _kind(flank: Flank) -> tuple[int, int, float]:
    return flank.order, flank.power, flank.corner


def _refined(start: tuple[Flank, ...], slope: int | None, u: Array, level: Array) -> Flanks | None:
    """Gauss-Newton over the corners, with halved steps; what is linear is projected out.

    A free slope (None) is made whole once it has settled, and all is settled again.
    """
    x = np.exp(u)
    fitted = _Fit(start, slope, u, x, level)
    corners = fitted.settle(np.log([flank.corner for flank in start]))
    if slope is None:
        free = fitted.linear(corners)[-1]
        slope = round(float(free))
        if abs(slope - free) > WHOLE_ORDER:
            return None
        fitted = _Fit(start, slope, u, x, level)
        corners = fitted.settle(corners)
    deviation_db = fitted.deviation_db(corners)
    if deviation_db > FLANK_DB and not fitted.leaves_noise(corners):
        return None
    terms = fitted.linear(corners)[1:3] / float(x[-1]) ** np.array([2.0, 4.0])
    far = float(terms[0]), float(terms[1])
    return Flanks(slope, tuple(fitted.flanks(corners)), far, deviation_db)


class _Fit:
    """The misfit of some kinds of flanks as a function of the logarithms of their corners."""

    def __init__(
        self, kinds: tuple[Flank, ...], slope: int | None, u: Array, x: Array, level: Array
    ) -> None:
        self._kinds, self._x = kinds, x
        columns = [np.ones_like(u), *_far(x)] + ([u] if slope is None else [])
        self._columns = np.column_stack(columns)
        self._plain = np.linalg.qr(self._columns)[0]
        self._level = level if slope is None else level - slope * u

    def flanks(self, corners: Array) -> list[Flank]:
        """The flanks with these corners."""
        return [
            Flank(flank.order, flank.power, float(corner))
            for flank, corner in zip(self._kinds, np.exp(corners), strict=True)
        ]

    def linear(self, corners: Array) -> Array:
        """The constant, the far terms and, where it is free, the slope."""
        found = np.linalg.lstsq(self._columns, self._straightened(corners), rcond=None)[0]
        return np.asarray(found)

    def deviation_db(self, corners: Array) -> float:
        """The rms misfit in dB."""
        return _rms_db(self._left(self._straightened(corners)))

    def leaves_noise(self, corners: Array) -> bool:
        """Whether the misfit is small and without a shape, as rounded or noisy figures leave it.

        J. von Neumann's ratio of successive differences is 2 for noise and near 0 for a shape.
        """
        left = self._left(self._straightened(corners))
        ratio = np.sum(np.square(np.diff(left))) / np.sum(np.square(left))
        return bool(_rms_db(left) < NOISE_DB and ratio > NOISE_RATIO)

    def settle(self, corners: Array) -> Array:
        """The corners that fit best, near the given ones."""
        deviation = self.deviation_db(corners)
        for turn in range(40):
            bends = np.array([_bend_by_corner(f, self._x) for f in self.flanks(corners)])
            jacobian = self._left(bends.T)
            left = self._left(self._straightened(corners))
            step = np.clip(np.linalg.lstsq(jacobian, left, rcond=None)[0], -0.5, 0.5)
            for _ in range(8):
                trial = np.clip(corners + step, *LIMITS)
                reached = self.deviation_db(trial)
                if reached < deviation:
                    break
                step = 0.25 * step
            else:
                return corners
            gained, corners, deviation = 1.0 - reached / deviation, trial, reached
            if deviation < 0.01 * CERTAIN_DB or (turn > 3 and deviation > HOPELESS_DB):
                return corners
            if gained < 1e-4 and np.abs(step).max() < 1e-6:
                return corners
        return corners

    def _straightened(self, corners: Array) -> Array:
        bends = [_bend(flank, self._x) for flank in self.flanks(corners)]
        return np.asarray(self._level + np.sum(bends, axis=0))

    def _left(self, values: Array) -> Array:
        return np.asarray(values - self._plain @ (self._plain.T @ values))


def _far(x: Array) -> tuple[Array, Array]:
    """What filters with corners far from this end do here: a series in x²."""
    return np.square(x / x[-1]), (x / x[-1]) ** 4.0


def _bend(flank: Flank, x: Array) -> Array:
    return np.asarray(0.5 * flank.power * np.log1p((x / flank.corner) ** (2.0 * flank.order)))


def _bend_by_corner(flank: Flank, x: Array) -> Array:
    """The derivative of −bend by ln corner, (n,)."""
    steep = (x / flank.corner) ** (2.0 * flank.order)
    return np.asarray(flank.power * flank.order * steep / (1.0 + steep))


def _rms_db(nepers: Array) -> float:
    return NEPER_DB * float(np.sqrt(np.mean(np.square(nepers))))
