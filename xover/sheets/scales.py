"""The scales of a plot: which values the axis spans and where its ticks stand.

Shared by the character grid, the printed sheet and the figure files, so that all three show the
frequencies engineers read and decibel steps they count in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from xover.model.units import plain, short, signed

LOW_HZ = 20.0
HIGH_HZ = 20_000.0

STEPS: dict[str, tuple[float, ...]] = {
    "dB": (0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 192.0, 384.0, 1200.0),
    "deg": (1.0, 2.0, 5.0, 15.0, 30.0, 45.0, 90.0, 180.0, 360.0, 720.0, 1800.0, 7200.0, 36000.0),
}
"""Tick distances in the trade's habit: halvings of 24 dB, parts of a half turn."""


def steps_for(unit: str) -> tuple[float, ...]:
    """Tick distances for a unit, ascending; 1-2-5 where the trade has no habit of its own."""
    decades = range(-3, 6)
    return STEPS.get(unit) or tuple(m * 10.0**e for e in decades for m in (1.0, 2.0, 5.0))


def show_tick(value: float, unit: str, step: float) -> str:
    """A tick's figure: signed for dB and degrees, plain otherwise."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step < 1.0 else 0
    if unit == "dB":
        return signed(value, decimals)
    return signed(value, 0) if unit == "deg" else plain(value, decimals)


def frequency_name(frequency_hz: float) -> str:
    """`50`, `1k`, `12.5k`: the figure under a frequency tick."""
    if frequency_hz >= 1000.0:
        return f"{short(frequency_hz / 1000.0, 3)}k"
    return short(frequency_hz, 2)


def frequency_ticks(low_hz: float, high_hz: float) -> list[list[float]]:
    """Ticks within the range in Hz, as lists from the most to the least needed.

    Decades and both ends of the audio range first, then 2 and 5, then (only where few of those
    lie inside) whole multiples and an even division.
    """
    exponents = range(math.floor(math.log10(low_hz)) - 1, math.ceil(math.log10(high_hz)) + 1)

    def multiples(factors: Iterable[float]) -> list[float]:
        return _inside((m * 10.0**e for e in exponents for m in factors), low_hz, high_hz)

    levels = [_inside((LOW_HZ, HIGH_HZ), low_hz, high_hz), multiples((1.0,))]

    def add(candidates: Iterable[float]) -> None:
        taken = {f for level in levels for f in level}
        levels.append([f for f in candidates if f not in taken])

    add(multiples((2.0, 5.0)))
    if sum(map(len, levels)) < 4:
        add(multiples(float(m) for m in range(1, 10)))
    if sum(map(len, levels)) < 3:
        step = next(s for s in steps_for("") if (high_hz - low_hz) / s <= 6.0)
        numbers = range(math.ceil(low_hz / step), math.floor(high_hz / step) + 1)
        add(_inside((step * k for k in numbers), low_hz, high_hz))
    return [level for level in levels if level]


def _inside(candidates: Iterable[float], low_hz: float, high_hz: float) -> list[float]:
    return [f for f in candidates if low_hz * 0.99999 <= f <= high_hz * 1.00001]


def automatic_range(
    least: float, most: float, rows: int, unit: str, *, tick_rows: Sequence[int] = (2, 3, 4)
) -> tuple[float, float, float]:
    """(bottom, top, step) for `rows` rows, row centres on ticks, data from `least` to `most`.

    The top row's centre is a quarter of a row or more above the data. Levels are followed down to
    18 dB + 1.5 dB a row below the highest, at most 72 dB (what lies deeper leaves the plot).
    """
    if unit == "dB":
        least = max(least, most - min(18.0 + 1.5 * rows, 72.0))
        least = min(least, most - 12.0)
    elif most - least < 1e-9:
        least, most = least - 0.5, most + 0.5
    best: tuple[float, float, float] | None = None
    for step in steps_for(unit):
        for every in tick_rows:
            row = step / every
            top = math.ceil(most / row + 0.25) * row
            span = (rows - 1) * row
            if top - span <= least and (best is None or span < best[1] - best[0]):
                best = (top - span, top, step)
        if best is not None and step > best[1] - best[0]:
            break
    if best is None:
        step = (most - least) or 1.0
        return least - step, most + step, step
    return best


def steady_range(
    held: tuple[float, float, float],
    fresh: tuple[float, float, float],
    least: float,
    most: float,
    rows: int,
) -> tuple[float, float, float]:
    """The range `held` (bottom, top, step) while data from `least` to `most` sit well in it.

    Else `fresh`, the automatic one; so a scale does not jump at every small change. Well: the
    highest value is a quarter of a row or more below the top but not far below, and what the
    automatic range would show is shown, at no less than two thirds of its size.
    """
    bottom, top, _ = held
    span, fresh_span = top - bottom, fresh[1] - fresh[0]
    row = span / max(1, rows - 1)
    fits_above = most <= top - 0.25 * row + 1e-9 and top - fresh[1] <= 0.25 * fresh_span
    deepest = max(least, fresh[0])
    slack = 0.25 * row if least >= fresh[0] else 0.15 * fresh_span
    fits_below = deepest >= bottom - slack - 1e-9
    return held if fits_above and fits_below and span <= 1.5 * fresh_span + 1e-9 else fresh
