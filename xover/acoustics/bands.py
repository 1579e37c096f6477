"""Bands of octaves and their parts, and the spectra of noises that stand for music.

Those are pink noise and the noise of a simulated programme. Levels are powers per octave
on a logarithmic axis, normalised so that the whole noise is 0 dB.
Refuses nothing: frequencies outside the noise carry none of it.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.units import show_hz

Floats = NDArray[np.float64]
Spectrum = Literal["pink", "programme"]

OCTAVE_RATIO: Final = 10.0**0.3
"""G of IEC 61260-1: an octave in base ten, from which mid-bands and edges derive."""
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
_NOMINAL: Final = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
_THIRDS_HZ: Final = tuple(1000.0 * 10.0 ** (x / 10.0) for x in range(-17, 14))


class Band(Struct, frozen=True):
    """A band of 1/`fraction` octave about `centre_hz`."""

    centre_hz: float
    fraction: int

    @classmethod
    def near(cls, typed_hz: float, fraction: int) -> Band:
        """The band of a typed frequency: the exact mid-band of IEC 61260-1 within 2 %, else itself.

        So 63 and 8000 are the bands that analysers call so (63.10 and 7943 Hz).
        """
        steps = fraction * math.log(typed_hz / 1000.0) / math.log(OCTAVE_RATIO)
        exact_hz = 1000.0 * OCTAVE_RATIO ** (round(steps) / fraction)
        return cls(exact_hz if abs(typed_hz / exact_hz - 1.0) <= 0.02 else typed_hz, fraction)

    @property
    def edges_hz(self) -> tuple[float, float]:
        """Lower and upper edge: f·G^(±1/(2b)), G = 10^0.3 (IEC 61260-1)."""
        half = OCTAVE_RATIO ** (0.5 / self.fraction)
        return self.centre_hz / half, self.centre_hz * half

    @property
    def words(self) -> str:
        """`63 Hz third-octave band`, by its nominal frequency where it has one."""
        names = {1: "octave", 3: "third-octave"}
        kind = names.get(self.fraction, f"1/{self.fraction}-octave")
        decade = 10.0 ** math.floor(math.log10(self.centre_hz) + 0.01)
        near = [
            step * decade for step in _NOMINAL if abs(step * decade / self.centre_hz - 1) < 0.02
        ]
        return f"{show_hz(near[0] if near else float(f'{self.centre_hz:.4g}'))} {kind} band"

    def frequencies(self, count: int) -> tuple[Floats, Floats]:
        """`count` frequencies evenly over the band, (n,), and weights over log frequency, sum 1."""
        low, high = self.edges_hz
        edges = np.linspace(low, high, count + 1)
        weights = np.log(edges[1:] / edges[:-1]) / math.log(high / low)
        return 0.5 * (edges[1:] + edges[:-1]), weights


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
