"""Minimum phase from magnitude: a folded cepstrum with the outer slopes taken out beforehand.

The cepstrum wants a logarithm that stays finite from 0 Hz to infinity, and a response that falls
at the ends does not give one. What lies beyond the data is extrapolated, and how is stated below.
"""

from __future__ import annotations

import math

import numpy as np

from xover.dsp.axis import FloatArray, tangent
from xover.dsp.flanks import CERTAIN_DB, Flanks, fit_flanks

GRID_INTERVALS = 1 << 15
"""Intervals of the half circle that 0 Hz to infinity is mapped to."""
FLANK_OCTAVES = 2.0
"""How much of each end of the data is compared with the flanks of filters."""
END_OCTAVES = 1.0
"""How much a series is fitted to, at smooth ends that are no such flanks."""
ROUGH_END_OCTAVES = 0.5
"""The same for data that are not smooth: their slope only."""
SERIES_TERMS = 4
"""Terms of that series."""
SERIES_DB = 0.001
"""Rms deviation from the series up to which an end counts as smooth."""
WHOLE_ORDER = 0.05
"""The series must find its power of frequency this near a whole number."""
EVEN_STEPS = 2.0
"""Steps that differ by less than this factor are much alike."""
NEPER_DB = 20.0 / math.log(10.0)


def minimum_phase(
    frequency_hz: FloatArray, magnitude_db: FloatArray, *, sample_rate_hz: float | None = None
) -> FloatArray:
    """The phase in degrees, shape (n,), not wrapped, that goes with a magnitude, shape (n,).

    `frequency_hz` ascends strictly, > 0. Beyond the data each end goes on as what it fits: the
    flanks of one or two Butterworth or Linkwitz-Riley filters, of orders that are looked for; else
    a whole power of frequency times the exponential of a short series in f² (below) or 1/f²
    (above); else, where the data are rough, the straight slope of the outermost half octave. Phase
    near an end is no better than that guess. With `sample_rate_hz` the response is that of a
    digital filter: frequencies are warped by tan(πf/fs) beforehand.

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
    f = f / (np.sqrt(f[0]) * np.sqrt(f[-1]))
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
        x = np.minimum(g, self._edge * 1e100) / self._edge
        self.order, self._terms = 0.0, np.zeros(1)
        self._flanks: Flanks | None = None
        wide, near = x <= 2.0**FLANK_OCTAVES, x <= 2.0**END_OCTAVES
        enough = np.count_nonzero(near) >= 2 * SERIES_TERMS + 2
        plain = enough and self._fit_series(x[near], level[near], CERTAIN_DB)
        flanks = None if plain else fit_flanks(x[wide], level[wide])
        if flanks is not None:
            self.order, self._flanks = float(flanks.slope), flanks
        elif not plain and not (enough and self._fit_series(x[near], level[near], SERIES_DB)):
            near = x <= 2.0**ROUGH_END_OCTAVES
            near[:2] = True
            self.order = float(np.polyfit(np.log(x[near]), level[near], 1)[0])
        # In terms of g itself, and continuous at the edge.
        self._terms[0] += level[0] - self.series(g[:1])[0] - self.order * math.log(self._edge)

    def series(self, g: FloatArray) -> FloatArray:
        """The logarithm of the response less order·ln g, at g up to the edge, shape (n,)."""
        x = np.minimum(g, self._edge * 1e100) / self._edge
        polynomial = np.polyval(self._terms[::-1], np.square(x))
        if self._flanks is None:
            return np.asarray(polynomial)
        return np.asarray(polynomial + self._flanks.level(x))

    def _fit_series(self, x: FloatArray, level: FloatArray, within_db: float) -> bool:
        """A whole power of frequency times the exponential of a short series in its square."""
        series = np.vander(np.square(x), SERIES_TERMS, increasing=True)
        free = np.linalg.lstsq(np.column_stack([np.log(x), series]), level, rcond=None)[0]
        order = round(float(free[0]))
        target = level - order * np.log(x)
        terms = np.linalg.lstsq(series, target, rcond=None)[0]
        error = float(np.sqrt(np.mean(np.square(series @ terms - target))))
        if abs(order - free[0]) > WHOLE_ORDER or error * NEPER_DB > within_db:
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
    slope = _slopes(x, y)
    step = np.diff(x)
    cell = np.clip(np.searchsorted(x, at, side="right") - 1, 0, step.size - 1)
    h, t = step[cell], (at - x[cell]) / step[cell]
    left, right = y[cell], y[cell + 1]
    a = h * slope[cell] - (right - left)
    b = -h * slope[cell + 1] + (right - left)
    return np.asarray((1.0 - t) * left + t * right + t * (1.0 - t) * (a * (1.0 - t) + b * t))


def _slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """The slopes at the points (n ≥ 3): of a quartic through five of them where their steps are
    much alike, else of a parabola through three.
    """
    step = np.diff(x)
    chord = np.diff(y) / step
    slope = np.empty_like(y)
    slope[1:-1] = (step[1:] * chord[:-1] + step[:-1] * chord[1:]) / (step[1:] + step[:-1])
    slope[0], slope[-1] = 2.0 * chord[0] - slope[1], 2.0 * chord[-1] - slope[-2]
    if x.size < 5:
        return slope
    first = np.clip(np.arange(x.size) - 2, 0, x.size - 5)
    steps = np.lib.stride_tricks.sliding_window_view(step, 4)[first]
    alike = steps.max(axis=1) < EVEN_STEPS * steps.min(axis=1)
    near = x[first[:, None] + np.arange(5)][alike]
    values = y[first[:, None] + np.arange(5)][alike]
    here = x[alike][:, None]
    # Lagrange's weights; the derivative of the interpolating polynomial at one of its points.
    apart = near[:, :, None] - near[:, None, :] + np.eye(5)
    weight = 1.0 / apart.prod(axis=2)
    away = here - near
    own = away == 0.0
    ratio = weight / weight[own][:, None] / np.where(own, 1.0, away)
    ratio[own] = 0.0
    mine = values[own]
    slope[alike] = np.sum(ratio * (values - mine[:, None]), axis=1)
    return slope
