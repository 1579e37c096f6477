"""Octave bands, and the spectra of the noises that stand for music: pink, and a programme's.

Levels are powers per octave on a logarithmic axis, normalised so that the whole noise is 0 dB.
Refuses nothing: frequencies outside the noise carry none of it.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Spectrum = Literal["pink", "programme"]

OCTAVE_RATIO: Final = 10.0**0.3
"""G of IEC 61260-1: an octave in base ten."""
NOMINAL_HZ: Final = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)
"""What the ten octave bands of the audible range are called."""
EXACT_HZ: Final = tuple(1000.0 * OCTAVE_RATIO**x for x in range(-5, 5))
"""Their exact mid-band frequencies, 1000·G^x (IEC 61260-1)."""
LOWEST_HZ: Final = EXACT_HZ[0] / OCTAVE_RATIO**0.5
HIGHEST_HZ: Final = EXACT_HZ[-1] * OCTAVE_RATIO**0.5

_PROGRAMME_DB: Final = (
    -13.5, -10.2, -7.4, -5.2, -3.3, -2.0, -1.1, -0.6, -0.2, 0.0, 0.0, 0.0, 0.0, -0.1, -0.1,
    -0.2, -0.3, -0.4, -0.6, -1.0, -1.4, -2.1, -2.9, -4.1, -5.4, -6.9, -8.6, -10.3, -12.1, -14.1,
    -16.0,
)  # fmt: skip
"""Third-octave levels from 20 Hz to 20 kHz of the simulated programme of IEC 60268-1, re pink
noise. From memory and smoothed: good to about half a decibel."""
_THIRDS_HZ: Final = tuple(1000.0 * 10.0 ** (x / 10.0) for x in range(-17, 14))


def edges_hz(band: int) -> tuple[float, float]:
    """The edges of the octave band number `band` of `NOMINAL_HZ`, f_m·G^(±1/2) (IEC 61260-1)."""
    middle_hz = EXACT_HZ[band]
    return middle_hz / OCTAVE_RATIO**0.5, middle_hz * OCTAVE_RATIO**0.5


def noise_weights(spectrum: Spectrum, frequency_hz: Floats) -> Floats:
    """The share of a noise's power at each point of a logarithmic axis, shape (n,), sum 1.

    `frequency_hz` are evenly spaced in log frequency. The noise fills the ten octave bands,
    22.4 Hz to 22.4 kHz, as far as the axis reaches.
    """
    power = np.where((frequency_hz >= LOWEST_HZ) & (frequency_hz <= HIGHEST_HZ), 1.0, 0.0)
    if spectrum == "programme":
        shape_db = np.interp(np.log(frequency_hz), np.log(_THIRDS_HZ), _PROGRAMME_DB)
        power = power * 10.0 ** (shape_db / 10.0)
    return np.asarray(power / power.sum())
