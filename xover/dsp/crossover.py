"""Crossover filters as sections: Butterworth, Linkwitz-Riley, Bessel, low-pass and high-pass.

The stated frequency is the −3.01 dB point (Butterworth, and Bessel by magnitude normalisation)
or the −6.02 dB point (Linkwitz-Riley). Gives pole pairs; evaluates nothing.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal

from xover.dsp.biquad import Section, new_section
from xover.model.processing import Crossover
from xover.model.words import FAMILY_SLOPES, Family

Side = Literal["low_pass", "high_pass"]
LOW_PASS: Side = "low_pass"
HIGH_PASS: Side = "high_pass"
Pole = tuple[float, float | None]
"""(frequency relative to the corner, Q) of a pole pair; Q is None for a single real pole."""

BESSEL_POLES: dict[int, tuple[Pole, ...]] = {
    2: ((1.272019649514069, 0.5773502691896257),),
    3: ((1.4476171331469874, 0.6910466258250713), (1.3226757999104448, None)),
    4: ((1.4301715599939904, 0.5219345816689801), (1.603357516216973, 0.8055382818416658)),
    5: (
        (1.5563471222969236, 0.5635356208514565),
        (1.7553777766370968, 0.9164773739482478),
        (1.502316271447479, None),
    ),
    6: (
        (1.6039191287737986, 0.51031782474877),
        (1.6891682676204605, 0.6111945468780026),
        (1.9047076123027624, 1.023313953826724),
    ),
    7: (
        (1.7163560448708646, 0.5323556978995465),
        (1.8224174788579959, 0.6608213892970801),
        (2.0494909002691073, 1.126257541983041),
        (1.6843681792731802, None),
    ),
    8: (
        (1.778465911774649, 0.50599106939747),
        (1.8320926011985827, 0.5596091647957911),
        (1.9531957590220648, 0.710852074441698),
        (2.188726230527439, 1.2256694254081706),
    ),
}
"""Roots of the reverse Bessel polynomials (W. E. Thomson, Proc. IEE 96 III, 1949) scaled to
−3.01 dB at 1; computed at 60 digits, recomputed by a test."""


def family_poles(family: Family, slope_db_per_octave: int) -> tuple[tuple[Pole, ...], int]:
    """The poles of one family and slope, and how often that set is applied (2 for L-R).

    Butterworth: Q = 1/(2·sin((2k − 1)π/2N)), a real pole at 1 where N is odd. Linkwitz-Riley of
    order N: Butterworth of order N/2, squared (S. P. Lipshitz and J. Vanderkooy, JAES 34(11),
    1986). Raises `ValueError` for a slope the family does not have.
    """
    if slope_db_per_octave not in FAMILY_SLOPES.get(family, ()):
        raise ValueError(f"{family} has no slope of {slope_db_per_octave} dB per octave")
    order = slope_db_per_octave // 6
    if family == "bessel":
        return BESSEL_POLES[order], 1
    if family == "linkwitz-riley":
        return _butterworth(order // 2), 2
    return _butterworth(order), 1


def crossover_kernel(item: Crossover, side: Side) -> tuple[list[Section], int]:
    """Sections and the power their product is raised to: the shortest statement of the filter."""
    shapes, power = _shapes(item.family, item.slope_db_per_octave, side)
    frequency_hz = item.frequency_hz
    return [new_section((frequency_hz, *shape)) for shape in shapes], power


def crossover_sections(item: Crossover, side: Side) -> tuple[Section, ...]:
    """All sections of the filter, in the order they would run."""
    sections, power = crossover_kernel(item, side)
    return tuple(sections * power)


def _butterworth(order: int) -> tuple[Pole, ...]:
    pairs: list[Pole] = [
        (1.0, 0.5 / math.sin((2 * k - 1) * math.pi / (2 * order))) for k in range(order // 2, 0, -1)
    ]
    if order % 2:
        pairs.append((1.0, None))
    return tuple(pairs)


@lru_cache(maxsize=64)
def _shapes(
    family: Family, slope_db_per_octave: int, side: Side
) -> tuple[tuple[tuple[float, ...], ...], int]:
    """n0, n1, n2, d0, d1, d2 of every section, and the power."""
    poles, power = family_poles(family, slope_db_per_octave)
    return tuple(_shape(pole, side) for pole in poles), power


def _shape(pole: Pole, side: Side) -> tuple[float, ...]:
    """Low-pass s²/φ² + s/(φQ) + 1 or s/φ + 1; high-pass by s → 1/s."""
    factor, q = pole
    inverse = 1.0 / factor
    if q is None:
        if side == "low_pass":
            return 1.0, 0.0, 0.0, 1.0, inverse, 0.0
        return 0.0, 1.0, 0.0, inverse, 1.0, 0.0
    if side == "low_pass":
        return 1.0, 0.0, 0.0, 1.0, inverse / q, inverse * inverse
    return 0.0, 0.0, 1.0, inverse * inverse, inverse / q, 1.0
