"""Exponential sweeps in closed form: samples at any rate, their spectrum on any bins.

The phase is that of the synchronised form, x(t) = sin(2π·f1·L·e^(t/L)) with L = T/ln(f2/f1)
(Novak, Lotton and Simon, JAES 63(10), 2015): harmonic k is the same sweep, L·ln k earlier. Since
everything is known in closed form a sweep is evaluated anew for another sample rate or another
clock, never resampled.
"""

from __future__ import annotations

import math

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.problems import Refused
from xover.model.signals import SweepShape
from xover.model.units import show_hz

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

OVERSAMPLED_TO = 0.46
"""A sweep that ends above this part of the sample rate is evaluated at a multiple of it."""


def sweep_shape(
    start_hz: float,
    stop_hz: float,
    duration_s: float,
    *,
    fade_in_s: float | None = None,
    fade_out_s: float | None = None,
) -> SweepShape:
    """A sweep with fades that suit it, where none are given.

    In: two periods of the start frequency, up to eight where the sweep takes longer over an eighth
    of an octave, at most a twentieth of the duration; out: ten milliseconds or twenty periods of
    the stop frequency, at most a twentieth. Raises `Refused`
    where the frequencies do not rise, the duration is below 0.05 s, or the fades overlap.
    """
    if not 0.0 < start_hz < stop_hz:
        raise Refused.at(
            "", f"a sweep rises: its start of {show_hz(start_hz) if start_hz > 0 else start_hz} "
            f"must lie above 0 and below its stop of {show_hz(max(stop_hz, 1e-9))}",
        )  # fmt: skip
    if not 0.05 <= duration_s <= 600.0:
        raise Refused.at("", f"a sweep lasts between 0.05 and 600 s, not {duration_s:g} s")
    most_s = duration_s / 20.0
    if fade_in_s is None:
        slow_s = duration_s / (8.0 * math.log2(stop_hz / start_hz))
        fade_in_s = min(max(2.0 / start_hz, min(8.0 / start_hz, slow_s)), most_s)
    if fade_out_s is None:
        fade_out_s = min(max(0.01, 20.0 / stop_hz), most_s)
    if fade_in_s < 0.0 or fade_out_s < 0.0 or fade_in_s + fade_out_s > duration_s:
        raise Refused.at("", "the fades must not be negative, nor longer than the sweep together")
    return SweepShape(
        start_hz=start_hz,
        stop_hz=stop_hz,
        duration_s=duration_s,
        fade_in_s=fade_in_s,
        fade_out_s=fade_out_s,
    )


def sweep_samples(shape: SweepShape, *, sample_rate_hz: float, offset_s: float = 0.0) -> Array:
    """The sweep with peak 1.0, shape (n,), sample 0 at `offset_s` after its start."""
    count = max(0, math.ceil((shape.duration_s - offset_s) * sample_rate_hz))
    time_s = np.arange(count) / sample_rate_hz + offset_s
    rate_s = shape.rate_s
    samples = np.sin(2.0 * np.pi * shape.start_hz * rate_s * np.exp(time_s / rate_s))
    return np.asarray(samples * envelope(shape, time_s))


def envelope(shape: SweepShape, time_s: Array) -> Array:
    """The fades, halves of a Hann window, at times (n,) after the sweep's start."""
    gain = np.where((time_s >= 0.0) & (time_s <= shape.duration_s), 1.0, 0.0)
    for fade_s, into_s in (
        (shape.fade_in_s, time_s),
        (shape.fade_out_s, shape.duration_s - time_s),
    ):
        if fade_s > 0.0:
            gain *= np.sin(0.5 * np.pi * np.clip(into_s / fade_s, 0.0, 1.0)) ** 2
    return np.asarray(gain)


def sweep_spectrum(shape: SweepShape, *, sample_rate_hz: float, length: int) -> Complex:
    """The spectrum of the sweep at the bins k·fs/length, shape (length//2 + 1,).

    In units of samples at `sample_rate_hz`, as the transform of samples taken at that rate, but
    what lies above half of it is not folded down: a recorder's filter would not either.
    """
    times = 1
    while shape.stop_hz > OVERSAMPLED_TO * times * sample_rate_hz:
        times += 1
    samples = sweep_samples(shape, sample_rate_hz=times * sample_rate_hz)
    if samples.size > times * length:
        raise Refused.at("", "the recording is shorter than the sweep")
    spectrum = np.fft.rfft(samples, times * length)[: length // 2 + 1]
    return np.asarray(spectrum / times)


def closed_form_spectrum(
    shape: SweepShape, frequency_hz: Array, *, sample_rate_hz: float
) -> Complex:
    """½·fs·√(L/f)·e^{j(2πfL(1 − ln(f/f1)) − π/4)}, shape (n,): the spectrum without its ends.

    In units of samples (Novak, Lotton and Simon, JAES 63(10), 2015; fades and ripple left out).
    """
    rate_s = shape.rate_s
    turn = 2.0 * np.pi * frequency_hz * rate_s * (1.0 - np.log(frequency_hz / shape.start_hz))
    size = 0.5 * sample_rate_hz * np.sqrt(rate_s / frequency_hz)
    return np.asarray(size * np.exp(1j * (turn - np.pi / 4.0)))


class Reach(Struct, frozen=True):
    """From where to where a sweep says something: full between `low_hz` and `high_hz`."""

    edge_low_hz: float
    low_hz: float
    high_hz: float
    edge_high_hz: float


def reach(shape: SweepShape) -> Reach:
    """Where the fades have let the sweep come to half, and where it is whole, Hz.

    Where a fade is shorter than a twentieth of an octave the flank takes that much.
    """
    step = 2.0**0.05
    half_low = shape.frequency_hz(0.5 * shape.fade_in_s)
    half_high = shape.frequency_hz(shape.duration_s - 0.5 * shape.fade_out_s)
    whole_low = max(shape.frequency_hz(shape.fade_in_s), half_low * step)
    whole_high = min(shape.frequency_hz(shape.duration_s - shape.fade_out_s), half_high / step)
    return Reach(half_low, whole_low, whole_high, half_high)


def good_length(count: int) -> int:
    """The smallest even number ≥ `count` with no prime factor above 5: quick to transform."""
    best = 1 << max(1, (count - 1).bit_length())
    five = 1
    while five < 2 * best:
        three = five
        while three < 2 * best:
            two = three * 2
            while two < count:
                two *= 2
            best = min(best, two)
            three *= 3
        five *= 5
    return best
