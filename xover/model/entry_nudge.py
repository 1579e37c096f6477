"""Nudging a cell by musical steps: 1/24 octave, 0.5 dB, 0.1 ms.

Results are sensible figures inside the range, each frequency and Q within 0.1 % of the exact step.
One step back gives the old value again where it had three digits (frequency, Q) or four decimals
(gain, delay) and met no limit. Over many steps roundings add up: undo is what is exact.
"""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

from msgspec import UNSET
from msgspec.structs import replace

from xover.model.changes import other_polarity
from xover.model.entry_parts import Part
from xover.model.entry_text import Context, Row, Value
from xover.model.processing import Crossover, EqSection, Limit
from xover.model.ranges import (
    FILTER_NYQUIST_FRACTION,
    DelayMs,
    FilterFrequencyHz,
    Gain,
    LevelDbu,
    Q,
    RouteGain,
    TimeConstantMs,
)
from xover.model.words import FAMILY_SLOPES

FREQUENCY_STEP = 2.0 ** (1.0 / 24.0)
FREQUENCY_COARSE = 2.0 ** (1.0 / 3.0)
Q_STEP = 2.0 ** (1.0 / 6.0)
Q_COARSE = 2.0
GAIN_STEP_DB, GAIN_COARSE_DB = 0.5, 3.0
DELAY_STEP_MS, DELAY_COARSE_MS = 0.1, 1.0
TIME_STEP, TIME_COARSE = 2.0 ** (1.0 / 6.0), 2.0
TIME_LEAST_MS = 0.1
"""Of a limiter's time that is nudged; shorter ones are typed."""
SLOPE_COARSE_DB = 12

NEAR = 0.001
"""How far a rounded frequency or Q may be from the exact step, as a fraction."""
_KEPT_DECIMALS = 4
_KEPT_DIGITS = 5
_DIGITS = 3
_STEPS_MOST = 10_000


def nudge(
    row: Row,
    value: Value,
    steps: int,
    *,
    coarse: bool = False,
    context: Context,
    part: Part = "frequency",
) -> Value:
    """The value a number of steps up, or down where `steps` is negative.

    Frequencies go by 1/24 octave (coarse 1/3), gains and thresholds by 0.5 dB (3), delays by
    0.1 ms (1), Q and a limiter's times by a factor 2^(1/6) (2), slopes to the next that the family
    has (12 dB an octave), families round those that have the slope; a polarity turns over with
    every step. What of a value moves is its `part`, the first of its `entry_parts.parts` where it
    has no such part. It stops at the limits of the range. Mutes and empty cells stay as they are.
    """
    kind = row if isinstance(row, str) else row[0]
    steps = max(-_STEPS_MOST, min(_STEPS_MOST, steps))
    if isinstance(value, bool) or value is None:
        return value
    if kind == "polarity":
        turned = other_polarity("inverted" if value == "inverted" else "normal")
        return turned if steps % 2 else value
    gain_step_db = GAIN_COARSE_DB if coarse else GAIN_STEP_DB
    if isinstance(value, dict):
        return _route(value, steps, gain_step_db, part)
    if isinstance(value, float | int):
        if kind == "frequency":
            return _frequency(float(value), steps, coarse, context)
        if kind == "delay":
            step_ms = DELAY_COARSE_MS if coarse else DELAY_STEP_MS
            return _added(float(value), steps, step_ms, DelayMs, 3)
        return _added(float(value), steps, gain_step_db, Gain, 1)
    if isinstance(value, Limit):
        return _limit(value, steps, coarse, part)
    if isinstance(value, Crossover):
        return _crossover(value, steps, coarse, context, part)
    if isinstance(value, EqSection):
        return _section(value, steps, coarse, context, part)
    return value


def _limit(value: Limit, steps: int, coarse: bool, part: Part) -> Limit:
    if part == "attack":
        return replace(value, attack_ms=_time(value.attack_ms, steps, coarse))
    if part == "release":
        return replace(value, release_ms=_time(value.release_ms, steps, coarse))
    step_db = GAIN_COARSE_DB if coarse else GAIN_STEP_DB
    return replace(value, threshold_dbu=_added(value.threshold_dbu, steps, step_db, LevelDbu, 1))


def _time(value_ms: float, steps: int, coarse: bool) -> float:
    """A time by ratios, from `TIME_LEAST_MS` on; what is shorter stays, or goes there."""
    if value_ms < TIME_LEAST_MS:
        if steps <= 0:
            return value_ms
        value_ms, steps = TIME_LEAST_MS, steps - 1
    ratio = TIME_COARSE if coarse else TIME_STEP
    return _multiplied(value_ms, steps, ratio, TIME_LEAST_MS, _limits(TimeConstantMs)[1])


def _crossover(
    value: Crossover, steps: int, coarse: bool, context: Context, part: Part
) -> Crossover:
    slope = value.slope_db_per_octave
    if part == "slope":
        slopes = FAMILY_SLOPES[value.family]
        for _ in range(min(abs(steps), len(slopes))):
            least = SLOPE_COARSE_DB if coarse else 1
            further = [
                each for each in slopes if (each - slope) * (1 if steps > 0 else -1) >= least
            ]
            if further:
                slope = min(further) if steps > 0 else max(further)
        return replace(value, slope_db_per_octave=slope)
    if part == "family":
        families = [each for each, slopes in FAMILY_SLOPES.items() if slope in slopes]
        at = families.index(value.family) + steps
        return replace(value, family=families[at % len(families)])
    return replace(value, frequency_hz=_frequency(value.frequency_hz, steps, coarse, context))


def _section(value: EqSection, steps: int, coarse: bool, context: Context, part: Part) -> EqSection:
    if part == "gain":
        if value.gain_db is UNSET:
            return value
        step_db = GAIN_COARSE_DB if coarse else GAIN_STEP_DB
        return replace(value, gain_db=_added(float(value.gain_db), steps, step_db, Gain, 1))
    if part == "q":
        if value.q is UNSET:
            return value
        low, high = _limits(Q)
        ratio = Q_COARSE if coarse else Q_STEP
        return replace(value, q=_multiplied(float(value.q), steps, ratio, low, high))
    return replace(value, frequency_hz=_frequency(value.frequency_hz, steps, coarse, context))


def step_words(row: Row, *, coarse: bool = False, part: Part = "frequency") -> str:
    """How far one nudge goes: `0.1 ms`, `1/24 octave`; "" where a row is not nudged."""
    kind = row if isinstance(row, str) else row[0]
    if kind == "mute":
        return ""
    if kind == "polarity":
        return "other polarity"
    if part == "slope" and kind in ("high_pass", "low_pass"):
        return f"{SLOPE_COARSE_DB} dB an octave" if coarse else "next slope"
    if part == "family" and kind in ("high_pass", "low_pass"):
        return "next family"
    if part in ("attack", "release") and kind in ("rms", "peak"):
        return "time × 2" if coarse else "time × 1.12"
    if kind == "delay":
        return f"{DELAY_COARSE_MS if coarse else DELAY_STEP_MS:g} ms"
    if kind in ("gain", "route", "rms", "peak") or (kind == "eq" and part == "gain"):
        return f"{GAIN_COARSE_DB if coarse else GAIN_STEP_DB:g} dB"
    if kind == "eq" and part == "q":
        return "Q × 2" if coarse else "Q × 1.12"
    return "1/3 octave" if coarse else "1/24 octave"


def _limits(kind: Any) -> tuple[float, float]:
    meta = kind.__metadata__[0]
    return float(meta.ge), float(meta.le)


def _frequency(frequency_hz: float, steps: int, coarse: bool, context: Context) -> float:
    """Stays below 0.49 of the sample rate, at a figure of three digits."""
    low_hz, high_hz = _limits(FilterFrequencyHz)
    open_limit_hz = FILTER_NYQUIST_FRACTION * context.sample_rate_hz
    top_hz = _significant(open_limit_hz, _DIGITS)
    if top_hz >= open_limit_hz:
        unit_hz = 10.0 ** (math.floor(math.log10(open_limit_hz)) - _DIGITS + 1)
        top_hz = _significant(open_limit_hz - unit_hz, _DIGITS)
    ratio = FREQUENCY_COARSE if coarse else FREQUENCY_STEP
    return _multiplied(frequency_hz, steps, ratio, low_hz, min(high_hz, top_hz))


def _multiplied(value: float, steps: int, ratio: float, low: float, high: float) -> float:
    """`value` times ratio^steps, step by step, so that a held key and single presses agree."""
    factor = ratio if steps > 0 else 1.0 / ratio
    for _ in range(abs(steps)):
        moved = _one_step(value, factor)
        limit = high if steps > 0 else low
        beyond = moved > limit if steps > 0 else moved < limit
        if beyond:
            # Already past the last sensible figure: it stays where it is.
            past = value >= limit if steps > 0 else value <= limit
            return value if past else limit
        value = moved
    return value


def _one_step(value: float, factor: float) -> float:
    """One step to the shortest figure that is near enough and from which one step back returns.

    A value of more than five digits is not returned to.
    """
    digits = max(_DIGITS, _digits_of(value))
    wanted = value * factor
    for candidate in range(_DIGITS, _KEPT_DIGITS + 2):
        moved = _significant(wanted, candidate)
        near = abs(moved - wanted) <= NEAR * wanted
        if near and (digits > _KEPT_DIGITS or _significant(moved / factor, digits) == value):
            return moved
    return _significant(wanted, _KEPT_DIGITS)


def _digits_of(value: float) -> int:
    """How many significant digits a number has, trailing zeros not counted."""
    return len(Decimal(repr(value)).normalize().as_tuple().digits)


def _significant(value: float, digits: int) -> float:
    return float(f"{value:.{digits - 1}e}")


def _added(value: float, steps: int, step: float, kind: Any, least: int) -> float:
    """`value` plus steps, without float noise; it stops at the ends of the range.

    A value of more than four decimals is rounded to `least`.
    """
    exponent = Decimal(repr(value)).normalize().as_tuple().exponent
    decimals = -exponent if isinstance(exponent, int) else 0
    kept = max(decimals, 1) if decimals <= _KEPT_DECIMALS else least
    low, high = _limits(kind)
    return min(high, max(low, round(value + steps * step, kept))) + 0.0


def _route(routes: dict[str, float], steps: int, step_db: float, part: Part) -> dict[str, float]:
    """One gain, or all by the same step, as far as all of them can go."""
    low, high = _limits(RouteGain)
    if isinstance(part, tuple) and part[1] in routes:
        moved = _added(routes[part[1]], steps, step_db, RouteGain, 1)
        return {**routes, part[1]: moved}
    count = abs(steps)
    for gain_db in routes.values():
        room_db = high - gain_db if steps > 0 else gain_db - low
        count = min(count, max(0, math.floor(room_db / step_db + 1e-9)))
    signed = count if steps > 0 else -count
    return {
        name: _added(gain_db, signed, step_db, RouteGain, 1) if count else gain_db
        for name, gain_db in routes.items()
    }
