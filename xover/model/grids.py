"""The values that a processor's setting can take: nearest, neighbours, all.

A grid is min + k·step, min·2^(k/per_octave), or a list. Its values are rounded to nine significant
digits, so that none carries floating-point noise and none lies above `max`. Nothing here knows
what a value means.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from functools import lru_cache

from msgspec import UNSET

from xover.model.profile import DelaySetting, Grid, Steps, ThresholdSetting

SLACK = 1e-9
"""How far, in steps, `max` may be missed by rounding and still belong to the grid."""

Scale = Grid | Steps | ThresholdSetting
"""What has `min`, `max` and `step`, or is a grid of another form."""


def count(scale: Scale) -> int:
    """How many values the grid has, at least 1."""
    if isinstance(scale, Grid) and scale.values is not UNSET:
        return len(scale.values)
    low, high = _limits(scale)
    if isinstance(scale, Grid) and scale.per_octave is not UNSET:
        return math.floor(math.log2(high / low) * scale.per_octave + SLACK) + 1
    return math.floor((high - low) / _step(scale) + SLACK) + 1


def value(scale: Scale, index: int) -> float:
    """The value of one index, 0 … count − 1."""
    if isinstance(scale, Grid) and scale.values is not UNSET:
        return float(scale.values[index])
    low, high = _limits(scale)
    if isinstance(scale, Grid) and scale.per_octave is not UNSET:
        exact = low * 2.0 ** (index / scale.per_octave)
    else:
        exact = low + index * _step(scale)
    return min(_tidy(exact), high)


def lowest(scale: Scale) -> float:
    """The smallest value."""
    return value(scale, 0)


def highest(scale: Scale) -> float:
    """The largest value, which may lie below `max`."""
    return value(scale, count(scale) - 1)


def nearest_index(scale: Scale, wanted: float, *, logarithmic: bool = False) -> int:
    """The index of the value nearest to `wanted`, at the ends where that lies outside.

    `logarithmic` compares ratios, for frequencies and widths; the lower of two equally near.
    """
    last = count(scale) - 1
    guess = _guess(scale, wanted, last)
    around = range(max(0, guess - 2), min(last, guess + 2) + 1)
    if logarithmic and wanted > 0.0 and value(scale, around[0]) > 0.0:
        return min(around, key=lambda k: abs(math.log(value(scale, k) / wanted)))
    return min(around, key=lambda k: abs(value(scale, k) - wanted))


def nearest(scale: Scale, wanted: float, *, logarithmic: bool = False) -> float:
    """The value nearest to `wanted`; see `nearest_index`."""
    return value(scale, nearest_index(scale, wanted, logarithmic=logarithmic))


def nearest_between(scale: Scale, wanted: float, low: float, high: float) -> float:
    """The value nearest to `wanted` among those from `low` to `high`; the nearest if none is."""
    at = nearest_index(scale, wanted)
    found = value(scale, at)
    if found < low and at < count(scale) - 1:
        return value(scale, at + 1)
    if found > high and at > 0:
        return value(scale, at - 1)
    return found


def holds(scale: Scale, wanted: float, *, tolerance: float = 1e-7) -> bool:
    """Whether `wanted` is one of the values, to a relative tolerance."""
    found = nearest(scale, wanted)
    return abs(found - wanted) <= tolerance * max(1.0, abs(wanted))


def reaches(scale: Scale, wanted: float) -> bool:
    """Whether `wanted` lies between the smallest and the largest value, half a step beyond."""
    low, high = lowest(scale), highest(scale)
    if low <= wanted <= high:
        return True
    found = nearest_index(scale, wanted)
    other = min(1, count(scale) - 1) if found == 0 else found - 1
    return abs(value(scale, found) - wanted) <= 0.5 * abs(value(scale, found) - value(scale, other))


def delay_steps(setting: DelaySetting) -> Steps:
    """The values of a delay in its own unit."""
    return Steps(min=0.0, max=setting.max, step=setting.step)


def is_even(scale: Scale) -> bool:
    """Whether the values are evenly spaced: min + k·step."""
    return scale.step is not UNSET


def decimals(scale: Scale) -> int:
    """The decimals that tell every value of an even grid apart; 3 at most elsewhere."""
    if isinstance(scale, Grid) and scale.step is UNSET:
        figures = scale.values if scale.values is not UNSET else ()
        return min(3, max((_decimals(figure) for figure in figures), default=3))
    return max(_decimals(_step(scale)), _decimals(_limits(scale)[0]))


def _limits(scale: Scale) -> tuple[float, float]:
    assert scale.min is not UNSET
    assert scale.max is not UNSET
    return float(scale.min), float(scale.max)


def _step(scale: Scale) -> float:
    assert scale.step is not UNSET
    return float(scale.step)


def _guess(scale: Scale, wanted: float, last: int) -> int:
    if isinstance(scale, Grid) and scale.values is not UNSET:
        return min(last, bisect_left(scale.values, wanted))
    low, high = _limits(scale)
    held = min(max(wanted, low), high)
    if isinstance(scale, Grid) and scale.per_octave is not UNSET:
        return min(last, round(math.log2(held / low) * scale.per_octave))
    return min(last, round((held - low) / _step(scale)))


@lru_cache(maxsize=4096)
def _tidy(exact: float) -> float:
    return float(f"{exact:.9g}")


def _decimals(figure: float) -> int:
    text = f"{figure:.9g}"
    if "e" in text:
        return 9
    return len(text.partition(".")[2])
