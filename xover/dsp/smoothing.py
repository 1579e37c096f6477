"""Fractional-octave smoothing: the mean over a band that is rectangular in log frequency.

The mean of power is the one used for levels and overlaps; nothing else is smoothed in secret.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def power_smooth(frequency_hz: FloatArray, power: FloatArray, *, fraction: int) -> FloatArray:
    """Mean of `power` (n,) over ±1/(2·`fraction`) octave about each frequency (n,), shape (n,).

    Power is read as piecewise linear over log frequency and integrated exactly, partial ends
    included; at the ends of the axis the band is cut to what there is. Constants stay constant.
    The band edges f·2^(±1/(2n)) are those of IEC 61260-1. `frequency_hz` ascends strictly, > 0.
    """
    x = np.log2(frequency_hz)
    if x.size < 2:
        return np.array(power, dtype=np.float64)
    step = np.diff(x)
    slope = np.diff(power) / step
    total = np.concatenate(([0.0], np.cumsum(0.5 * (power[1:] + power[:-1]) * step)))

    def integral(at: FloatArray) -> FloatArray:
        cell = np.clip(np.searchsorted(x, at, side="right") - 1, 0, step.size - 1)
        inside = at - x[cell]
        return np.asarray(total[cell] + inside * (power[cell] + 0.5 * slope[cell] * inside))

    half = 0.5 / fraction
    low = np.maximum(x - half, x[0])
    high = np.minimum(x + half, x[-1])
    return np.asarray((integral(high) - integral(low)) / (high - low))
