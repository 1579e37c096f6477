"""What processors mean by Q, bandwidth, a shelf's corner and a Bessel frequency, and back.

Every function turns a figure as typed into a device into the preset's own definition, or the
other way; both ways are exact. A peak is H(s) = (s² + a·s + 1)/(s² + b·s + 1), G = a/b its linear
gain; the preset's Q has b = 1/(√G·Q). Rounding to what a device can hold is not done here.
"""

from __future__ import annotations

import math

from xover.dsp.crossover import Side, family_poles
from xover.model.profile import (
    GAIN_DEPENDENT,
    SMALL_GAIN_DB,
    EqSetting,
    Normalisation,
    ShelfCorner,
    ShelfWidthUnit,
    WidthConvention,
    WidthUnit,
)
from xover.model.units import ratio_from_db

BUTTERWORTH_Q = math.sqrt(0.5)
"""The steepest shelf without overshoot, and what a shelf of fixed width has."""


def octaves_from_q(q: float) -> float:
    """Bandwidth in octaves between the two points that define `q`.

    2/ln 2 · asinh(1/2Q): R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 8 June 2021).
    """
    return 2.0 / math.log(2.0) * math.asinh(0.5 / q)


def q_from_octaves(bandwidth_octaves: float) -> float:
    """The Q of a bandwidth in octaves: the inverse of `octaves_from_q`."""
    return 0.5 / math.sinh(0.5 * math.log(2.0) * bandwidth_octaves)


def q_from_slope(slope: float, gain_db: float) -> float:
    """The preset's shelf Q of a shelf slope S: 1/Q = √((A + 1/A)·(1/S − 1) + 2), A = 10^(gain/40).

    Source as `octaves_from_q`. Raises `ValueError` for a slope so steep that there is no Q.
    """
    a = ratio_from_db(0.5 * gain_db)
    square = (a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0
    if square <= 0.0:
        raise ValueError(f"a shelf slope of {slope:g} does not exist at {gain_db:g} dB")
    return 1.0 / math.sqrt(square)


def slope_from_q(q: float, gain_db: float) -> float:
    """The shelf slope S of the preset's shelf Q: the inverse of `q_from_slope`."""
    a = ratio_from_db(0.5 * gain_db)
    return 1.0 / ((1.0 / (q * q) - 2.0) / (a + 1.0 / a) + 1.0)


def convention_in_force(setting: EqSetting, gain_db: float) -> WidthConvention:
    """The convention that holds at a gain: below 6 dB the singular ones have a substitute."""
    convention = setting.width.convention
    if convention in GAIN_DEPENDENT and abs(gain_db) < SMALL_GAIN_DB:
        return setting.small_gain_convention or "half-gain"
    return convention


def convention_factor(convention: WidthConvention, gain_db: float) -> float:
    """The preset's Q over the Q of a convention, at one gain.

    From b of each convention (table in `docs/processor-format.md`); a cut mirrors the boost of
    the same size but for `constant-q`. Form as S. J. Orfanidis, JAES 45(6), 1997.
    """
    if convention == "half-gain":
        return 1.0
    if convention == "constant-q":
        return ratio_from_db(-0.5 * gain_db)
    boost = ratio_from_db(abs(gain_db))
    if convention == "denominator":
        return 1.0 / math.sqrt(boost)
    root = math.sqrt(boost * boost - 2.0)
    if convention == "minus-3-db":
        return math.sqrt(boost) / root
    return root / math.sqrt(boost)


def q_from_width(
    width: float, gain_db: float, *, unit: WidthUnit, convention: WidthConvention
) -> float:
    """The preset's Q of a peak whose width was typed in a device's unit and convention."""
    quoted = width if unit == "q" else q_from_octaves(width)
    return quoted * convention_factor(convention, gain_db)


def width_from_q(
    q: float, gain_db: float, *, unit: WidthUnit, convention: WidthConvention
) -> float:
    """What to type for the preset's Q of a peak: the inverse of `q_from_width`."""
    quoted = q / convention_factor(convention, gain_db)
    return quoted if unit == "q" else octaves_from_q(quoted)


def running_q(q: float, frequency_hz: float, sample_rate_hz: float) -> float:
    """The Q with which a plain bilinear section has the bandwidth in octaves of an analogue `q`.

    1/Q′ = 2·sinh(ω/sin ω · asinh(1/2Q)), ω = 2πf/fs: source as `octaves_from_q`.
    """
    omega = 2.0 * math.pi * frequency_hz / sample_rate_hz
    return 0.5 / math.sinh(omega / math.sin(omega) * math.asinh(0.5 / q))


def typed_q(q: float, frequency_hz: float, sample_rate_hz: float) -> float:
    """The analogue Q that `running_q` turns into `q`."""
    omega = 2.0 * math.pi * frequency_hz / sample_rate_hz
    return 0.5 / math.sinh(math.sin(omega) / omega * math.asinh(0.5 / q))


def shelf_corner_factor(
    corner: ShelfCorner, gain_db: float, *, is_high: bool, order: int = 2
) -> float:
    """The preset's shelf frequency (half the gain in dB) over that of a device's convention.

    g^(1/4) for order 2 and g^(1/2) for order 1 where the corner is quoted 3 dB below the plateau
    (the poles of a boost), the reciprocal where it is quoted 3 dB from flat (its zeros); a cut
    mirrors the boost of the same size, a high shelf the low one. U. Zölzer, *DAFX*, 2nd ed., and
    pyfar's shelf types, as read in pyfar's documentation.
    """
    if corner == "half-gain":
        return 1.0
    factor = ratio_from_db(abs(gain_db) * (0.25 if order == 2 else 0.5))
    upwards = (corner == "3-db-from-plateau") != is_high
    return factor if upwards else 1.0 / factor


def shelf_q(width: float | None, gain_db: float, *, unit: ShelfWidthUnit) -> float:
    """The preset's Q of a shelf's typed steepness; None is a fixed one without overshoot."""
    if width is None:
        return BUTTERWORTH_Q
    return width if unit == "q" else q_from_slope(width, gain_db)


def shelf_width(q: float, gain_db: float, *, unit: ShelfWidthUnit) -> float:
    """What to type for the preset's Q of a shelf: the inverse of `shelf_q`."""
    return q if unit == "q" else slope_from_q(q, gain_db)


def bessel_factor(normalisation: Normalisation, slope_db_per_octave: int, side: Side) -> float:
    """The preset's Bessel frequency (−3.01 dB) over that of a device's normalisation.

    Phase: the frequency at which the asymptotes meet, where the phase is half of its whole.
    Delay: 1/(2π·delay at 0 Hz) of the low-pass; its mirror image for the high-pass.
    W. E. Thomson, *Proc. IEE* 96 III, 1949; the three normalisations as in scipy's `bessel`.
    """
    poles, _ = family_poles("bessel", slope_db_per_octave)
    order = slope_db_per_octave // 6
    if normalisation == "magnitude":
        return 1.0
    if normalisation == "phase":
        product = math.prod(f if q is None else f * f for f, q in poles)
        ratio = product ** (-1.0 / order)
    else:
        ratio = math.fsum(1.0 / f if q is None else 1.0 / (f * q) for f, q in poles)
    return ratio if side == "low_pass" else 1.0 / ratio
