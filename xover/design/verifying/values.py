"""The values a single field is fitted with where no story tells what was typed instead.

First a coarse sweep of all a field can be, then, around what fitted best, values close enough
together that none in between explains a capture noticeably better. Judges nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec.structs import replace

from xover.design.adapting.bands import SHELVES, behaviour_of, held, typed_of
from xover.design.adapting.figures import rates_of
from xover.model import grids
from xover.model.processing import EqSection
from xover.model.profile import Profile

FREQUENCIES, GAINS, WIDTHS = 400, 80, 80
"""About so many values of a device's grid are tried first."""


def free_frequencies(frequency_hz: float, rate_hz: float, profile: Profile | None) -> list[float]:
    """Frequencies in Hz: the device's, without a profile 1/24 octave apart, closer near the own."""
    if profile is not None:
        found = _coarse(profile.eq.frequency_hz, FREQUENCIES)
    else:
        found = [20.0 * 2.0 ** (k / 24.0) for k in range(240)]
    near = [frequency_hz * 2.0 ** (k / 96.0) for k in (-3, -2, -1, 1, 2, 3)]
    return [hz for hz in (*found, *near) if _is_in_range(hz, rate_hz) and hz != frequency_hz]


def free_gains(profile: Profile | None) -> list[float]:
    """Gains in dB: the device's, without a profile from -18 to +18 in half decibels."""
    if profile is not None:
        return _coarse(profile.eq.gain_db, GAINS)
    return [0.5 * k for k in range(-36, 37)]


def free_qs(item: EqSection, rate_hz: float, profile: Profile | None) -> list[float]:
    """The Qs a device can be set to; without a profile ratios from a sixteenth to sixteen."""
    q = item.q_or_one
    if profile is not None and item.kind not in SHELVES:
        return _held_qs(item, _coarse(profile.eq.width.values, WIDTHS), rate_hz, profile)
    return [q * 2.0 ** (k / 8.0) for k in range(-32, 33) if k] + [
        q * math.exp(x) for x in (-0.06, -0.03, -0.015, 0.015, 0.03, 0.06)
    ]


def finer_frequencies(tried_hz: float, rate_hz: float, profile: Profile | None) -> list[float]:
    """Frequencies around one of `free_frequencies`, without a profile round figures among them."""
    if profile is not None:
        found = _between(profile.eq.frequency_hz, tried_hz, FREQUENCIES)
    else:
        ratio = 2.0 ** (1.0 / 192.0)
        low_hz, high_hz = tried_hz * ratio**-4, tried_hz * ratio**4
        digit_hz = 10.0 ** (math.floor(math.log10(tried_hz)) - 2)
        figures = range(math.ceil(low_hz / digit_hz), math.floor(high_hz / digit_hz) + 1)
        found = [tried_hz * ratio**k for k in range(-4, 5)]
        found += [round(k * digit_hz, 6) for k in figures]
    return [hz for hz in found if _is_in_range(hz, rate_hz)]


def finer_gains(tried_db: float, profile: Profile | None) -> list[float]:
    """Gains in dB around one of `free_gains`, without a profile tenths of a decibel."""
    if profile is not None:
        return _between(profile.eq.gain_db, tried_db, GAINS)
    return [round(tried_db + 0.1 * k, 2) for k in range(-3, 4)]


def finer_qs(item: EqSection, tried: float, rate_hz: float, profile: Profile | None) -> list[float]:
    """Qs around one of `free_qs`."""
    if profile is not None and item.kind not in SHELVES:
        behaviour = behaviour_of(profile, rates_of(profile, rate_hz), rate_hz)
        width = typed_of(replace(item, q=tried), behaviour).width
        if width is None:
            return []
        widths = _between(profile.eq.width.values, width, WIDTHS)
        return _held_qs(item, widths, rate_hz, profile)
    return [tried * 2.0 ** (k / 64.0) for k in range(-4, 5)]


def _held_qs(
    item: EqSection, widths: Sequence[float], rate_hz: float, profile: Profile
) -> list[float]:
    """The Qs that the device makes of widths typed into it."""
    behaviour = behaviour_of(profile, rates_of(profile, rate_hz), rate_hz)
    exact = typed_of(item, behaviour)
    found = [held(replace(exact, width=width), behaviour).q_or_one for width in widths]
    return [one for one in found if 0.02 < one < 200.0 and abs(one / item.q_or_one - 1.0) > 1e-6]


def _is_in_range(frequency_hz: float, rate_hz: float) -> bool:
    return 1.0 <= frequency_hz < 0.48 * rate_hz


def _coarse(scale: grids.Scale, wanted: int) -> list[float]:
    """About `wanted` values spread over a grid, all of a smaller one."""
    count = grids.count(scale)
    return [grids.value(scale, k) for k in range(0, count, _stride(scale, wanted))]


def _between(scale: grids.Scale, tried: float, wanted: int) -> list[float]:
    """The grid's values beside one of `_coarse`, up to the neighbours that were tried too."""
    stride, at = _stride(scale, wanted), grids.nearest_index(scale, tried)
    near = range(max(0, at - stride + 1), min(grids.count(scale), at + stride))
    return [grids.value(scale, k) for k in near]


def _stride(scale: grids.Scale, wanted: int) -> int:
    return max(1, grids.count(scale) // wanted)
