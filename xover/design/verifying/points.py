"""A capture condensed for comparison: one point a forty-eighth of an octave, with its uncertainty.

The bulk delay is taken out, bins are averaged as complex numbers, and the noise is read off how
much neighbouring bins differ once the smooth course is taken away.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from xover.dsp.axis import ComplexArray, FloatArray
from xover.dsp.captured import CapturedResponse, bulk_delay_ms, with_delay_out
from xover.model.problems import Refused
from xover.model.units import show_hz

POINTS_PER_OCTAVE = 48
NOISE_OCTAVES = 1.0 / 6.0
"""The noise is averaged over this much to either side."""
USABLE = 0.15
"""A point is used while its noise is below this part of it (−16.5 dB)."""
FLOOR = 1e-4
"""No capture is believed below this part of its loudest point (−80 dB): there last bits, the gate
of a sweep and what leaks past stand for a response. Common practice, no source."""
POINTS_MIN = 24
LOW_HZ, HIGH_HZ = 20.0, 20_000.0


class Points(Struct, frozen=True, eq=False):
    """A capture at `frequency_hz` (n,): `response` (n,) without `delay_ms`; `noise` (n,) relative.

    `noise` is the standard deviation of either part of ln C.
    """

    frequency_hz: FloatArray
    response: ComplexArray
    noise: FloatArray
    delay_ms: float
    resolution_hz: float = 0.0
    """The closest that two points of the capture stood: 1/length for an impulse response."""
    shares_time: bool = True
    """Whether `delay_ms` counts from a time zero that other captures of the session have too."""
    is_clipped: bool = False
    """Whether samples of the recording stand at full scale."""


def condense(captured: CapturedResponse, *, top_hz: float, name: str) -> Points:
    """The points of a capture from 20 Hz to 20 kHz or `top_hz`.

    Raises `Refused` where there is no phase, no signal, or too little above the noise.
    """
    if captured.phase_deg is None:
        raise Refused.at(
            "", f"{name} has no phase; a comparison needs magnitude and phase of the same capture"
        )
    if captured.delay_ms == 0.0:  # text keeps its latency in the phase column
        captured = with_delay_out(captured, bulk_delay_ms(captured))
    inside = (captured.frequency_hz >= LOW_HZ * 0.99) & (
        captured.frequency_hz <= min(HIGH_HZ * 1.001, top_hz)
    )
    frequency = captured.frequency_hz[inside]
    if frequency.size < POINTS_MIN:
        raise Refused.at("", f"{name} has only {frequency.size} points between 20 Hz and 20 kHz")
    response = captured.without_delay[inside]
    noise = np.hypot(_noise(frequency, response), FLOOR * np.max(np.abs(response)))
    if captured.coherence is not None:
        # Random error of an estimate with coherence γ²: √((1 − γ²)/2γ²) of one average, of sixteen
        # a quarter; captures of two channels hold at least so many windows.
        gamma = np.clip(captured.coherence[inside], 1e-6, 1.0)
        noise = np.maximum(noise, np.abs(response) * np.sqrt((1.0 - gamma) / (32.0 * gamma)))
    cell = np.floor(np.log2(frequency / LOW_HZ) * POINTS_PER_OCTAVE).astype(np.intp)
    starts = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
    count = np.diff(np.append(starts, cell.size)).astype(np.float64)
    mean: ComplexArray = np.asarray(np.add.reduceat(response, starts) / count, dtype=np.complex128)
    centre = np.add.reduceat(frequency, starts) / count
    spread = np.sqrt(np.add.reduceat(noise**2, starts)) / count
    relative = spread / np.maximum(np.abs(mean), 1e-300)
    good = relative < USABLE
    if good.sum() < POINTS_MIN:
        raise Refused.at(
            "",
            f"{name} is too noisy or too short: only {int(good.sum())} of {good.size} points stand "
            "out of the noise",
        )
    resolution_hz = float(np.min(np.diff(frequency)))
    return Points(
        centre[good],
        mean[good],
        relative[good],
        captured.delay_ms,
        resolution_hz,
        captured.shares_time,
        captured.is_clipped,
    )


def divided(points: Points, loop: Points) -> Points:
    """A capture with the measuring loop's own response taken out, where both have points."""
    low = max(points.frequency_hz[0], loop.frequency_hz[0])
    high = min(points.frequency_hz[-1], loop.frequency_hz[-1])
    keep = (points.frequency_hz >= low) & (points.frequency_hz <= high)
    if keep.sum() < POINTS_MIN:
        raise Refused.at(
            "",
            f"the capture and the loop share too little: {show_hz(float(low))} to "
            f"{show_hz(float(high))}",
        )
    at = np.log(points.frequency_hz[keep])
    known = np.log(loop.frequency_hz)
    log = np.interp(at, known, np.log(np.abs(loop.response))) + 1j * np.interp(
        at, known, np.unwrap(np.angle(loop.response))
    )
    noise = np.interp(at, known, loop.noise)
    return Points(
        points.frequency_hz[keep],
        points.response[keep] * np.exp(-log),
        np.hypot(points.noise[keep], noise),
        points.delay_ms - loop.delay_ms,
        max(points.resolution_hz, loop.resolution_hz),
        points.shares_time and loop.shares_time,
        points.is_clipped or loop.is_clipped,
    )


def _noise(frequency: FloatArray, response: ComplexArray) -> FloatArray:
    """The standard deviation of either part of the response at each bin, shape (n,).

    From the third difference of neighbouring bins, which a smooth course leaves empty; its
    variance is 20 times that of one bin. The median over a sixth of an octave either side.
    """
    third = np.diff(response, n=3)
    power = np.abs(third) ** 2 / (20.0 * 2.0)
    centre = np.sqrt(frequency[1:-2] * frequency[2:-1])
    low = np.searchsorted(centre, frequency * 2.0**-NOISE_OCTAVES)
    high = np.searchsorted(centre, frequency * 2.0**NOISE_OCTAVES)
    # At least nine differences, taken from the neighbourhood where the band holds fewer.
    short = np.maximum(0, 9 - (high - low))
    low = np.clip(low - (short + 1) // 2, 0, max(0, power.size - 9))
    high = np.clip(np.maximum(high, low + 9), 1, power.size)
    total = np.concatenate([[0.0], np.cumsum(power)])
    mean = (total[high] - total[low]) / np.maximum(high - low, 1)
    return np.asarray(np.sqrt(np.maximum(mean, 0.0)))
