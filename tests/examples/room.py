"""What a microphone would have heard: rooms, boxes and a processor, without the program.

Written apart from the program on purpose, with numpy and scipy alone, so that the examples it
makes can test alignment against something else. A plausible room for a demonstration, no model
of a real one: first reflections only, no modes, smooth boxes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection
from xover.model.rig import Source

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

WINDOW_SAMPLES, WINDOW_RATE_HZ = 16_384, 48_000.0
"""The captures stand for a 341 ms window: a bin every 2.93 Hz."""
AVERAGES = 16


def bins_hz() -> Floats:
    """The bins of a capture from 17.6 Hz to 20.5 kHz, (n,)."""
    every = np.fft.rfftfreq(WINDOW_SAMPLES, 1.0 / WINDOW_RATE_HZ)
    return np.asarray(every[(every > 17.0) & (every < 20_500.0)])


def speed_m_s(temperature_c: float) -> float:
    """The textbook form 331.3·√(1 + T/273.15), from memory."""
    return float(331.3 * np.sqrt(1.0 + temperature_c / 273.15))


@dataclass(frozen=True)
class Driver:
    """A box as its maker never publishes it: an analogue band-pass with a few bumps."""

    sensitivity_db: float
    """Free field, 1 m, 2.83 V."""
    low_hz: float
    low_order: int
    high_hz: float
    high_order: int
    bumps: tuple[tuple[float, float, float], ...] = ()
    """Frequency in Hz, gain in dB, Q."""
    rear_db: float = 0.0
    """How much weaker it is behind than in front, far above `rear_hz`."""
    rear_hz: float = 400.0
    inverted: bool = False
    latency_ms: float = 0.0

    def response(self, frequency_hz: Floats) -> Complexes:
        """On axis at 1 m for 2.83 V, (n,), magnitude in units of 20 µPa; no flight."""
        s = 2j * np.pi * frequency_hz
        total = np.full(s.shape, 10.0 ** (self.sensitivity_db / 20.0), dtype=np.complex128)
        for order, corner_hz, kind in (
            (self.low_order, self.low_hz, "highpass"),
            (self.high_order, self.high_hz, "lowpass"),
        ):
            z, p, k = signal.butter(order, 2.0 * np.pi * corner_hz, kind, analog=True, output="zpk")
            total *= signal.freqs_zpk(z, p, k, worN=2.0 * np.pi * frequency_hz)[1]
        for centre_hz, gain_db, q in self.bumps:
            a = 10.0 ** (gain_db / 40.0)
            n = s / (2.0 * np.pi * centre_hz)
            total *= (n * n + n * a / q + 1.0) / (n * n + n / (a * q) + 1.0)
        turn = np.exp(-s * self.latency_ms * 1e-3)
        return np.asarray(total * turn * (-1.0 if self.inverted else 1.0))

    def towards(self, frequency_hz: Floats, cosine: float) -> Floats:
        """The factor off axis, (n,): falls behind the box, the more the higher."""
        high = frequency_hz**2 / (frequency_hz**2 + self.rear_hz**2)
        return np.asarray(10.0 ** (-self.rear_db * (1.0 - cosine) / 2.0 * high / 20.0))


@dataclass(frozen=True)
class Room:
    """A box-shaped room: each wall's reflection factor at low frequencies, falling above 2 kHz."""

    x_m: tuple[float, float]
    y_m: tuple[float, float]
    z_m: tuple[float, float]
    factors: Mapping[str, float] = field(default_factory=dict)
    """"left", "right", "front", "rear", "floor", "ceiling"."""

    def images(self, place_m: Sequence[float]) -> list[tuple[Floats, int, float]]:
        """The direct source and its mirror images: position, mirrored axis (−1: none), factor."""
        here = np.asarray(place_m, dtype=np.float64)
        found: list[tuple[Floats, int, float]] = [(here, -1, 1.0)]
        walls = (
            ("left", 0, self.x_m[0]), ("right", 0, self.x_m[1]), ("front", 1, self.y_m[0]),
            ("rear", 1, self.y_m[1]), ("floor", 2, self.z_m[0]), ("ceiling", 2, self.z_m[1]),
        )  # fmt: skip
        for name, axis, wall in walls:
            image = here.copy()
            image[axis] = 2.0 * wall - image[axis]
            found.append((image, axis, self.factors.get(name, 0.0)))
        return found


def heard(
    room: Room,
    drivers: Mapping[str, Driver],
    sources: Sequence[Source],
    gains_db: Mapping[str, float],
    microphone_m: Sequence[float],
    frequency_hz: Floats,
    *,
    temperature_c: float,
) -> Complexes:
    """Pressure at a microphone in units of 20 µPa for 0 dBu at the output, (n,).

    `gains_db` is the voltage gain in front of each source. Boxes of one source stand side by side
    at their spacing. Air takes about 0.1 dB a metre at 10 kHz (from memory).
    """
    speed = speed_m_s(temperature_c)
    microphone = np.asarray(microphone_m, dtype=np.float64)
    total = np.zeros(frequency_hz.shape, dtype=np.complex128)
    for source in sources:
        driver = drivers[source.loudspeaker]
        volts = 0.7745966692 * 10.0 ** (gains_db[source.name] / 20.0)
        at_1m = driver.response(frequency_hz) * (volts / 2.83)
        if source.polarity == "inverted":
            at_1m = -at_1m
        turn, lift = np.radians(source.aim_deg.azimuth), np.radians(source.aim_deg.elevation)
        aim = np.array([np.sin(turn) * np.cos(lift), np.cos(turn) * np.cos(lift), np.sin(lift)])
        for number in range(source.quantity):
            aside = (number - (source.quantity - 1) / 2.0) * (source.spacing_m or 0.0)
            place = (source.position_m[0] + aside, source.position_m[1], source.position_m[2])
            for image, axis, factor in room.images(place):
                if factor == 0.0:
                    continue
                way = microphone - image
                length_m = float(np.linalg.norm(way))
                mirrored = aim.copy()
                if axis >= 0:
                    mirrored[axis] = -mirrored[axis]
                cosine = float(way @ mirrored) / length_m
                reflected = factor / np.sqrt(1.0 + (frequency_hz / 2000.0) ** 2)
                weight = 1.0 if axis < 0 else reflected
                air_db = 0.1 * length_m * (frequency_hz / 10_000.0) ** 1.6
                total += (
                    at_1m
                    * driver.towards(frequency_hz, cosine)
                    * weight
                    * 10.0 ** (-air_db / 20.0)
                    / length_m
                    * np.exp(-2j * np.pi * frequency_hz * length_m / speed)
                )
    return total


def captured(
    pressure: Complexes, frequency_hz: Floats, generator: np.random.Generator
) -> tuple[Complexes, Floats]:
    """The pressure as an averaged measurement gives it, and the coherence, both (n,).

    The noise of the place stands 34 dB above 20 µPa in each bin and rises towards low
    frequencies; coherence is S²/(S² + N²) of one pass, averaging leaves N/√averages.
    """
    noise_db = 34.0 + 10.0 * np.log10(1.0 + (120.0 / frequency_hz) ** 2)
    noise = 10.0 ** (noise_db / 20.0)
    parts = generator.standard_normal((2, frequency_hz.size)) / np.sqrt(2.0 * AVERAGES)
    coherence = np.abs(pressure) ** 2 / (np.abs(pressure) ** 2 + noise**2)
    return pressure + noise * (parts[0] + 1j * parts[1]), coherence


def electrical(
    preset: Preset, output: str, driven_db: Mapping[str, float], frequency_hz: Floats
) -> Complexes:
    """What the processor does between the driven inputs and an output, by scipy, (n,)."""
    rate_hz = preset.sample_rate_hz
    item = preset.output(output)
    total = np.zeros(frequency_hz.shape, dtype=np.complex128)
    for name, level_db in driven_db.items():
        if name not in item.inputs:
            continue
        source = preset.input(name)
        gain_db = level_db + source.gain_db + item.inputs[name]
        sign = -1.0 if source.polarity == "inverted" else 1.0
        total += (
            sign
            * 10.0 ** (gain_db / 20.0)
            * np.exp(-2e-3j * np.pi * frequency_hz * source.delay_ms)
            * _equalised(source.eq, frequency_hz, rate_hz)
        )
    total *= 10.0 ** (item.gain_db / 20.0) * (-1.0 if item.polarity == "inverted" else 1.0)
    total *= np.exp(-2e-3j * np.pi * frequency_hz * item.delay_ms)
    for crossover, kind in ((item.high_pass, "highpass"), (item.low_pass, "lowpass")):
        if crossover is not None:
            total *= _crossover(crossover, kind, frequency_hz, rate_hz)
    return np.asarray(total * _equalised(item.eq, frequency_hz, rate_hz))


def _crossover(item: Crossover, kind: str, frequency_hz: Floats, rate_hz: float) -> Complexes:
    order = item.slope_db_per_octave // 6
    if item.family == "bessel":
        design = signal.bessel(order, item.frequency_hz, kind, norm="mag", fs=rate_hz, output="sos")
        return np.asarray(signal.sosfreqz(design, frequency_hz, fs=rate_hz)[1])
    half = order // 2 if item.family == "linkwitz-riley" else order
    design = signal.butter(half, item.frequency_hz, kind, fs=rate_hz, output="sos")
    response = signal.sosfreqz(design, frequency_hz, fs=rate_hz)[1]
    return np.asarray(response**2 if item.family == "linkwitz-riley" else response)


def _equalised(sections: Sequence[EqSection], frequency_hz: Floats, rate_hz: float) -> Complexes:
    """Second-order peaks and shelves after R. Bristow-Johnson's cookbook; others are refused."""
    total = np.ones(frequency_hz.shape, dtype=np.complex128)
    for item in sections:
        if item.bypassed:
            continue
        a = 10.0 ** (item.gain_or_zero_db / 40.0)
        w = 2.0 * np.pi * item.frequency_hz / rate_hz
        c, alpha = np.cos(w), np.sin(w) / (2.0 * item.q_or_one)
        if item.kind == "peak":
            b = [1.0 + alpha * a, -2.0 * c, 1.0 - alpha * a]
            d = [1.0 + alpha / a, -2.0 * c, 1.0 - alpha / a]
        elif item.kind in ("low_shelf", "high_shelf") and item.effective_order == 2:
            # The two shelves differ by the sign in front of the cosine.
            k = c if item.kind == "low_shelf" else -c
            r = 2.0 * np.sqrt(a) * alpha
            m = 1.0 if item.kind == "low_shelf" else -1.0
            b = [
                a * ((a + 1.0) - (a - 1.0) * k + r),
                2.0 * m * a * ((a - 1.0) - (a + 1.0) * k),
                a * ((a + 1.0) - (a - 1.0) * k - r),
            ]
            d = [
                (a + 1.0) + (a - 1.0) * k + r,
                -2.0 * m * ((a - 1.0) + (a + 1.0) * k),
                (a + 1.0) + (a - 1.0) * k - r,
            ]
        else:
            raise ValueError(f"the demonstration room knows no {item.kind} section")
        total *= signal.freqz(b, d, frequency_hz, fs=rate_hz)[1]
    return total
