"""Frequency weightings A and C of sound level meters, from the standard's own poles.

Exact at every frequency; what a real meter may deviate is not in here.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

F1_HZ: Final = 20.598997
F2_HZ: Final = 107.652649
F3_HZ: Final = 737.862231
F4_HZ: Final = 12_194.217148
"""Pole frequencies of IEC 61672-1, Annex E."""
A1000_DB: Final = -1.999656
C1000_DB: Final = -0.061902
"""What normalises each curve to 0 dB at 1 kHz."""


def a_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """A-weighting in dB at `frequency_hz` > 0, shape kept; 0 dB at 1 kHz. IEC 61672-1, Annex E."""
    f2 = np.square(np.asarray(frequency_hz, dtype=np.float64))
    power = (
        F4_HZ**4
        * f2**4
        / ((f2 + F1_HZ**2) ** 2 * (f2 + F2_HZ**2) * (f2 + F3_HZ**2) * (f2 + F4_HZ**2) ** 2)
    )
    return np.asarray(10.0 * np.log10(power) - A1000_DB)


def c_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """C-weighting in dB at `frequency_hz` > 0, shape kept; 0 dB at 1 kHz. IEC 61672-1, Annex E."""
    f2 = np.square(np.asarray(frequency_hz, dtype=np.float64))
    power = F4_HZ**4 * f2**2 / ((f2 + F1_HZ**2) ** 2 * (f2 + F4_HZ**2) ** 2)
    return np.asarray(10.0 * np.log10(power) - C1000_DB)
