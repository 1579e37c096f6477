"""Where in a long recording an excitation was played, and how far the two clocks differ.

The recording is read in blocks, never whole. What is found is judged by whoever asks.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.deconvolution import Excitation, delay_between
from xover.dsp.gating import Gated
from xover.dsp.right_angle import RightAngle
from xover.dsp.sweep import good_length
from xover.model.problems import Refused

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Progress = Callable[[float], None]

BIN_S = 0.01
"""The search sums energy over so much time."""
FOUND_DB = 12.0
"""An excitation is found where the correlation's energy stands this far above its median over
the recording. Our own choice: noise alone stays some 5 dB below."""
ALIKE_DB = 12.0
"""Further ones count down to this far below the strongest."""
LEAD = 0.9
"""So much of the excitation may be missing at the start of the recording and is still seen, to be
able to say so."""
SAMPLES_MAX = 1 << 25
"""The most samples that one excitation may take at the recording's rate."""
DRIFT_PPM_MAX = 300.0
"""Clocks of sound cards differ by up to 100 ppm or so; beyond this nothing is looked for."""
UNSURE_PPM = 5.0
"""A difference read from the response alone counts from here on. Our own choice."""


class Recording(Protocol):
    """One channel of a recording that is read piece by piece."""

    @property
    def samples(self) -> int:
        """How many there are."""

    @property
    def sample_rate_hz(self) -> float:
        """As its file says."""

    def read(self, start: int, count: int) -> Array:
        """`count` samples from `start`, zeros where the recording has none."""


class Samples(Struct, frozen=True, eq=False):
    """A recording that is in memory, (n,)."""

    values: Array
    sample_rate_hz: float

    @property
    def samples(self) -> int:
        """How many there are."""
        return self.values.size

    def read(self, start: int, count: int) -> Array:
        """`count` samples from `start`, zeros where there are none."""
        piece = np.zeros(count)
        first, last = max(start, 0), min(start + count, self.values.size)
        if last > first:
            piece[first - start : last - start] = self.values[first:last]
        return piece


def silent_progress(share: float) -> None:
    """Nobody watches."""


class Found(Struct, frozen=True):
    """Where an excitation seems to begin, to within a few hundredths of a second."""

    start: int
    """A sample of the recording; negative where that began too late."""
    level_db: float
    """Against the strongest."""


def centred(recording: Recording, start: int, count: int) -> Array:
    """`count` samples from `start` less their mean, zeros where the recording has none."""
    piece = recording.read(start, count)
    first, last = max(0, -start), min(count, recording.samples - start)
    if last > first:
        piece[first:last] -= piece[first:last].mean()
    return piece


def find(
    recording: Recording,
    excitation: Excitation,
    *,
    flat: bool = False,
    progress: Progress = silent_progress,
) -> list[Found]:
    """Every place where the excitation seems to begin, in the order of the recording.

    With `flat` every frequency of its reach counts alike, which hum cannot hide; without, as much
    as it was played, which finds it deeper in noise.
    Empty where nothing stands out. Raises `Refused` for an excitation that is too long to be
    looked for.
    """
    rate_hz = recording.sample_rate_hz
    length = int(np.ceil(excitation.duration_s * rate_hz))
    if length > SAMPLES_MAX:
        raise Refused.at("", "the sweep is too long to be looked for; use one of a minute or less")
    size = good_length(max(2 * length, 1 << 17))
    bin_samples = max(1, round(BIN_S * rate_hz))
    hop = (size - length) // bin_samples * bin_samples
    transform = RightAngle(size)
    played = excitation.spectrum(sample_rate_hz=rate_hz, length=size)
    if flat:
        played = _flattened(played, excitation, rate_hz)
    samples = np.fft.irfft(played, size)
    spectrum = np.conj(transform.forward(samples))
    lead = int(LEAD * length) // bin_samples * bin_samples
    starts = range(-lead, recording.samples, hop)
    pieces = []
    for number, start in enumerate(starts):
        progress(number / len(starts))
        block = centred(recording, start, size)
        matched = transform.inverse(transform.forward(block) * spectrum)[:hop]
        pieces.append((matched**2).reshape(-1, bin_samples).sum(axis=1))
    energy = np.concatenate(pieces)[: (recording.samples + lead) // bin_samples + 1]
    progress(1.0)
    # Two bins together, so that a peak on the edge between them counts whole.
    paired = energy + np.append(energy[1:], 0.0)
    level = float(np.median(paired[lead // bin_samples :])) if paired.size else 0.0
    apart = max(1, int(0.8 * length / bin_samples))
    found: list[Found] = []
    strongest = float(paired.max()) if paired.size else 0.0
    if strongest <= 0.0 or strongest < level * 10.0 ** (FOUND_DB / 10.0):
        return []
    rest = paired.copy()
    while len(found) < 64:
        peak = int(np.argmax(rest))
        if rest[peak] < max(
            strongest * 10.0 ** (-ALIKE_DB / 10.0), level * 10.0 ** (FOUND_DB / 10.0)
        ):
            break
        level_db = 10.0 * float(np.log10(rest[peak] / strongest))
        found.append(Found(peak * bin_samples - lead, level_db))
        rest[max(0, peak - apart) : peak + apart] = 0.0
    return sorted(found, key=lambda one: one.start)


def _flattened(spectrum: Complex, excitation: Excitation, sample_rate_hz: float) -> Complex:
    """The same with its magnitude 1 in its reach, and nothing outside."""
    frequency_hz = np.linspace(0.0, 0.5 * sample_rate_hz, spectrum.size)
    size = np.abs(spectrum)
    inside = (frequency_hz >= excitation.reach.low_hz) & (frequency_hz <= excitation.reach.high_hz)
    inside &= size > 0.0
    return np.divide(spectrum, size, out=np.zeros_like(spectrum), where=inside)


class Arrival(Struct, frozen=True):
    """Where an excitation's direct sound stands in the recording."""

    sample: float
    """Where the excitation would begin without any flight or latency between."""
    prominence_db: float
    """The correlation's peak against its median power."""


def arrival(
    recording: Recording,
    excitation: Excitation,
    *,
    about: float,
    within_s: float,
    sample_rate_hz: float,
    flat: bool = False,
) -> Arrival:
    """The peak of the correlation within ±`within_s` of the sample `about`, to a part of a sample.

    `sample_rate_hz` is the recorder's rate as far as it is known. The envelope's peak is taken,
    so that neither polarity nor phase shift it by more than they have to.
    """
    margin = int(np.ceil(within_s * recording.sample_rate_hz))
    start = int(about) - margin
    count = int(np.ceil(excitation.duration_s * sample_rate_hz)) + 2 * margin
    length = good_length(count + margin)
    block = centred(recording, start, count)
    played = excitation.spectrum(sample_rate_hz=sample_rate_hz, length=length)
    if flat:
        played = _flattened(played, excitation, sample_rate_hz)
    cross = np.fft.rfft(block, length) * np.conj(played)
    analytic = np.zeros(length, dtype=np.complex128)
    analytic[: cross.size] = cross
    envelope = np.abs(np.fft.ifft(analytic)[: 2 * margin + 1])
    peak = int(np.argmax(envelope))
    level = float(np.median(envelope))
    prominence_db = 20.0 * np.log10(max(float(envelope[peak]), 1e-300) / max(level, 1e-300))
    return Arrival(start + peak + _vertex(envelope, peak), float(prominence_db))


def _vertex(values: Array, peak: int) -> float:
    """Where the parabola through the peak and its neighbours has its top, from the peak."""
    if not 0 < peak < values.size - 1:
        return 0.0
    before, top, after = values[peak - 1 : peak + 2]
    bend = before - 2.0 * top + after
    return float(0.5 * (before - after) / bend) if bend < 0.0 else 0.0


def true_rate_hz(
    recording: Recording,
    *,
    first_sample: float,
    second_sample: float,
    apart_s: float,
    lasting_s: float,
) -> float:
    """The recorder's rate by the player's clock, Hz, from one thing that was played twice.

    The two begin at about the samples given and were played `apart_s` apart; `lasting_s` from
    each beginning is compared. What happens to them on the way happens to both alike.
    """
    count = int(lasting_s * recording.sample_rate_hz)
    one, two = int(first_sample), int(second_sample)
    late_s = delay_between(
        centred(recording, one, count),
        centred(recording, two, count),
        sample_rate_hz=recording.sample_rate_hz,
    )
    measured = two - one + late_s * recording.sample_rate_hz
    return measured / apart_s


def drift_ppm(result: Gated, excitation: Excitation) -> float | None:
    """How much faster the recorder's clock seems to run, ppm, read from the response alone.

    A clock difference delays each frequency by ε times the moment it was played. What is not
    minimum phase of the response is turned back by that until its impulse is sharpest. None where
    it cannot be told: the moment has no one answer, or nothing above 2 kHz stands clear of noise.
    """
    frequency_hz = result.frequency_hz
    played_s = excitation.played_at_s(frequency_hz)
    if played_s is None or frequency_hz.size < 64:
        return None
    power = np.abs(result.response) ** 2
    clear = power > 100.0 * result.noise_power(frequency_hz)
    if not np.any(clear & (frequency_hz > 2_000.0)):
        return None
    step_hz = float(frequency_hz[1] - frequency_hz[0])
    turn = 2e-6 * np.pi * np.cumsum(played_s - played_s[-1]) * step_hz
    excess = np.where(clear, np.exp(1j * (np.angle(result.response) - _minimum_phase(result))), 0.0)
    # What is sharp is short: bins 8 Hz apart see an eighth of a second, and are quick.
    few = slice(None, None, max(1, int(8.0 / step_hz)))
    rough, rough_turn = excess[few], turn[few]
    size = good_length(2 * rough.size)
    best_ppm, span_ppm = 0.0, DRIFT_PPM_MAX
    while span_ppm > 0.02:
        tried = best_ppm + span_ppm * np.linspace(-1.0, 1.0, 61)
        sharp = [
            np.abs(np.fft.ifft(rough * np.exp(1j * rough_turn * ppm), size)).max() for ppm in tried
        ]
        best_ppm = float(tried[int(np.argmax(sharp))])
        span_ppm /= 20.0
    rest = excess * np.exp(1j * turn * best_ppm)
    found_ppm = best_ppm + _slope_ppm(frequency_hz, rest, turn, clear)
    return found_ppm if abs(found_ppm) <= DRIFT_PPM_MAX else None


def _slope_ppm(
    frequency_hz: Array, excess: Complex, turn: Array, clear: NDArray[np.bool_]
) -> float:
    """What remains of a clock difference in the excess phase, ppm, by least squares.

    Below 0.4 of the top, where the ends of the data do not tell in the minimum phase but as a
    delay and its cube, and above 500 Hz, where an all-pass of the system's has become a delay, a
    constant and what falls as 1/f.
    """
    top_hz = float(frequency_hz[clear].max())
    edges = np.geomspace(max(500.0, 0.02 * top_hz), 0.4 * top_hz, 161)
    first = np.searchsorted(frequency_hz, edges)
    count = np.diff(first)
    if np.any(count < 1):
        return 0.0
    mean = np.add.reduceat(excess, first)[:-1]
    weight = np.abs(mean) / count
    phase = np.unwrap(np.angle(mean))
    at = np.sqrt(edges[1:] * edges[:-1]) / top_hz
    ramp = np.interp(at * top_hz, frequency_hz, turn)
    basis = np.column_stack((ramp, at, at**3, np.ones(at.size), 1.0 / at))
    scale = np.abs(basis).max(axis=0)
    found, *_ = np.linalg.lstsq(basis / scale * weight[:, None], -phase * weight, rcond=None)
    return float(found[0] / scale[0])


def _minimum_phase(result: Gated) -> Array:
    """The phase that the magnitude asks for, its ends held outside the data, rad, (n,)."""
    frequency_hz = result.frequency_hz
    step_hz = float(frequency_hz[1] - frequency_hz[0])
    below = max(0, round(float(frequency_hz[0]) / step_hz))
    log = np.log(np.maximum(np.abs(result.response), 1e-4 * np.abs(result.response).max()))
    half = np.concatenate((np.full(below, log[0]), log, np.full(log.size // 8, log[-1])))
    cepstrum = np.fft.irfft(half)
    fold = np.zeros(cepstrum.size)
    fold[0] = 1.0
    fold[1 : (cepstrum.size + 1) // 2] = 2.0
    phase = np.imag(np.fft.rfft(cepstrum * fold))
    return np.asarray(phase[below : below + log.size])
