"""Fractional-octave smoothing: the mean over a band that is rectangular in log frequency.

The mean of power is the one used for levels and overlaps; nothing else is smoothed in secret.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xover.dsp.axis import FloatArray

SMALL_PART = 1e-3
"""A range holding less of the running total than this is not taken as a difference of totals."""
BLOCK = 256
"""Running totals begin anew after so many values."""


def power_smooth(
    frequency_hz: FloatArray,
    power: FloatArray,
    *,
    fraction: int,
    at_hz: FloatArray | None = None,
) -> FloatArray:
    """Mean of `power` (n,) over ±1/(2·`fraction`) octave about each frequency, shape (n,).

    `frequency_hz` (n,) ascends strictly, > 0; with `at_hz` (m,), within its range, the means are
    taken about those frequencies and have shape (m,). Power is read as piecewise linear over log
    frequency and integrated exactly, partial ends included; at the ends of the axis the band is
    cut to what there is. Constants stay constant. The band edges f·2^(±1/(2n)) are those of
    IEC 61260-1.
    """
    x = np.log2(frequency_hz)
    centre = x if at_hz is None else np.log2(at_hz)
    if x.size < 2:
        return np.full(centre.size, power[0], dtype=np.float64)
    half = 0.5 / fraction
    low = np.clip(centre - half, x[0], x[-1])
    high = np.clip(centre + half, x[0], x[-1])
    step = np.diff(x)
    first = np.clip(np.searchsorted(x, low, side="right") - 1, 0, step.size - 1)
    last = np.clip(np.searchsorted(x, high, side="left") - 1, 0, step.size - 1)

    def between(cell: NDArray[np.intp], start: FloatArray, stop: FloatArray) -> FloatArray:
        """The integral from `start` to `stop`, both within one cell of the axis."""
        middle = (0.5 * (start + stop) - x[cell]) / step[cell]
        return (stop - start) * (power[cell] * (1.0 - middle) + power[cell + 1] * middle)

    cells = power[1:] + power[:-1]
    cells *= step
    cells *= 0.5
    whole = _range_sums(cells, first + 1, last)
    apart = first < last
    head = between(first, low, np.where(apart, x[first + 1], high))
    tail = np.where(apart, between(last, x[last], high), 0.0)
    return np.asarray((head + whole + tail) / (high - low))


def _range_sums(values: FloatArray, start: NDArray[np.intp], stop: NDArray[np.intp]) -> FloatArray:
    """Σ values[start:stop] for many ranges at once, shape of `start`; 0 where stop ≤ start.

    Differences of running totals, from below or else from above, where the sum is not small beside
    the total: a stopband 120 dB down would be rounding there. Such ranges, and values of either
    sign, are summed pairwise.
    """
    stop = np.maximum(start, stop)
    if values.min() < 0.0:
        return _pairwise_sums(values, start, stop)
    through, before = _running(values, stop, start)
    total = through - before
    small = (total < SMALL_PART * through) & (start < stop)
    if small.any():
        size = values.size
        left, right = start[small], stop[small]
        from_left, beyond = _running(values[::-1], size - left, size - right)
        part = from_left - beyond
        smaller = part < SMALL_PART * from_left
        if smaller.any():
            part[smaller] = _pairwise_sums(values, left[smaller], right[smaller])
        total[small] = part
    return np.asarray(total)


def _running(values: FloatArray, *counts: NDArray[np.intp]) -> tuple[FloatArray, ...]:
    """The sums of the first so many `values`, one array for each of `counts`.

    The total is kept by blocks, which also keeps its rounding to a few digits' last place.
    """
    whole = values.size // BLOCK * BLOCK
    flat = np.empty(values.size)
    blocks = flat[:whole].reshape(-1, BLOCK)
    np.cumsum(values[:whole].reshape(-1, BLOCK), axis=1, out=blocks)
    np.cumsum(values[whole:], out=flat[whole:])
    offset = np.concatenate(([0.0], np.cumsum(blocks[:, -1])))
    sums = []
    for count in counts:
        row = count // BLOCK
        partial = np.where(count % BLOCK == 0, 0.0, flat[np.maximum(count, 1) - 1])
        sums.append(offset[row] + partial)
    return tuple(sums)


def _pairwise_sums(
    values: FloatArray, start: NDArray[np.intp], stop: NDArray[np.intp]
) -> FloatArray:
    """The same sums by a pyramid of pairs, which loses nothing to its neighbours."""
    total = np.zeros(start.shape)
    start, stop = start.copy(), stop.copy()
    while np.any(start < stop):
        padded = np.append(values, np.zeros(2 - values.size % 2))
        odd = (start % 2 == 1) & (start < stop)
        total += np.where(odd, padded[np.minimum(start, padded.size - 1)], 0.0)
        start += odd
        odd = (stop % 2 == 1) & (start < stop)
        stop -= odd
        total += np.where(odd, padded[stop], 0.0)
        values = padded[0::2] + padded[1::2]
        start //= 2
        stop //= 2
    return total
