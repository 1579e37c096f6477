"""What a coherence column says in words: where a response is not to be trusted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse
from xover.model.units import plain, show_hz

Array = NDArray[np.float64]

TRUSTED_FROM = 0.5
"""Below a coherence of one half more of the measurement is noise, echo or distortion than
programme. Common practice, no source."""
BANDS_SHOWN = 4
JOIN_OCTAVE = 1.0 / 12.0
"""Bands closer than this are told as one."""


def with_coherence_said(captured: CapturedResponse) -> CapturedResponse:
    """The same, with a sentence on where the coherence is below one half, if it has coherence."""
    if captured.coherence is None:
        return captured
    low = captured.coherence < TRUSTED_FROM
    if not low.any():
        least = float(captured.coherence.min())
        return captured.saying(f"the coherence is {plain(least, 2)} or more throughout")
    share = 100.0 * np.count_nonzero(low) / low.size
    return captured.saying(
        f"the coherence is below {TRUSTED_FROM} at {plain(share, 0)} % of the points "
        f"({bands(captured.frequency_hz, low)}): more noise and echo than programme there, not to "
        "be trusted"
    )


def bands(frequency_hz: Array, inside: NDArray[np.bool_]) -> str:
    """The bands where `inside` (n,) holds, in words, the widest four; gaps of 1/12 octave count."""
    at = np.flatnonzero(inside)
    apart = np.diff(np.log2(frequency_hz[at])) > JOIN_OCTAVE
    gaps = np.flatnonzero(apart & (np.diff(at) > 1))
    starts = frequency_hz[at[np.concatenate(([0], gaps + 1))]]
    stops = frequency_hz[at[np.concatenate((gaps, [at.size - 1]))]]
    widest = np.sort(np.argsort(stops / starts)[::-1][:BANDS_SHOWN])
    words = [
        show_hz(float(low)) if low == high else f"{show_hz(float(low))} to {show_hz(float(high))}"
        for low, high in zip(starts[widest], stops[widest], strict=True)
    ]
    more = starts.size - widest.size
    return ", ".join(words) + (f" and {more} more" if more else "")
