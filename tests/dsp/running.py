"""Sections as running filters, to be held against published coefficients and real processors.

Responses of the program never pass through these numbers.
"""

from __future__ import annotations

from typing import NamedTuple

from xover.dsp.biquad import Section, prewarped


class Coefficients(NamedTuple):
    """H(z) = (b0 + b1·z⁻¹ + b2·z⁻²)/(1 + a1·z⁻¹ + a2·z⁻²)."""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float


def digital_coefficients(section: Section, *, sample_rate_hz: float) -> Coefficients:
    """The section as a running filter: s = (1 − z⁻¹)/((1 + z⁻¹)·tan(πf₀/fs))."""
    t0 = prewarped(section.frequency_hz, sample_rate_hz)
    first_order = section.n2 == 0.0 and section.d2 == 0.0
    if first_order:
        scale = section.d0 * t0 + section.d1
        return Coefficients(
            (section.n0 * t0 + section.n1) / scale,
            (section.n0 * t0 - section.n1) / scale,
            0.0,
            (section.d0 * t0 - section.d1) / scale,
            0.0,
        )
    x0 = t0 * t0
    scale = section.d0 * x0 + section.d1 * t0 + section.d2
    return Coefficients(
        (section.n0 * x0 + section.n1 * t0 + section.n2) / scale,
        2.0 * (section.n0 * x0 - section.n2) / scale,
        (section.n0 * x0 - section.n1 * t0 + section.n2) / scale,
        2.0 * (section.d0 * x0 - section.d2) / scale,
        (section.d0 * x0 - section.d1 * t0 + section.d2) / scale,
    )
