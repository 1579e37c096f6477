"""Minimum phase from magnitude: a folded cepstrum with the outer slopes taken out beforehand.

The cepstrum wants a logarithm that stays finite from 0 Hz to infinity, and a response that falls
at the ends does not give one. What lies beyond the data is extrapolated, and how is stated below.
"""

from __future__ import annotations

import math

import numpy as np

from xover.dsp.axis import FloatArray, tangent

GRID_INTERVALS = 1 << 15
"""Intervals of the half circle that 0 Hz to infinity is mapped to."""
END_OCTAVES = 1.0
"""How much of each end of the data its extrapolation is fitted to, if the data are smooth."""
ROUGH_END_OCTAVES = 0.5
"""The same for data that are not: their slope only."""
CROSSOVER_DB = 0.002
"""Rms deviation up to which an end is taken for the flank of one Butterworth or L-R filter."""
MOST_ORDER = 16
"""The highest order looked for in such a flank."""
HIDDEN_CORNER = 2.0
"""Such a flank's corner may lie this far beyond the data and still be believed."""
SERIES_TERMS = 4
"""Terms of the series at a smooth end that is no such flank."""
SERIES_DB = 0.001
"""Rms deviation from the series up to which an end counts as smooth."""
WHOLE_ORDER = 0.05
"""The series must find its power of frequency this near a whole number."""
NEPER_DB = 20.0 / math.log(10.0)


def minimum_phase(
    frequency_hz: FloatArray, magnitude_db: FloatArray, *, sample_rate_hz: float | None = None
) -> FloatArray:
    """The phase in degrees, shape (n,), not wrapped, that goes with a magnitude, shape (n,).

    `frequency_hz` ascends strictly, > 0. Beyond the data each end goes on as what its outermost
    octave fits: the flank of one Butterworth or Linkwitz-Riley filter of any order; else a whole
    power of frequency times the exponential of a short series in f² (below) or 1/f² (above); else,
    where the data are rough, the straight slope of the outermost half octave. Phase near an end
    is no better than that guess. With `sample_rate_hz` the response is that of a digital filter:
    frequencies are warped by tan(πf/fs) beforehand.

    Source: A. V. Oppenheim and R. W. Schafer, *Discrete-Time Signal Processing*, the chapter on
    the cepstrum and Hilbert transform relations; the bilinear map of the axis makes the same
    relation serve the whole analogue axis.
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    if sample_rate_hz is not None:
        f = tangent(f, sample_rate_hz)
    level = np.asarray(magnitude_db, dtype=np.float64) / NEPER_DB
    if f.size < 2:
        return np.zeros(f.size)
    # f = tan(θ/2) with the middle of the data at 1: both ends get the same resolution.
    f = f / np.sqrt(f[0] * f[-1])
    theta = np.linspace(0.0, np.pi, GRID_INTERVALS + 1)
    grid = np.tan(0.5 * theta[:-1])
    low, high = _End(f, level), _End(1.0 / f[::-1], level[::-1])
    # Divided out: (s/(s + 1))^order at the low end, (1/(s + 1))^order at the high end.
    orders = low.order + high.order
    rest = np.empty(theta.size)
    below, above = grid < f[0], grid > f[-1]
    inside = ~(below | above)
    log_inside = np.log(grid[inside])
    level_inside = _hermite(np.log(f), level, log_inside)
    rest[:-1][inside] = (
        level_inside - low.order * log_inside + 0.5 * orders * np.log1p(np.square(grid[inside]))
    )
    rest[:-1][below] = low.series(grid[below]) + 0.5 * orders * np.log1p(np.square(grid[below]))
    inverse = 1.0 / grid[above]
    rest[:-1][above] = high.series(inverse) + 0.5 * orders * np.log1p(np.square(inverse))
    rest[-1] = high.series(np.zeros(1))[0]
    angle = np.arctan(f)
    phase = np.interp(2.0 * angle, theta, _folded_phase(rest))
    phase += low.order * (0.5 * np.pi - angle) - high.order * angle
    return np.asarray(np.degrees(phase))


class _End:
    """How a response goes on beyond one end: g^order · exp(series), g the distance to that end.

    `g` ascends away from the end, shape (n,): frequency at the low end, 1/f at the high one.
    """

    def __init__(self, g: FloatArray, level: FloatArray) -> None:
        self._edge = float(g[0])
        x = g / self._edge
        self.order, self._terms, self._power, self._corner = 0.0, np.zeros(1), 1, 0.0
        near = x <= 2.0**END_OCTAVES
        if not (
            np.count_nonzero(near) >= 2 * SERIES_TERMS + 2
            and (
                self._fit_crossover(x[near], level[near]) or self._fit_series(x[near], level[near])
            )
        ):
            near = x <= 2.0**ROUGH_END_OCTAVES
            near[:2] = True
            self.order = float(np.polyfit(np.log(x[near]), level[near], 1)[0])
        # In terms of g itself, and continuous at the edge.
        self._terms[0] += level[0] - self.series(g[:1])[0] - self.order * math.log(self._edge)

    def series(self, g: FloatArray) -> FloatArray:
        """The logarithm of the response less order·ln g, at g up to the edge, shape (n,)."""
        x = np.square(g / self._edge)
        polynomial = np.polynomial.polynomial.polyval(x, self._terms)
        if self._corner == 0.0:
            return np.asarray(polynomial)
        order = self.order / self._power
        return np.asarray(polynomial - 0.5 * self._power * np.log1p(self._corner * x**order))

    def _fit_crossover(self, x: FloatArray, level: FloatArray) -> bool:
        """One Butterworth or Linkwitz-Riley flank: (x^2N/|H|²)^(1/p) = c0 + c1·x^(2N/p)."""
        best = CROSSOVER_DB / NEPER_DB
        for order in range(1, MOST_ORDER + 1):
            for power in (1, 2):
                target = np.exp((order * np.log(x) - level + level[0]) * 2.0 / power)
                columns = np.column_stack([np.ones_like(x), x ** (2.0 * order / power)])
                (c0, c1), *_ = np.linalg.lstsq(
                    columns / target[:, None], np.ones_like(x), rcond=None
                )
                if c0 <= 0.0 or c1 < 0.0 or c1 > c0 * HIDDEN_CORNER ** (2.0 * order / power):
                    continue
                error = 0.5 * power * np.log(columns @ (c0, c1) / target)
                deviation = float(np.sqrt(np.mean(np.square(error))))
                if deviation < best:
                    best = deviation
                    self.order, self._power, self._corner = float(order), power, float(c1 / c0)
        return best < CROSSOVER_DB / NEPER_DB

    def _fit_series(self, x: FloatArray, level: FloatArray) -> bool:
        """A whole power of frequency times the exponential of a short series in its square."""
        series = np.vander(np.square(x), SERIES_TERMS, increasing=True)
        free = np.linalg.lstsq(np.column_stack([np.log(x), series]), level, rcond=None)[0]
        order = round(float(free[0]))
        target = level - order * np.log(x)
        terms = np.linalg.lstsq(series, target, rcond=None)[0]
        error = float(np.sqrt(np.mean(np.square(series @ terms - target))))
        if abs(order - free[0]) > WHOLE_ORDER or error * NEPER_DB > SERIES_DB:
            return False
        self.order, self._terms = float(order), terms
        return True


def _folded_phase(log_magnitude: FloatArray) -> FloatArray:
    """Phase of the minimum-phase sequence with this log magnitude over 0 … π, shape (n,)."""
    cepstrum = np.fft.irfft(log_magnitude)
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    return np.asarray(np.fft.rfft(cepstrum).imag)


def _hermite(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Piecewise cubic through the points with the slopes of local parabolas, shape of `at`."""
    if x.size < 3:
        return np.asarray(np.interp(at, x, y))
    step = np.diff(x)
    chord = np.diff(y) / step
    slope = np.empty_like(y)
    slope[1:-1] = (step[1:] * chord[:-1] + step[:-1] * chord[1:]) / (step[1:] + step[:-1])
    slope[0], slope[-1] = 2.0 * chord[0] - slope[1], 2.0 * chord[-1] - slope[-2]
    cell = np.clip(np.searchsorted(x, at, side="right") - 1, 0, step.size - 1)
    h, t = step[cell], (at - x[cell]) / step[cell]
    left, right = y[cell], y[cell + 1]
    a = h * slope[cell] - (right - left)
    b = -h * slope[cell + 1] + (right - left)
    return np.asarray((1.0 - t) * left + t * right + t * (1.0 - t) * (a * (1.0 - t) + b * t))
