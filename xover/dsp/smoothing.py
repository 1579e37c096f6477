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
"""Running totals begin anew after so many cells."""
PIECE = 32 * BLOCK
"""So many cells are made at once."""


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
    f = frequency_hz
    centre_hz = f if at_hz is None else at_hz
    if f.size < 2:
        return np.full(centre_hz.size, power[0], dtype=np.float64)
    reach = 2.0 ** (0.5 / fraction)
    low_hz = np.clip(centre_hz / reach, f[0], f[-1])
    high_hz = np.clip(centre_hz * reach, f[0], f[-1])
    first = np.clip(np.searchsorted(f, low_hz, side="right") - 1, 0, f.size - 2)
    last = np.clip(np.searchsorted(f, high_hz, side="left") - 1, 0, f.size - 2)
    low, high = np.log2(low_hz), np.log2(high_hz)

    def between(cell: NDArray[np.intp], start: FloatArray, stop: FloatArray) -> FloatArray:
        """The integral from `start` to `stop`, both within one cell of the axis."""
        left = np.log2(f[cell])
        middle = (0.5 * (start + stop) - left) / (np.log2(f[cell + 1]) - left)
        return np.asarray(
            (stop - start) * (power[cell] * (1.0 - middle) + power[cell + 1] * middle)
        )

    whole = _range_sums(f, power, first + 1, last)
    apart = first < last
    head = between(first, low, np.where(apart, np.log2(f[first + 1]), high))
    tail = np.where(apart, between(last, np.log2(f[last]), high), 0.0)
    return np.asarray((head + whole + tail) / (high - low))


def _cells(f: FloatArray, power: FloatArray) -> FloatArray:
    """The integral over each cell of the axis, shape (n − 1,)."""
    step = np.diff(np.log2(f))
    step *= power[1:] + power[:-1]
    step *= 0.5
    return step


def _range_sums(
    f: FloatArray, power: FloatArray, start: NDArray[np.intp], stop: NDArray[np.intp]
) -> FloatArray:
    """Σ cells[start:stop] for many ranges at once, shape of `start`; 0 where stop ≤ start.

    Differences of running totals, from below or else from above, where the sum is not small beside
    the total: a stopband 120 dB down would be rounding there. Such ranges, and values of either
    sign, are summed pairwise.
    """
    stop = np.maximum(start, stop)
    if power.min() < 0.0:
        return _pairwise_sums(_cells(f, power), start, stop)
    through, before = _running(f, power, stop, start)
    total = through - before
    small = (total < SMALL_PART * through) & (start < stop)
    if small.any():
        size = f.size - 1
        left, right = start[small], stop[small]
        # Backwards the logarithms descend, so their steps, and with them all sums, are negative.
        from_left, beyond = _running(f[::-1], power[::-1], size - left, size - right)
        part, from_left = beyond - from_left, -from_left
        smaller = part < SMALL_PART * from_left
        if smaller.any():
            part[smaller] = _pairwise_sums(_cells(f, power), left[smaller], right[smaller])
        total[small] = part
    return np.asarray(total)


def _running(f: FloatArray, power: FloatArray, *counts: NDArray[np.intp]) -> tuple[FloatArray, ...]:
    """The sums of the first so many cells, one array for each of `counts`.

    Made piece by piece, which stays in the processor's cache, and with totals that begin anew in
    every block, which keeps their rounding to a few digits' last place.
    """
    flat = np.empty(f.size - 1)
    totals = []
    for begin in range(0, flat.size, PIECE):
        piece = slice(begin, begin + PIECE + 1)
        cells = _cells(f[piece], power[piece])
        whole = cells.size // BLOCK * BLOCK
        blocks = flat[begin : begin + whole].reshape(-1, BLOCK)
        np.cumsum(cells[:whole].reshape(-1, BLOCK), axis=1, out=blocks)
        np.cumsum(cells[whole:], out=flat[begin + whole : begin + cells.size])
        totals.append(blocks[:, -1])
    offset = np.concatenate(([0.0], np.cumsum(np.concatenate(totals))))
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
