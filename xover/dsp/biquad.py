"""Filter sections: analogue prototypes and their bilinear responses, in closed form.

A section is H(s) of order 1 or 2 with s normalised to its own frequency, evaluated at
s = j·tan(πf/fs)/tan(πf₀/fs): the bilinear transform with f₀ prewarped. Nothing here multiplies
polynomials together; responses are products of sections.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from functools import partial
from typing import NamedTuple

import numpy as np
from msgspec import UNSET

from xover.dsp.axis import Axis, ComplexArray, FloatArray
from xover.model.processing import EqSection

NULL_NEIGHBOURHOOD = 1e-2
"""Relative distance from a notch within which 1 − u² is computed from the frequency difference."""


_NUMERATORS = {
    "notch": (1.0, 0.0, 1.0),
    "band_pass": (0.0, 1.0, 0.0),
    "all_pass": (1.0, -1.0, 1.0),
    "low_pass": (1.0, 0.0, 0.0),
    "high_pass": (0.0, 0.0, 1.0),
}
"""n0, n1·Q, n2 of the kinds without gain, over s² + s/Q + 1."""


class Section(NamedTuple):
    """H(s) = (n0 + n1·s + n2·s²)/(d0 + d1·s + d2·s²), s normalised to `frequency_hz`."""

    frequency_hz: float
    n0: float
    n1: float
    n2: float
    d0: float
    d1: float
    d2: float


new_section: Callable[[Iterable[float]], Section] = partial(tuple.__new__, Section)
"""A section of its seven numbers in order: twice as fast as the constructor, for hot paths."""


def section_of(item: EqSection) -> Section:
    """The analogue prototype of an equaliser section, whether or not it is bypassed.

    Source: R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 8 June 2021) for order 2; order 1
    as defined in `docs/preset-format.md`. A = 10^(gain/40).
    """
    kind, frequency_hz, gain_db, q = item.kind, item.frequency_hz, item.gain_db, item.q
    a = 1.0 if gain_db is UNSET else 10.0 ** (gain_db / 40.0)
    if item.order == 1 or q is UNSET:
        if kind == "low_shelf":
            return new_section((frequency_hz, a, 1.0, 0.0, 1.0 / a, 1.0, 0.0))
        if kind == "high_shelf":
            return new_section((frequency_hz, a, a * a, 0.0, a, 1.0, 0.0))
        return new_section((frequency_hz, 1.0, -1.0, 0.0, 1.0, 1.0, 0.0))  # all_pass
    damping = 1.0 / q
    if kind == "peak":
        return new_section((frequency_hz, 1.0, damping * a, 1.0, 1.0, damping / a, 1.0))
    if kind == "low_shelf":
        slope = math.sqrt(a) * damping
        return new_section((frequency_hz, a * a, a * slope, a, 1.0, slope, a))
    if kind == "high_shelf":
        slope = math.sqrt(a) * damping
        return new_section((frequency_hz, a, a * slope, a * a, a, slope, 1.0))
    n0, n1, n2 = _NUMERATORS[kind]
    return new_section((frequency_hz, n0, n1 * damping, n2, 1.0, damping, 1.0))


def active_sections(eq: Iterable[EqSection]) -> tuple[Section, ...]:
    """The prototypes of all sections that are not bypassed, in order."""
    return tuple(section_of(item) for item in eq if not item.bypassed)


def prewarped(frequency_hz: float, sample_rate_hz: float) -> float:
    """tan(π·f₀/fs) of one corner or centre in Hz, below half the sample rate."""
    if not 0.0 < frequency_hz < 0.5 * sample_rate_hz:
        raise ValueError(
            f"a filter frequency must lie between 0 and half the sample rate: "
            f"{frequency_hz:g} Hz at {sample_rate_hz:g} Hz"
        )
    if frequency_hz > 0.25 * sample_rate_hz:
        return 1.0 / math.tan(math.pi * (0.5 * sample_rate_hz - frequency_hz) / sample_rate_hz)
    return math.tan(math.pi * frequency_hz / sample_rate_hz)


def section_response(section: Section, axis: Axis) -> ComplexArray:
    """H of one section on the axis, shape (n,), complex.

    Divided by s, N = n1 + j·(n2·u − n0/u) and D alike, u = tan(πf/fs)/tan(πf₀/fs): real
    arithmetic that never cancels at low frequencies.
    """
    frequency_hz, n0, n1, n2, d0, d1, d2 = section
    t0 = prewarped(frequency_hz, axis.sample_rate_hz)
    rising, falling = axis.tangent / t0, axis.cotangent * t0
    above = _odd(n2, n0, rising, falling)
    below = above if (n0, n2) == (d0, d2) else _odd(d2, d0, rising, falling)
    size = below * below
    size += d1 * d1
    result = np.empty(len(axis), dtype=np.complex128)
    if _is_notch(section):
        near = null_neighbourhood(frequency_hz, axis)
        u = rising[near]
        above = above.copy()
        above[near] = -n0 * one_minus_square(frequency_hz, axis, near, u) / u
    even = above * below
    even += n1 * d1
    np.divide(even, size, out=result.real)
    odd = above * (d1 - n1) if above is below else above * d1 - below * n1
    np.divide(odd, size, out=result.imag)
    return result


def _odd(c2: float, c0: float, rising: FloatArray, falling: FloatArray) -> FloatArray:
    """c2·u − c0/u, shape (n,)."""
    if c0 == c2 == 1.0:
        return rising - falling
    return c2 * rising - c0 * falling


def cascade_response(sections: Iterable[Section], axis: Axis) -> ComplexArray:
    """The product of the sections' responses, shape (n,), complex; ones for no sections."""
    product: ComplexArray | None = None
    for section in sections:
        response = section_response(section, axis)
        product = response if product is None else np.multiply(product, response, out=product)
    return np.ones(len(axis), dtype=np.complex128) if product is None else product


def section_group_delay_s(section: Section, axis: Axis) -> FloatArray:
    """−dφ/dω of one section in seconds, shape (n,).

    Closed: for a polynomial P with even part e and odd part o in u, Im(P′/P) = c1·(c0 + c2·u²)/|P|²
    with respect to u, which stays exact beside a null. At a null without an odd part (a notch)
    the phase jumps by half a turn; that jump is no delay, and the figure is 0.
    """
    u, x = _normalised(section, axis)
    delay = (
        section.d1
        * (section.d0 + section.d2 * x)
        / (np.square(section.d0 - section.d2 * x) + np.square(section.d1 * u))
    )
    if section.n1 != 0.0:
        delay -= (
            section.n1
            * (section.n0 + section.n2 * x)
            / (np.square(section.n0 - section.n2 * x) + np.square(section.n1 * u))
        )
    return np.asarray(delay * _du_domega(section, axis))


def section_derivative(section: Section, axis: Axis) -> ComplexArray:
    """dH/dω of one section in seconds, shape (n,); finite at nulls too."""
    u, x = _normalised(section, axis)
    numerator = _even_numerator(section, axis, u, x) + 1j * (section.n1 * u)
    denominator = (section.d0 - section.d2 * x) + 1j * (section.d1 * u)
    slope_n = -2.0 * section.n2 * u + 1j * section.n1
    slope_d = -2.0 * section.d2 * u + 1j * section.d1
    quotient = numerator / denominator
    return np.asarray(
        _du_domega(section, axis) * (slope_n - quotient * slope_d) / denominator,
        dtype=np.complex128,
    )


def _normalised(section: Section, axis: Axis) -> tuple[FloatArray, FloatArray]:
    t0 = prewarped(section.frequency_hz, axis.sample_rate_hz)
    return axis.tangent / t0, axis.tangent_squared / (t0 * t0)


def _du_domega(section: Section, axis: Axis) -> FloatArray:
    """du/dω = (1 + t²)/(2·fs·t₀) for u = t/t₀, t = tan(ω/2fs), in seconds."""
    t0 = prewarped(section.frequency_hz, axis.sample_rate_hz)
    return np.asarray((1.0 + axis.tangent_squared) / (2.0 * axis.sample_rate_hz * t0))


def _even_numerator(section: Section, axis: Axis, u: FloatArray, x: FloatArray) -> FloatArray:
    """n0 − n2·u², with the digits of a notch's flanks kept."""
    even = np.asarray(section.n0 - section.n2 * x)
    if _is_notch(section):
        near = null_neighbourhood(section.frequency_hz, axis)
        even[near] = section.n0 * one_minus_square(section.frequency_hz, axis, near, u[near])
    return even


def _is_notch(section: Section) -> bool:
    """Whether the numerator is n0·(1 + s²), with a null on the frequency axis."""
    return section.n1 == 0.0 and section.n0 == section.n2 != 0.0


def null_neighbourhood(frequency_hz: float, axis: Axis) -> slice:
    """The indices of the axis within `NULL_NEIGHBOURHOOD` of a frequency in Hz."""
    low, high = np.searchsorted(
        axis.frequency_hz,
        [frequency_hz * (1.0 - NULL_NEIGHBOURHOOD), frequency_hz * (1.0 + NULL_NEIGHBOURHOOD)],
    )
    return slice(int(low), int(high))


def one_minus_square(frequency_hz: float, axis: Axis, where: slice, u: FloatArray) -> FloatArray:
    """1 − u² at the indices `where`, from sin(π(f₀ − f)/fs) = (1 − u)·sin(πf₀/fs)·cos(πf/fs).

    The difference of two close frequencies is exact, the difference 1 − u² is not.
    """
    difference = np.pi * (frequency_hz - axis.frequency_hz[where]) / axis.sample_rate_hz
    sine = math.sin(math.pi * frequency_hz / axis.sample_rate_hz)
    return np.asarray(np.sin(difference) * (1.0 + u) / (sine * axis.cosine[where]))
