"""Averages of captured responses: of power, or of the complex response.

A mean of power forgets phase, so it has none. A complex mean needs one time zero, and loses level
where the parts do not agree; whoever asks for it must know that they share it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse, from_complex
from xover.model.problems import Refused

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Mean = Literal["power", "complex"]

CANCELLED = 1e-12
"""A complex mean this small against the mean of the sizes is rounding, not a response."""


def mean_of_rows(captured: CapturedResponse, of: Mean) -> CapturedResponse:
    """Neighbouring points of one frequency as one: their mean of power or complex mean.

    `captured` has frequencies that do not descend. The coherence's mean is plain; a mean of power
    keeps no phase. Raises `Refused` for a complex mean without phase, or one that cancels.
    """
    if of == "complex" and captured.phase_deg is None:
        raise Refused.at("", "a complex mean needs phase; average the power instead")
    starts = np.flatnonzero(np.diff(captured.frequency_hz, prepend=-np.inf) > 0.0)
    counts = np.diff(np.append(starts, captured.frequency_hz.size))
    frequency_hz = captured.frequency_hz[starts]
    coherence = captured.coherence
    if coherence is not None:
        coherence = np.clip(np.add.reduceat(coherence, starts) / counts, 0.0, 1.0)
    largest = int(counts.max())
    what = f"{np.count_nonzero(counts > 1)} frequencies with up to {largest} rows each"
    if of == "power":
        power = np.add.reduceat(10.0 ** (captured.magnitude_db / 10.0), starts) / counts
        lost = "" if captured.phase_deg is None else "; a mean of power has no phase"
        return replace(
            captured,
            frequency_hz=frequency_hz,
            magnitude_db=10.0 * np.log10(power),
            phase_deg=None,
            coherence=coherence,
            delay_ms=0.0,
        ).saying(f"{what} are averaged, mean of power, as asked{lost}")
    mean = np.asarray(np.add.reduceat(captured.without_delay, starts) / counts, np.complex128)
    few = replace(from_complex(captured, frequency_hz, mean), coherence=coherence)
    size = np.add.reduceat(np.abs(captured.without_delay), starts) / counts
    if not (np.abs(mean) > CANCELLED * size).all():
        raise Refused.at(
            "", "rows of one frequency cancel each other in a complex mean; average their power"
        )
    return few.saying(f"{what} are averaged, complex mean, as asked")
