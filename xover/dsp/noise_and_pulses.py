"""Test signals besides sweeps: pink noise of a stated crest factor, pulses, steps of level.

Samples only, with peak or rms as asked; nothing here knows levels in a system.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from xover.dsp.sweep import good_length
from xover.model.problems import Refused
from xover.model.units import plain, show_hz

Array = NDArray[np.float64]

CREST_TURNS = 400
"""The most turns of clipping and putting the spectrum back."""
CREST_WITHIN_DB = 0.05
"""A crest factor is reached within this."""
CREST_DB = (6.0, 14.0)
"""Crest factors that pink noise is brought to. Our own choice; plain Gaussian noise of a minute
has some 13 dB."""


def pink_noise(
    low_hz: float,
    high_hz: float,
    *,
    crest_db: float,
    duration_s: float,
    sample_rate_hz: float,
    seed: int,
) -> Array:
    """Noise of equal power in every octave from `low_hz` to `high_hz`, rms 1, shape (n,).

    Its magnitude is exactly 1/√f between the ends, which fall off over a twelfth of an octave
    inside the band; the phases are drawn with `seed`. The noise is periodic, so it can be looped.
    The crest factor (peak against rms) is reached by clipping and putting the magnitude back in
    turns, so that only phases change. Raises `Refused` where it is not reached.
    """
    if not 0.0 < low_hz * 1.2 < high_hz <= 0.49 * sample_rate_hz:
        raise Refused.at(
            "",
            f"noise from {show_hz(low_hz)} to {show_hz(high_hz)} does not fit below 0.49 of the "
            f"sample rate of {show_hz(sample_rate_hz)}, or is no band",
        )
    if not CREST_DB[0] <= crest_db <= CREST_DB[1]:
        raise Refused.at(
            "",
            f"a crest factor of {plain(crest_db, 1)} dB is not one that pink noise has; choose "
            f"{plain(CREST_DB[0], 0)} to {plain(CREST_DB[1], 0)} dB",
        )
    count = good_length(max(256, round(duration_s * sample_rate_hz)))
    frequency_hz = np.arange(count // 2 + 1) * (sample_rate_hz / count)
    octave = np.log2(np.maximum(frequency_hz, 1e-9))
    inside = np.minimum(octave - np.log2(low_hz), np.log2(high_hz) - octave) * 12.0
    magnitude = np.sin(0.5 * np.pi * np.clip(inside, 0.0, 1.0)) ** 2
    magnitude[1:] /= np.sqrt(frequency_hz[1:])
    magnitude[0] = magnitude[-1] = 0.0
    magnitude *= count / np.sqrt(2.0 * np.sum(magnitude**2))
    phase = np.random.default_rng(seed).uniform(-np.pi, np.pi, magnitude.size)
    samples = np.fft.irfft(magnitude * np.exp(1j * phase), count)
    wanted = 10.0 ** (crest_db / 20.0)
    held = None
    for _ in range(CREST_TURNS):
        peak = float(np.max(np.abs(samples)))
        if abs(20.0 * np.log10(peak) - crest_db) <= CREST_WITHIN_DB:
            return np.asarray(samples)
        if peak < wanted:
            # One turn went too far: the way between the last two has the peak that is wanted.
            if held is None:
                return _raised(samples, magnitude, wanted)
            samples = _between(held, samples, magnitude, wanted)
            break
        held = samples
        limit = max(0.985 * wanted, 0.7 * peak)
        spectrum = np.fft.rfft(np.clip(samples, -limit, limit))
        size = np.abs(spectrum)
        turned = np.divide(spectrum, size, out=np.ones_like(spectrum), where=size > 0.0)
        samples = np.fft.irfft(magnitude * turned, count)
    reached_db = 20.0 * np.log10(float(np.max(np.abs(samples))))
    if abs(reached_db - crest_db) > 2.0 * CREST_WITHIN_DB:
        raise Refused.at(
            "",
            f"a crest factor of {plain(crest_db, 1)} dB is not reached in this band, "
            f"{plain(reached_db, 1)} dB is; ask for that, for more, or for a wider band",
        )
    return np.asarray(samples)


def _between(before: Array, after: Array, magnitude: Array, wanted: float) -> Array:
    """Phases between those of two signals, such that the peak is `wanted`."""
    one, two = np.fft.rfft(before), np.fft.rfft(after)
    low, high = 0.0, 1.0
    samples = after
    for _ in range(20):
        middle = 0.5 * (low + high)
        mixed = one * (1.0 - middle) + two * middle
        size = np.abs(mixed)
        turned = np.divide(mixed, size, out=np.ones_like(mixed), where=size > 0.0)
        samples = np.fft.irfft(magnitude * turned, before.size)
        if float(np.max(np.abs(samples))) > wanted:
            low = middle
        else:
            high = middle
    return np.asarray(samples)


def _raised(samples: Array, magnitude: Array, wanted: float) -> Array:
    """Noise with too low a crest factor, its phases turned towards an impulse's until it has it."""
    count = samples.size
    peak = int(np.argmax(np.abs(samples)))
    impulse = np.exp(-2j * np.pi * np.arange(magnitude.size) * peak / count)
    impulse *= np.sign(samples[peak])
    target = np.fft.irfft(magnitude * impulse, count)
    return _between(target, samples, magnitude, wanted)


def band_pulse(low_hz: float, high_hz: float, *, sample_rate_hz: float) -> tuple[Array, int]:
    """A pulse within a band with peak +1 and its middle sample: samples (n,), index of the peak.

    Its spectrum is real and positive, flat over log frequency with flanks of 0.3 of the band at
    either end, so the main lobe is upward and every other one smaller: what is upright at the far
    end has its largest swing upward. Raises `Refused` for a band under 1.3 octaves, whose lobes
    are too much alike.
    """
    if not 0.0 < low_hz < high_hz <= 0.49 * sample_rate_hz:
        raise Refused.at(
            "", f"a pulse from {show_hz(low_hz)} to {show_hz(high_hz)} does not fit below 0.49 of "
            f"the sample rate of {show_hz(sample_rate_hz)}",
        )  # fmt: skip
    if high_hz < 2.5 * low_hz:
        raise Refused.at(
            "",
            f"from {show_hz(low_hz)} to {show_hz(high_hz)} is less than 1.3 octaves, where a "
            "pulse swings as far down as up; widen the band",
        )
    reach = int(np.ceil(3.0 * sample_rate_hz / low_hz))
    count = good_length(8 * reach)
    frequency_hz = np.arange(count // 2 + 1) * (sample_rate_hz / count)
    place = np.log(np.maximum(frequency_hz, 1e-9) / low_hz) / np.log(high_hz / low_hz)
    flank = np.clip(np.minimum(place, 1.0 - place) / 0.3, 0.0, 1.0)
    spectrum = np.sin(0.5 * np.pi * flank) ** 2
    samples = np.roll(np.fft.irfft(spectrum, count), count // 2)
    first, last = count // 2 - reach, count // 2 + reach + 1
    cut = samples[first:last] * np.hanning(last - first)
    return np.asarray(cut / cut.max()), reach


def lobe_ratio_db(pulse: Array) -> float:
    """How far the largest downward swing stands below the upward one, dB."""
    return float(20.0 * np.log10(pulse.max() / max(-pulse.min(), 1e-12)))


def level_steps(
    levels_db: Array,
    *,
    frequency_hz: float,
    hold_s: float,
    rest_s: float,
    sample_rate_hz: float,
) -> tuple[Array, NDArray[np.int64]]:
    """One sine held at one level after the other: samples (n,) and where each level begins (k,).

    0 dB is peak 1.0. Before each level and after the last there is a rest at the first, lowest
    level, in which a limiter can be watched as it lets go. Levels change where the sine passes
    zero, so that what happens within the first period belongs to the limiter. Holds and rests
    last whole periods. Raises `Refused` where a step is too short for its frequency.
    """
    if hold_s < 4.0 / frequency_hz:
        raise Refused.at(
            "",
            f"each step must last at least {plain(4.0 / frequency_hz, 3)} s at "
            f"{show_hz(frequency_hz)}",
        )
    period = sample_rate_hz / frequency_hz
    hold, rest = (max(1, round(one * frequency_hz)) for one in (hold_s, rest_s or 1e-9))
    cycles = np.zeros(levels_db.size * (hold + rest) + rest)
    first = rest + np.arange(levels_db.size) * (hold + rest)
    for start, level_db in zip(first, levels_db, strict=True):
        cycles[start : start + hold] = level_db
    is_held = np.zeros(cycles.size, dtype=np.bool_)
    for start in first:
        is_held[start : start + hold] = True
    cycles[~is_held] = levels_db[0]
    count = round(cycles.size * period)
    time = np.arange(count)
    at = np.minimum((time / period).astype(np.int64), cycles.size - 1)
    samples = 10.0 ** (cycles[at] / 20.0) * np.sin(
        2.0 * np.pi * frequency_hz * time / sample_rate_hz
    )
    edge = max(round(0.005 * sample_rate_hz), round(period))
    fade = np.sin(0.5 * np.pi * np.arange(edge) / edge) ** 2
    samples[:edge] *= fade
    samples[-edge:] *= fade[::-1]
    return np.asarray(samples), np.round(first * period).astype(np.int64)
