"""The delay to take out of a phase so that it can be read: that of the loud top of a response.

The steps between points on a log axis hold many turns; the delay that lines most of them up is
sought on a coarse grid, then on a fine one about its best. Refuses nothing: 0 where there is none.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

MOST_MS = 300.0
FINE_MS = 0.02
COARSE_MS = 1.0
"""Narrow beside the peak sought: steps of 70 to 290 Hz make it about 4 ms wide."""
LOUD_DB = 20.0
"""How far below its loudest a response still counts."""
TOP_OCTAVES = 2.0


class _Turns:
    """The turns of every delay tried, (n_delays, last − first), for some points in Hz."""

    def __init__(self, frequency_hz: NDArray[np.float64]) -> None:
        turn = 2e-3j * np.pi * np.diff(frequency_hz)
        self.coarse_ms = np.arange(0.0, MOST_MS, COARSE_MS)
        steps = round(COARSE_MS / FINE_MS)
        self.fine_ms = FINE_MS * np.arange(-steps, steps + 1)
        # Single precision finds the coarse peak as well, and halves what has to be read.
        self.coarse = np.exp(np.outer(self.coarse_ms, turn)).astype(np.complex64)
        self.fine = np.exp(np.outer(self.fine_ms, turn))


@lru_cache(maxsize=8)
def _turns(data: bytes) -> _Turns:
    return _Turns(np.frombuffer(data))


def flight_ms(
    frequency_hz: NDArray[np.float64],
    response: NDArray[np.complex128],
    magnitude_db: NDArray[np.float64],
) -> float:
    """The delay in ms, to 0.02 ms; frequencies ascend, every array has shape (n,).

    Of the response those frequencies count that are at most 20 dB below its loudest and within
    two octaves below the highest such one; NaN and silence are left out.
    """
    known = np.isfinite(magnitude_db)
    if not known.any():
        return 0.0
    loud = magnitude_db >= magnitude_db[known].max() - LOUD_DB  # NaN compares as not loud
    last = int(np.flatnonzero(loud)[-1])
    first = int(np.searchsorted(frequency_hz, frequency_hz[last] / 2.0**TOP_OCTAVES))
    pair = loud[first + 1 : last + 1] & loud[first:last]
    if not pair.any():
        return 0.0
    step = response[first + 1 : last + 1] * np.conj(response[first:last])
    step = np.where(pair, step, 0.0)
    size = np.abs(step)
    unit = np.divide(step, size, out=np.zeros_like(step), where=size > 0.0)
    turns = _turns(frequency_hz[first : last + 1].tobytes())
    about = int(np.argmax(np.abs(turns.coarse @ unit.astype(np.complex64))))
    best = int(np.argmax(np.abs(turns.fine @ (turns.coarse[about] * unit))))
    return max(0.0, float(turns.coarse_ms[about] + turns.fine_ms[best]))
