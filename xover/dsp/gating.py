"""Keeping of a deconvolved response what is response: each octave until it meets the noise.

Harmonic products stand at negative times and noise everywhere; low frequencies ring longer than
high ones, so the time that is kept is settled octave by octave. The octaves overlap and add up
to one, and nothing else is altered.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.dsp.sweep import Reach, good_length

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

ABOVE_NOISE = 4.0
"""Kept up to the last time at which the power, smoothed, is four times (6 dB above) the noise's.
Our own choice."""
RING_PERIODS = 12.0
"""At least so many periods are kept, and half as many before: an octave's own flanks ring that
long. Our own choice."""
RING_FLANKS = 2.0
"""The ends of the sweep's reach ring for this over the width of their flank. Our own choice."""
SHORTEST_S = 0.02
"""At least so much is kept after the direct sound. Our own choice."""
FADE = 0.2
"""The last fifth of what is kept fades out along half a Hann window."""
PRE_HARMONIC = 0.5
"""Before the direct sound at most this part of the way to the second harmonic is kept."""
SIGNIFICANT = 4.0
"""A harmonic counts where its power exceeds the noise's in its window by so many times the spread
that a mean over that many independent values has. Our own choice."""
DISTORTION_WITHIN_DB = 20.0
"""Distortion is told where the fundamental is within 20 dB of its largest. Our own choice."""


class Octave(Struct, frozen=True, eq=False):
    """What was found in one octave about `centre_hz`."""

    centre_hz: float
    peak_s: float
    """When its smoothed power is largest."""
    kept_s: tuple[float, float]
    """From where to where it is kept, whole."""
    signal: float
    """Largest smoothed power of its analytic signal."""
    noise: float
    """Mean power of the noise of its analytic signal."""
    bin_noise: float
    """Noise power in a bin of the response, after gating."""
    noise_per_s: float
    """Noise power in a bin for each second that is kept."""
    kept: float
    """Mean power over the octave's bins of what is kept, noise taken off."""
    spread: float
    """The same of what stands at all other times, as far as it is surely more than noise."""


class Gated(Struct, frozen=True, eq=False):
    """A response after gating, on every `step`-th bin; `octaves` in rising order."""

    frequency_hz: Array
    response: Complex
    octaves: tuple[Octave, ...]

    def noise_power(self, frequency_hz: Array, *, per_s: bool = False) -> Array:
        """The noise in a bin of the response as power, (n,); `per_s` per second that is kept."""
        centres = np.log([octave.centre_hz for octave in self.octaves])
        known = [o.noise_per_s if per_s else o.bin_noise for o in self.octaves]
        levels = np.log(np.maximum(known, 1e-300))
        return np.asarray(np.exp(np.interp(np.log(frequency_hz), centres, levels)))


def gated(
    response: Complex,
    *,
    sample_rate_hz: float,
    length: int,
    ends: Reach,
    rate_s: float | None,
    longest_s: float,
    fixed_s: float | None = None,
) -> Gated:
    """Keep of `response` (length//2 + 1,) what stands about time 0, octave by octave.

    Time 0 has to be at the direct sound. `longest_s` is the most that may be kept after it,
    `fixed_s` keeps so much of every octave; `rate_s` is the L of a sweep. The result has bins
    of at most 0.5 Hz.
    """
    duration_s = length / sample_rate_hz
    longest_s = min(longest_s, 0.6 * duration_s)
    harmonic_s = duration_s if rate_s is None else PRE_HARMONIC * rate_s * np.log(2.0)
    step_hz = sample_rate_hz / length
    kept = np.zeros_like(response)
    octaves = []
    count = max(1, round(np.log2(ends.edge_high_hz / ends.low_hz)))
    centres = np.geomspace(ends.low_hz, ends.edge_high_hz, count + 1)
    width = np.log2(centres[1] / centres[0])
    earliest_s = 0.0
    for index, centre_hz in enumerate(centres):
        first = max(1, int(centre_hz * 2.0**-width / step_hz))
        last = min(kept.size - 1, int(centre_hz * 2.0**width / step_hz) + 1)
        if index == 0:
            first = max(1, int(ends.edge_low_hz / step_hz))
        away = np.log2(np.arange(first, last) * step_hz / centre_hz) / width
        if index == 0:
            away = np.maximum(away, 0.0)
        if index == count:
            away = np.minimum(away, 0.0)
        weight = np.cos(0.5 * np.pi * np.clip(away, -1.0, 1.0)) ** 2
        points = good_length(2 * (last - first))
        # Only the bins of the octave are transformed: its analytic signal at a rate of its own.
        signal = np.fft.ifft(response[first:last] * weight, points)
        time_s = np.arange(points, dtype=np.float64) * (duration_s / points)
        time_s[time_s > longest_s] -= duration_s
        # The lowest octave has no second harmonic in it, so its flank may ring before time 0.
        before_s = min(0.5 * RING_PERIODS / centre_hz + 0.002, harmonic_s)
        least_s = max(RING_PERIODS / centre_hz, SHORTEST_S)
        if index == 0:
            ring_s = RING_FLANKS / (ends.low_hz - ends.edge_low_hz)
            before_s = min(max(before_s, ring_s), 0.4 * duration_s)
            least_s = max(least_s, ring_s)
        if index == count:
            ring_s = RING_FLANKS / (ends.edge_high_hz - ends.high_hz)
            before_s = min(max(before_s, ring_s), max(before_s, harmonic_s))
            least_s = max(least_s, ring_s)
        octave, window = _octave(
            signal, time_s, centre_hz, (before_s, least_s, longest_s), duration_s, fixed_s,
            share=float(np.sum(weight**2)) / points,
        )  # fmt: skip
        octaves.append(octave)
        earliest_s = max(earliest_s, 1.3 * before_s)
        back = np.fft.fft(signal * window)
        kept[first:last] += back[: last - first]
        kept[last : last + (points - last + first) // 2] += back[
            last - first : min(last - first + (points - last + first) // 2, kept.size - first)
        ]
        below = min(first, points - (last - first) - (points - last + first) // 2)
        if below > 0:
            kept[first - below : first] += back[points - below :]
    needed_s = earliest_s + max(octave.kept_s[1] for octave in octaves) / (1.0 - FADE)
    step = max(1, min(int(duration_s / needed_s), int(0.5 / step_hz)))
    frequency_hz = np.arange(kept.size, dtype=np.float64) * step_hz
    inside = np.flatnonzero((frequency_hz >= ends.low_hz) & (frequency_hz <= ends.high_hz))[::step]
    return Gated(frequency_hz[inside], kept[inside], tuple(octaves))


def _octave(
    signal: Complex,
    time_s: Array,
    centre_hz: float,
    spans_s: tuple[float, float, float],
    duration_s: float,
    fixed_s: float | None,
    *,
    share: float,
) -> tuple[Octave, Array]:
    """What one octave's analytic signal (n,) holds, and the window (n,) that keeps it.

    `spans_s` are the time kept before the direct sound, the least and the most after it; `share`
    is the mean of the octave's squared weight over the signal's bins.
    """
    before_s, least_s, longest_s = spans_s
    power = np.abs(signal) ** 2
    spacing_s = duration_s / power.size
    reach = max(1, round(0.5 * max(0.01, 3.0 / centre_hz) / spacing_s))
    ringed = np.concatenate((power[-reach:], power, power[:reach]))
    sums = np.concatenate(([0.0], np.cumsum(ringed)))
    smooth = np.maximum((sums[2 * reach + 1 :] - sums[: -2 * reach - 1]) / (2 * reach + 1), 0.0)
    quiet = (time_s < -1.5 * before_s) | (time_s > longest_s)
    # The power of Gaussian noise is exponentially distributed: its median is ln 2 of its mean.
    noise = float(np.median(power[quiet])) / np.log(2.0) if quiet.any() else 0.0
    about = (time_s >= -before_s) & (time_s <= longest_s)
    peak = int(np.argmax(np.where(about, smooth, -1.0)))
    loud = about & (smooth > ABOVE_NOISE * noise)
    end_s = float(time_s[loud].max()) if loud.any() else 0.0
    end_s = max(1.2 * end_s, least_s)
    end_s = min(end_s, longest_s) if fixed_s is None else fixed_s
    flat_s = (1.0 - FADE) * end_s if fixed_s is not None else end_s
    window = _flank((time_s + 1.3 * before_s) / (0.3 * before_s)) * _flank(
        (flat_s / (1.0 - FADE) - time_s) / (flat_s * FADE / (1.0 - FADE))
    )
    energy = float(np.sum(window**2))
    inside = (time_s >= -1.3 * before_s) & (time_s <= flat_s / (1.0 - FADE))
    # Power per bin of the response: Parseval over the signal, then over the octave's weight.
    per_bin = power.size / (share * power.size)
    strange = float(np.sum(power[~inside] - noise)) * per_bin
    unsure = 6.0 * noise * np.sqrt(np.count_nonzero(~inside)) * per_bin
    octave = Octave(
        centre_hz=float(centre_hz),
        peak_s=float(time_s[peak]),
        kept_s=(-before_s, flat_s),
        signal=float(smooth[peak]),
        noise=noise,
        bin_noise=noise * energy / share,
        noise_per_s=noise * power.size / duration_s / share,
        kept=max(float(np.sum(power[inside] - noise)) * per_bin, 0.0),
        spread=max(strange - unsure, 0.0),
    )
    return octave, window


def _flank(position: Array) -> Array:
    return np.asarray(np.sin(0.5 * np.pi * np.clip(position, 0.0, 1.0)) ** 2)


class Harmonic(Struct, frozen=True, eq=False):
    """One distortion product against the frequency that was played, octave by octave."""

    order: int
    frequency_hz: Array
    """The fundamental's, octave centres."""
    ratio: Array
    """Amplitude against the fundamental's; NaN where nothing is said."""
    floor: Array
    """What noise alone would read."""


def harmonics(
    response: Complex,
    result: Gated,
    *,
    sample_rate_hz: float,
    length: int,
    ends: Reach,
    rate_s: float,
    orders: tuple[int, ...] = (2, 3, 4, 5),
) -> tuple[Harmonic, ...]:
    """Harmonic products of a sweep from the times −L·ln k, as shares of the fundamental.

    Harmonic k of the frequency f is read at k·f from what stands between the products of order
    k + 1 and k − 1. Power averages over octaves about the octave mid-bands.
    """
    impulse = np.fft.irfft(response, length)
    found = []
    loudest = float(np.max(np.abs(result.response)) ** 2)
    centres = 1000.0 * np.exp2(np.arange(-6.0, 5.0))
    for order in orders:
        at_s = rate_s * np.log(order)
        before_s = 0.4 * rate_s * np.log((order + 1) / order)
        after_s = 0.5 * rate_s * np.log(order / (order - 1))
        window_s = before_s + after_s
        count = int(window_s * sample_rate_hz)
        start = round((-at_s - before_s) * sample_rate_hz)
        piece = impulse[np.arange(start, start + count) % length]
        place = np.arange(count) / max(count, 1)
        piece = piece * np.minimum(_flank(place / 0.1), _flank((1.0 - place) / 0.2))
        size = good_length(max(count, 64))
        power = np.abs(np.fft.rfft(piece, size)) ** 2
        own_hz = np.arange(power.size) * (sample_rate_hz / size)
        ratio, floor = np.full(centres.size, np.nan), np.full(centres.size, np.nan)
        for index, centre_hz in enumerate(centres):
            low_hz, high_hz = centre_hz / np.sqrt(2.0), centre_hz * np.sqrt(2.0)
            if low_hz < 0.98 * ends.low_hz or order * high_hz > ends.high_hz:
                continue
            played = (result.frequency_hz >= low_hz) & (result.frequency_hz < high_hz)
            heard = (own_hz >= order * low_hz) & (own_hz < order * high_hz)
            if not played.any() or not heard.any():
                continue
            base = float(np.mean(np.abs(result.response[played]) ** 2))
            noise = float(result.noise_power(np.array([order * centre_hz]), per_s=True)[0])
            noise *= window_s * 0.85
            excess = float(np.mean(power[heard]))
            if base < loudest * 10.0 ** (-DISTORTION_WITHIN_DB / 10.0):
                continue
            independent = max(1.0, order * (high_hz - low_hz) * window_s)
            limit = noise * (1.0 + SIGNIFICANT / np.sqrt(independent))
            ratio[index] = np.sqrt((excess - noise) / base) if excess > limit else 0.0
            floor[index] = np.sqrt(limit / base)
        found.append(Harmonic(order, centres, ratio, floor))
    return tuple(found)
