"""A trace read between its points: decibels and unwrapped phase over log frequency.

Outside its range a trace says nothing: NaN, never an extrapolation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xover.model.rig import Trace


def trace_on(trace: Trace, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The complex response of `trace` at `frequency_hz`, shape (n,), bulk delay included.

    Between points dB and unwrapped phase are linear over log frequency; NaN outside the range. A
    trace without phase gives its magnitude as a positive real number: its phase is the caller's.
    """
    known_hz = np.asarray(trace.frequency_hz, dtype=np.float64)
    x, at = np.log(known_hz), np.log(frequency_hz)
    magnitude_db = np.interp(at, x, np.asarray(trace.magnitude_db, dtype=np.float64))
    magnitude = 10.0 ** (magnitude_db / 20.0)
    outside = (frequency_hz < known_hz[0]) | (frequency_hz > known_hz[-1])
    response = magnitude.astype(np.complex128)
    if trace.phase_deg is not None:
        phase = np.unwrap(np.radians(np.asarray(trace.phase_deg, dtype=np.float64)))
        turns = frequency_hz * (trace.delay_ms * 1e-3)
        turns -= np.rint(turns)
        response *= np.exp(1j * (np.interp(at, x, phase) - 2.0 * np.pi * turns))
    response[outside] = np.nan
    return response
