"""What an engineer reads off an impulse response: onset, polarity, noise floor, end of the decay.

Display aids: nothing here alters a response, and nothing is computed from these figures.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.units import plain, show_ms

Array = NDArray[np.float64]

ONSET_DB = -20.0
"""The onset is where the response first comes within 20 dB of its peak (ISO 3382-1's start of an
impulse response, quoted from memory)."""
DOUBT_DB = 3.0
"""Polarity is in doubt where the opposite half wave is at most this much smaller. Common practice,
no source."""
ARRIVAL_S = 0.4
"""The first arrival is over within this time after the onset."""
FALLEN = 0.5
"""It is over where the envelope has fallen to half (6 dB) of its first maximum."""
HARDLY_DB = -20.0
"""A peak so little above the noise, and no decay, is hardly that of an impulse response. Common
practice, no source."""
SILENCE_DB = -180.0
"""A tail further below the peak is digital silence, no noise floor."""
BLOCK_S = 0.03
"""First averaging interval of the decay, halved until six of them lie above the noise."""
FIRST_BLOCKS = 6
PER_10_DB = 5
"""Later averaging intervals a decay of 10 dB, and steps at most."""
TAIL = 0.1
"""The part at the end that is taken for noise first, and at least."""


class ImpulseFigures(Struct, frozen=True):
    """Times count from sample 0, levels are against the largest |sample|."""

    onset_ms: float
    positive: bool
    """The sign of the largest half wave of the first arrival."""
    opposite_db: float | None
    """Level of the largest half wave of the other sign against it; None where there is none."""
    noise_floor_db: float | None
    """None where the file ends in digital silence, or before the decay meets noise."""
    decay_end_ms: float | None
    """Where the decay meets the noise floor."""
    cut: bool = False
    """Whether the file ends before the decay has met a noise floor."""

    @property
    def polarity_in_doubt(self) -> bool:
        """Whether another half wave is nearly as large, as in a narrow band."""
        return self.opposite_db is not None and self.opposite_db >= -DOUBT_DB

    def sentences(self) -> tuple[str, ...]:
        """What is shown of them."""
        sign = "positive" if self.positive else "negative"
        if self.opposite_db is None:
            polarity = f"polarity of the first arrival: {sign}"
        elif self.polarity_in_doubt:
            polarity = (
                f"polarity of the first arrival: {sign}, but in doubt, since the opposite half "
                f"wave is only {plain(-self.opposite_db, 1)} dB smaller, as in a narrow band"
            )
        else:
            polarity = (
                f"polarity of the first arrival: {sign}, the opposite half wave "
                f"{plain(-self.opposite_db, 1)} dB smaller"
            )
        if self.cut:
            return polarity, "the file ends before the decay has met a noise floor"
        if self.noise_floor_db is None:
            return polarity, "the file ends in digital silence: no noise floor to be found"
        noise = f"noise floor {plain(-self.noise_floor_db, 1)} dB below the peak"
        if self.decay_end_ms is None and self.noise_floor_db > HARDLY_DB:
            return polarity, (
                f"{noise}, and nothing decays: this hardly is an impulse response (two channels of "
                "a programme need --reference)"
            )
        if self.decay_end_ms is None:
            return polarity, f"{noise}; the decay is too short to tell where it meets it"
        return polarity, f"{noise}; the decay meets it at {show_ms(self.decay_end_ms, 0)}"


def figures_of(
    samples: Array, *, sample_rate_hz: float, onset: int | None = None
) -> ImpulseFigures:
    """The figures of an impulse response (n,), not silent; `onset` (a sample) where it is known."""
    onset = onset_sample(samples) if onset is None else onset
    positive, opposite_db = _polarity(samples, onset, sample_rate_hz)
    noise_db, end, cut = _decay(samples, sample_rate_hz)
    ms = 1000.0 / sample_rate_hz
    return ImpulseFigures(
        onset_ms=onset * ms,
        positive=positive,
        opposite_db=opposite_db,
        noise_floor_db=noise_db,
        decay_end_ms=None if end is None else end * ms,
        cut=cut,
    )


def onset_sample(samples: Array) -> int:
    """The first sample of (n,) within 20 dB of the largest."""
    level = np.abs(samples)
    return int(np.argmax(level >= level.max() * 10.0 ** (ONSET_DB / 20.0)))


def _polarity(samples: Array, onset: int, rate_hz: float) -> tuple[bool, float | None]:
    """The sign of the first arrival's largest half wave, and the other sign's level against it."""
    reach = int(ARRIVAL_S * rate_hz)
    start = max(0, onset - reach // 4)
    part = samples[start : onset + reach]
    envelope = _envelope(part)
    first = onset - start
    top = np.maximum.accumulate(envelope[first:])
    over = envelope[first:] < FALLEN * top
    # Until the envelope has come within 6 dB of the onset's height there is no arrival yet.
    over &= top >= np.abs(part[first])
    stop = first + (int(np.argmax(over)) if over.any() else over.size)
    arrival = part[first : max(stop, first + 1)]
    main = float(arrival[np.argmax(np.abs(arrival))])
    # The half wave after the last one counts too: it is as long as the arrival at most.
    around = np.sign(main) * part[max(0, 2 * first - stop) : 2 * stop - first]
    other = -float(around.min())
    return main > 0.0, 20.0 * float(np.log10(other / abs(main))) if other > 0.0 else None


def _envelope(samples: Array) -> Array:
    """The magnitude of the analytic signal (n,), zeros on both sides."""
    length = 1 << (2 * samples.size).bit_length()
    spectrum = np.fft.fft(samples, length)
    spectrum[1 : length // 2] *= 2.0
    spectrum[length // 2 + 1 :] = 0.0
    return np.asarray(np.abs(np.fft.ifft(spectrum))[: samples.size])


def _decay(samples: Array, rate_hz: float) -> tuple[float | None, float | None, bool]:
    """Noise floor in dB re peak, sample where the decay meets it, whether the file ends before.

    Iterative truncation after Lundeby et al. 1995 (from memory): a straight line through the
    averaged level of the late decay and the level of the noise behind their crossing, each from
    the other in turn.
    """
    peak = int(np.argmax(np.abs(samples)))
    power = (samples[peak:] / samples[peak]) ** 2
    block = max(1, int(BLOCK_S * rate_hz))
    if power.size < 20 * block:
        block = max(1, power.size // 20)
    tail = power[int((1.0 - TAIL) * power.size) :]
    noise = float(tail.mean())
    if 10.0 * np.log10(max(noise, 1e-300)) < SILENCE_DB:
        return None, None, False
    level_db = _levels(power, block)
    above = _until(level_db, 10.0 * np.log10(noise) + 10.0)
    while above < FIRST_BLOCKS and block > 0.001 * rate_hz:
        block //= 2
        level_db = _levels(power, block)
        above = _until(level_db, 10.0 * np.log10(noise) + 10.0)
    if above < 3:
        return 10.0 * float(np.log10(noise)), None, False
    slope, offset = _line(level_db[:above], block)
    cross = float(power.size)
    for _ in range(PER_10_DB + 1):
        if slope >= 0.0:
            return 10.0 * float(np.log10(noise)), None, False
        before, cross = cross, (10.0 * np.log10(noise) - offset) / slope
        per_10_db = -10.0 / slope
        block = max(1, int(per_10_db / PER_10_DB))
        behind = int(min(cross + per_10_db, (1.0 - TAIL) * power.size))
        noise = float(power[max(behind, 0) :].mean())
        floor_db = 10.0 * float(np.log10(max(noise, 1e-300)))
        level_db = _levels(power, block)
        low, high = _until(level_db, floor_db + 7.0), _until(level_db, floor_db + 27.0)
        if low - high < 3:
            high = max(0, low - 3)
        if low - high < 2:
            break
        # Less the noise's own share, which would flatten the line.
        own_db = _levels(power, block, less=noise)[high:low]
        slope, offset = _line(own_db, block, high)
        if abs(cross - before) < 0.01 * rate_hz:
            break
    floor_db = 10.0 * float(np.log10(max(noise, 1e-300)))
    if slope < 0.0:
        cross = (floor_db - offset) / slope
    if cross > (1.0 - TAIL) * power.size:
        return None, None, True
    return floor_db, peak + max(cross, 0.0), False


def _levels(power: Array, block: int, *, less: float = 0.0) -> Array:
    whole = power[: power.size // block * block].reshape(-1, block).mean(axis=1) - less
    return np.asarray(10.0 * np.log10(np.maximum(whole, 1e-300)))


def _until(level_db: Array, floor_db: float) -> int:
    """How many blocks come before the first one at or below `floor_db`."""
    under = level_db <= floor_db
    return int(np.argmax(under)) if under.any() else int(level_db.size)


def _line(level_db: Array, block: int, first: int = 0) -> tuple[float, float]:
    """Least-squares line through block middles: dB a sample, dB at sample 0."""
    middle = (np.arange(level_db.size) + first + 0.5) * block
    slope = np.sum((middle - middle.mean()) * (level_db - level_db.mean()))
    slope /= np.sum((middle - middle.mean()) ** 2)
    return float(slope), float(level_db.mean() - slope * middle.mean())
