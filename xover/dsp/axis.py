"""Where responses are evaluated: frequencies, the sample rate, and what derives from both.

An axis is made once and shared; everything a filter needs of it is computed at first use and
kept. Refuses frequencies at or above half the sample rate, where no digital filter has meaning.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from msgspec import Struct
from msgspec.structs import force_setattr
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

AXIS_NYQUIST_FRACTION = 0.49
"""A logarithmic axis ends below this fraction of the sample rate."""


class Axis(Struct, frozen=True, eq=False, dict=True):
    """Evaluation frequencies `frequency_hz`, shape (n,), ascending, with their sample rate.

    Raises `ValueError` unless the frequencies are finite, strictly ascending, above 0 and below
    half of `sample_rate_hz`. Two axes are never compared by value: pieces computed on one axis
    belong to that object.
    """

    frequency_hz: FloatArray
    sample_rate_hz: float

    def __post_init__(self) -> None:
        frequency = np.array(self.frequency_hz, dtype=np.float64, ndmin=1)
        if frequency.ndim != 1 or not frequency.size:
            raise ValueError("an axis needs at least one frequency, in one dimension")
        if not np.all(np.isfinite(frequency)) or frequency[0] <= 0.0:
            raise ValueError("axis frequencies must be finite and above 0 Hz")
        if np.any(np.diff(frequency) <= 0.0):
            raise ValueError("axis frequencies must ascend strictly")
        if not frequency[-1] < 0.5 * self.sample_rate_hz:
            raise ValueError(
                f"axis frequencies must stay below half the sample rate: "
                f"{frequency[-1]:g} Hz at {self.sample_rate_hz:g} Hz"
            )
        frequency.flags.writeable = False
        force_setattr(self, "frequency_hz", frequency)
        force_setattr(self, "sample_rate_hz", float(self.sample_rate_hz))

    @classmethod
    def log(
        cls,
        points_per_octave: int = 48,
        *,
        sample_rate_hz: float,
        low_hz: float = 20.0,
        high_hz: float = 20_000.0,
    ) -> Axis:
        """low·2^(k/points) up to `high_hz`, ending below 0.49 of the sample rate."""
        if points_per_octave < 1:
            raise ValueError("an axis needs at least one point per octave")
        end_hz = min(high_hz, AXIS_NYQUIST_FRACTION * sample_rate_hz)
        steps = math.floor(points_per_octave * math.log2(end_hz / low_hz) + 1e-9)
        frequency = low_hz * np.exp2(np.arange(steps + 1) / points_per_octave)
        keep = (frequency <= high_hz * (1.0 + 1e-12)) & (
            frequency < AXIS_NYQUIST_FRACTION * sample_rate_hz
        )
        return cls(frequency[keep], sample_rate_hz)

    def __len__(self) -> int:
        return int(self.frequency_hz.size)

    @cached_property
    def tangent(self) -> FloatArray:
        """tan(π·f/fs), shape (n,): the bilinear transform's analogue frequency."""
        return _kept(tangent(self.frequency_hz, self.sample_rate_hz))

    @cached_property
    def tangent_squared(self) -> FloatArray:
        """The square of `tangent`, shape (n,)."""
        return _kept(np.square(self.tangent))

    @cached_property
    def cotangent(self) -> FloatArray:
        """1/tan(π·f/fs), shape (n,)."""
        return _kept(1.0 / self.tangent)

    @cached_property
    def cosine(self) -> FloatArray:
        """cos(π·f/fs), shape (n,), exact to the last digits near half the sample rate too."""
        from_nyquist = 0.5 * self.sample_rate_hz - self.frequency_hz
        return _kept(np.sin(np.pi * from_nyquist / self.sample_rate_hz))

    @cached_property
    def laplace_powers(self) -> FloatArray:
        """s⁻⁴ … s⁴ of s = j·tan(π·f/fs), real and imaginary part interleaved; shape (9, 2n).

        A real matrix times this is a table of Laurent polynomials in s; viewed as complex it has
        shape (…, n).
        """
        powers = np.ones((9, len(self)), dtype=np.complex128)
        for k in range(1, 5):
            powers[4 + k] = powers[3 + k] * (1j * self.tangent)
            powers[4 - k] = powers[5 - k] * (-1j * self.cotangent)
        return _kept(powers.view(np.float64))

    def delay_phasor(self, delay_ms: float) -> ComplexArray:
        """e^(−j2πf·delay), shape (n,): exact linear phase, whole turns taken out beforehand."""
        turns = self.frequency_hz * (delay_ms / 1000.0)
        turns -= np.rint(turns)
        return np.asarray(np.exp(-2j * np.pi * turns), dtype=np.complex128)


def tangent(frequency_hz: FloatArray, sample_rate_hz: float) -> FloatArray:
    """tan(π·f/fs) of frequencies in Hz, shape kept.

    Above a quarter of the sample rate as the reciprocal tangent of the distance to half of it,
    so that the last digits survive where the tangent is steep.
    """
    upper = frequency_hz > 0.25 * sample_rate_hz
    distance = np.where(upper, 0.5 * sample_rate_hz - frequency_hz, frequency_hz)
    value = np.tan(np.pi * distance / sample_rate_hz)
    return np.where(upper, 1.0 / value, value)


def _kept(values: FloatArray) -> FloatArray:
    values.flags.writeable = False
    return values
