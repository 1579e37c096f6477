"""From a recording of a known excitation to a response: regularised spectral division.

A sweep in closed form, or any broadband signal as samples. The division is circular over the
recording, so harmonic products, which come at negative times −L·ln k, stand at its end.
"""

from __future__ import annotations

from functools import cached_property
from typing import Protocol

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.right_angle import RightAngle
from xover.dsp.sweep import Reach, closed_form_spectrum, good_length, reach, sweep_spectrum
from xover.model.problems import Refused
from xover.model.signals import SweepShape

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

REGULARISATION = 1e-5
"""Part of the excitation's own power that is added to the divisor: 0.00004 dB of bias where the
excitation is whole, nothing amplified where it is not. Our own choice."""
FOREIGN_REACH_DB = 30.0
"""An excitation of unknown kind reaches as far as its power stays this close to its strongest
sixth of an octave, pink taken as flat. Our own choice."""


class Excitation(Protocol):
    """What was played, at any rate and on any bins."""

    @property
    def duration_s(self) -> float:
        """How long it lasts, s."""

    @property
    def reach(self) -> Reach:
        """Where it says something."""

    @property
    def rate_s(self) -> float | None:
        """L of an exponential sweep, s; None for anything else."""

    def spectrum(self, *, sample_rate_hz: float, length: int) -> Complex:
        """Its transform on the bins k·fs/length, in samples at that rate."""

    def power(self, frequency_hz: Array, spectrum: Complex, *, sample_rate_hz: float) -> Array:
        """Its smooth power |X|² at the bins, without ripple or ends."""

    def played_at_s(self, frequency_hz: Array) -> Array | None:
        """When each frequency is played, s; None where that has no one answer."""


class SweepExcitation(Struct, frozen=True):
    """An exponential sweep with peak `amplitude`."""

    shape: SweepShape
    amplitude: float = 1.0

    @property
    def duration_s(self) -> float:
        """How long it lasts, s."""
        return self.shape.duration_s

    @property
    def reach(self) -> Reach:
        """Where the fades let it through."""
        return reach(self.shape)

    @property
    def rate_s(self) -> float | None:
        """L, s."""
        return self.shape.rate_s

    def spectrum(self, *, sample_rate_hz: float, length: int) -> Complex:
        """Evaluated anew at this rate."""
        return self.amplitude * sweep_spectrum(
            self.shape, sample_rate_hz=sample_rate_hz, length=length
        )

    def power(self, frequency_hz: Array, spectrum: Complex, *, sample_rate_hz: float) -> Array:
        """fs²·L/(4f), from the closed form, held where the sweep does not reach."""
        held = np.clip(frequency_hz, self.shape.start_hz, self.shape.stop_hz)
        size = np.abs(closed_form_spectrum(self.shape, held, sample_rate_hz=sample_rate_hz))
        return np.asarray((self.amplitude * size) ** 2)

    def played_at_s(self, frequency_hz: Array) -> Array | None:
        """L·ln(f/f1)."""
        return np.asarray(self.shape.rate_s * np.log(frequency_hz / self.shape.start_hz))


class SampledExcitation(Struct, frozen=True, eq=False, dict=True):
    """Any broadband excitation, as the samples (n,) of its file."""

    samples: Array
    sample_rate_hz: float

    @property
    def duration_s(self) -> float:
        """How long it lasts, s."""
        return self.samples.size / self.sample_rate_hz

    @cached_property
    def reach(self) -> Reach:
        """Where its power in sixths of an octave, weighted by f, is within 30 dB of the most."""
        length = self.samples.size
        power = np.abs(np.fft.rfft(self.samples)) ** 2
        frequency_hz = np.arange(power.size) * (self.sample_rate_hz / length)
        lowest_hz = max(10.0, 3.0 / self.duration_s)
        steps = int(6.0 * np.log2(0.5 * self.sample_rate_hz / lowest_hz))
        if steps < 6:
            raise Refused.at("", "it is too short to be an excitation")
        edges = np.searchsorted(frequency_hz, lowest_hz * 2.0 ** (np.arange(steps + 1) / 6.0))
        sums = np.concatenate(([0.0], np.cumsum(power)))[edges]
        share_db = 10.0 * np.log10(np.diff(sums) + 1e-300)
        inside = np.flatnonzero(share_db > share_db.max() - FOREIGN_REACH_DB)
        low_hz = float(frequency_hz[edges[inside[0]]])
        high_hz = float(frequency_hz[min(edges[inside[-1] + 1], power.size - 1)])
        high_hz = min(high_hz, 0.49 * self.sample_rate_hz)
        if high_hz < 2.0 * low_hz:
            raise Refused.at(
                "", "it fills less than an octave, so no response can be had from it; play a sweep"
            )
        return Reach(low_hz, low_hz * 2.0**0.1, high_hz * 2.0**-0.1, high_hz)

    @property
    def rate_s(self) -> float | None:
        """Unknown."""
        return None

    def spectrum(self, *, sample_rate_hz: float, length: int) -> Complex:
        """The transform of the samples at another rate's bins, exactly, by the chirp-z transform.

        Nothing is resampled; what lies above the file's own half rate is 0.
        """
        if self.duration_s * sample_rate_hz > length + 1:
            raise Refused.at("", "the recording is shorter than the excitation")
        bins = length // 2 + 1
        if sample_rate_hz == self.sample_rate_hz:
            return np.asarray(np.fft.rfft(self.samples, length))
        from scipy.signal import zoom_fft

        step_hz = sample_rate_hz / length
        own = min(bins, int(0.5 * self.sample_rate_hz / step_hz))
        spectrum = np.zeros(bins, dtype=np.complex128)
        spectrum[:own] = zoom_fft(self.samples, [0.0, own * step_hz], m=own, fs=self.sample_rate_hz)
        return spectrum * (sample_rate_hz / self.sample_rate_hz)

    def power(self, frequency_hz: Array, spectrum: Complex, *, sample_rate_hz: float) -> Array:
        """|X|² as the mean over a sixth of an octave."""
        power = np.abs(spectrum) ** 2
        sums = np.concatenate(([0.0], np.cumsum(power)))
        last = power.size - 1
        index = np.arange(power.size)
        first = np.floor(index * 2.0 ** (-1.0 / 12.0)).astype(int)
        after = np.minimum(np.ceil(index * 2.0 ** (1.0 / 12.0)).astype(int), last) + 1
        return np.asarray((sums[after] - sums[first]) / (after - first))

    def played_at_s(self, frequency_hz: Array) -> Array | None:
        """Not asked of an unknown excitation."""
        return None


class Deconvolver:
    """The division prepared for one excitation, sample rate and length.

    `reach` is the excitation's, as far as the recording's rate lets it. `length` is that of the
    recordings, zero padded to it; `sample_rate_hz` may be a recorder's true rate in terms of the
    player's clock.
    """

    def __init__(self, excitation: Excitation, *, sample_rate_hz: float, length: int) -> None:
        self.excitation = excitation
        ends = excitation.reach
        top_hz = min(ends.edge_high_hz, 0.495 * sample_rate_hz)
        self.reach = Reach(
            ends.edge_low_hz, ends.low_hz, min(ends.high_hz, top_hz * 2.0**-0.05), top_hz
        )
        self.sample_rate_hz = sample_rate_hz
        self.length = length
        self.frequency_hz: Array = np.arange(length // 2 + 1, dtype=np.float64) * (
            sample_rate_hz / length
        )
        spectrum = excitation.spectrum(sample_rate_hz=sample_rate_hz, length=length)
        self.spectrum = spectrum
        power = excitation.power(self.frequency_hz, spectrum, sample_rate_hz=sample_rate_hz)
        self._power = power
        divisor = np.abs(spectrum) ** 2 + REGULARISATION * power
        self.divider: Complex = np.divide(
            np.conj(spectrum) * band(self.frequency_hz, self.reach),
            divisor,
            out=np.zeros_like(spectrum),
            where=divisor > 0.0,
        )

    def response(self, samples: Array) -> Complex:
        """The response at `frequency_hz` to a recording (n ≤ length,), time from sample 0."""
        spectrum = np.fft.rfft(samples, self.length)
        spectrum *= self.divider
        return np.asarray(spectrum)

    def impulse(self, samples: Array) -> Array:
        """The impulse response (length,) of a recording; the end holds negative times.

        Both halves count as one turn: what stands past the middle comes before time 0.
        """
        transform, divider = self._quick
        spectrum = transform.forward(samples)
        spectrum *= divider
        impulse = transform.inverse(spectrum)
        np.negative(impulse[self.length // 2 :], out=impulse[self.length // 2 :])
        return impulse

    @cached_property
    def _quick(self) -> tuple[RightAngle, Complex]:
        """The same divider on the bins of the quicker transform."""
        transform = RightAngle(self.length)
        spectrum = transform.forward(np.fft.irfft(self.spectrum, self.length))
        at_hz = np.abs(transform.frequency()).ravel() * self.sample_rate_hz
        power = np.interp(at_hz, self.frequency_hz, self._power).reshape(transform.shape)
        ends = band(np.sort(at_hz), self.reach)[np.argsort(np.argsort(at_hz))]
        divisor = np.abs(spectrum) ** 2 + REGULARISATION * power
        divider: Complex = np.conj(spectrum)
        divider *= ends.reshape(transform.shape) / divisor
        return transform, divider

    def matched(self, samples: Array) -> Array:
        """The recording correlated with the excitation, (length,): where it begins."""
        return np.asarray(
            np.fft.irfft(np.fft.rfft(samples, self.length) * np.conj(self.spectrum), self.length)
        )


def band(frequency_hz: Array, ends: Reach) -> Array:
    """One between the ends, falling to nothing along Hann flanks in log frequency, (n,)."""
    gain = np.zeros(frequency_hz.size)
    first, last = np.searchsorted(frequency_hz, [ends.edge_low_hz, ends.edge_high_hz])
    octave = np.log2(np.maximum(frequency_hz[first:last], 1e-9))
    low, high = np.log2([ends.edge_low_hz, ends.edge_high_hz])
    rise = (octave - low) / (np.log2(ends.low_hz) - low)
    fall = (high - octave) / (high - np.log2(ends.high_hz))
    gain[first:last] = np.sin(0.5 * np.pi * np.clip(np.minimum(rise, fall), 0.0, 1.0)) ** 2
    return gain


def delay_between(first: Array, second: Array, *, sample_rate_hz: float) -> float:
    """How much later the same signal stands in `second` than in `first` (both (n,)), s.

    The peak of the cross-correlation, refined by the slope of the cross-spectrum's phase under
    its own weight. Exact to a small part of a sample where noise is low.
    """
    length = good_length(first.size + second.size)
    spectrum_1, spectrum_2 = np.fft.rfft(first, length), np.fft.rfft(second, length)
    cross = spectrum_2 * np.conj(spectrum_1)
    lag = int(np.argmax(np.fft.irfft(cross, length)))
    lag -= length if lag > length // 2 else 0
    omega = 2.0 * np.pi * np.arange(cross.size) / length
    for _ in range(2):
        turned = cross * np.exp(1j * omega * lag)
        weight = np.abs(cross)
        weight[weight < 1e-3 * weight.max()] = 0.0
        slope = np.sum(weight * omega * np.angle(turned)) / np.sum(weight * omega**2)
        lag = lag - float(slope)  # type: ignore[assignment]
    return lag / sample_rate_hz
