"""Filters at 40 digits, by another road: H(s) by hand, bilinear coefficients, z on the circle.

Written from the definitions (Audio EQ Cookbook, W3C Note of 8 June 2021; Butterworth and Bessel
from their polynomials), sharing nothing with the program but the words of the preset.
"""

from __future__ import annotations

from functools import cache

import mpmath as mp
import numpy as np

from xover.model.processing import Crossover, EqSection, Output

mp.mp.dps = 40
Polynomial = list[mp.mpf]
"""Coefficients of s⁰, s¹, s²."""


def eq_prototype(item: EqSection) -> tuple[Polynomial, Polynomial]:
    one, zero = mp.mpf(1), mp.mpf(0)
    a = mp.mpf(10) ** (mp.mpf(item.gain_or_zero_db) / 40)
    if item.effective_order == 1:
        return {
            "low_shelf": ([a, one], [1 / a, one]),
            "high_shelf": ([a, a * a], [a, one]),
            "all_pass": ([one, -one], [one, one]),
        }[item.kind]
    k = 1 / mp.mpf(item.q_or_one)
    r = mp.sqrt(a) * k
    plain = [one, k, one]
    return {
        "peak": ([one, a * k, one], [one, k / a, one]),
        "low_shelf": ([a * a, a * r, a], [one, r, a]),
        "high_shelf": ([a, a * r, a * a], [a, r, one]),
        "notch": ([one, zero, one], plain),
        "band_pass": ([zero, k, zero], plain),
        "all_pass": ([one, -k, one], plain),
        "low_pass": ([one, zero, zero], plain),
        "high_pass": ([zero, zero, one], plain),
    }[item.kind]


def horner(descending: Polynomial, at: mp.mpc) -> tuple[mp.mpc, mp.mpc]:
    """A polynomial and its derivative."""
    value, slope = mp.mpc(0), mp.mpc(0)
    for coefficient in descending:
        slope = slope * at + value
        value = value * at + coefficient
    return value, slope


@cache
def bessel_roots(order: int) -> tuple[mp.mpc, ...]:
    """Poles of the Bessel low-pass with −3.01 dB at 1, from the reverse Bessel polynomial."""
    with mp.workdps(60):
        descending = [
            mp.factorial(2 * order - k)
            / (mp.mpf(2) ** (order - k) * mp.factorial(k) * mp.factorial(order - k))
            for k in range(order, -1, -1)
        ]
        roots = []
        for start in np.roots([float(c) for c in descending]):
            root = mp.mpc(complex(start))
            for _ in range(8):  # Newton: from double precision to 60 digits with room to spare
                value, slope = horner(descending, root)
                root -= value / slope
            roots.append(root)
        half = mp.findroot(
            lambda w: abs(horner(descending, mp.mpc(0, w))[0]) ** 2 / descending[-1] ** 2 - 2,
            (mp.mpf(1), mp.mpf(5)),
            solver="anderson",
        )
        return tuple(root / half for root in roots)


def low_pass_poles(item: Crossover) -> list[mp.mpc]:
    order = item.slope_db_per_octave // 6
    if item.family == "bessel":
        return list(bessel_roots(order))
    n = order // 2 if item.family == "linkwitz-riley" else order
    poles = [mp.expj(mp.pi * (2 * k + n + 1) / (2 * n)) for k in range(n)]
    return poles * 2 if item.family == "linkwitz-riley" else poles


def on_circle(frequency_hz: float, sample_rate_hz: float) -> mp.mpc:
    """z⁻¹ at a frequency."""
    return mp.expj(-2 * mp.pi * mp.mpf(frequency_hz) / mp.mpf(sample_rate_hz))


def warped(frequency_hz: float, sample_rate_hz: float) -> mp.mpf:
    return mp.tan(mp.pi * mp.mpf(frequency_hz) / mp.mpf(sample_rate_hz))


def eq_response(item: EqSection, frequency_hz: float, sample_rate_hz: float) -> mp.mpc:
    """Digital coefficients from s = (1 − z⁻¹)/((1 + z⁻¹)·tan(πf₀/fs)), then evaluated."""
    t0 = warped(item.frequency_hz, sample_rate_hz)
    w = on_circle(frequency_hz, sample_rate_hz)
    value = mp.mpc(1)
    for sign, polynomial in zip((1, -1), eq_prototype(item), strict=True):
        c0, c1, c2 = [*polynomial, mp.mpf(0)][:3]
        b0, b1, b2 = c0 + c1 / t0 + c2 / t0**2, 2 * (c0 - c2 / t0**2), c0 - c1 / t0 + c2 / t0**2
        value *= (b0 + b1 * w + b2 * w * w) ** sign
    return value


def crossover_response(
    item: Crossover, side: str, frequency_hz: float, sample_rate_hz: float
) -> mp.mpc:
    """Pole by pole."""
    w = on_circle(frequency_hz, sample_rate_hz)
    s = (1 - w) / ((1 + w) * warped(item.frequency_hz, sample_rate_hz))
    if side == "high_pass":
        s = 1 / s
    value = mp.mpc(1)
    for pole in low_pass_poles(item):
        value *= -pole / (s - pole)
    return value


def output_response(item: Output, frequency_hz: float, sample_rate_hz: float) -> mp.mpc:
    """A whole output stage."""
    value = mp.mpf(10) ** (mp.mpf(item.gain_db) / 20)
    if item.polarity == "inverted":
        value = -value
    value *= mp.expj(-2 * mp.pi * mp.mpf(frequency_hz) * mp.mpf(item.delay_ms) / 1000)
    for crossover, side in ((item.high_pass, "high_pass"), (item.low_pass, "low_pass")):
        if crossover is not None:
            value *= crossover_response(crossover, side, frequency_hz, sample_rate_hz)
    for section in item.eq:
        if not section.bypassed:
            value *= eq_response(section, frequency_hz, sample_rate_hz)
    return value


def worst_errors(got: object, exact: list[mp.mpc]) -> tuple[float, float]:
    """Largest error in dB (of the complex ratio) above −120 dB, largest |error| below."""
    above, below = mp.mpf(0), mp.mpf(0)
    for value, true in zip(got, exact, strict=True):  # type: ignore[call-overload]
        error = abs(mp.mpc(complex(value)) - true)
        if abs(true) > mp.mpf(10) ** -6:
            above = max(above, 20 / mp.log(10) * error / abs(true))
        else:
            below = max(below, error)
    return float(above), float(below)
