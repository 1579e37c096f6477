"""A limiter measured with a staircase of sines: where it sets in, how fast it grips and lets go.

The recording holds the sine as it came out of a device. Levels are read with a window of whole
periods, so what is faster than a period cannot be told apart and is said to be so.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.model.problems import Refused
from xover.model.units import plain

Array = NDArray[np.float64]
Kind = Literal["rms", "peak"]

REDUCED_DB = 1.0
"""A step counts as limited from this much less than the lower ones promise."""
LINEAR_DB = 0.15
RATIO_MAX = 0.15
"""Above the threshold the output may rise by this part of the input and still be a limiter's."""
SETTLED = 0.3
"""The last part of a step over which its level is read."""
SEARCH_S = 0.02
BLOCK_S = 0.002
EDGE_BLOCKS = 5
EDGE_DB = 3.0
SEEN_DB = 70.0
FOUND = 0.4
"""The least likeness of edges found and edges played. Common practice, no source."""


class Held(Struct, frozen=True):
    """One step of the staircase: when it begins and how long it lasts, s, and its level, dB."""

    start_s: float
    hold_s: float
    level_db: float


class LimiterFound(Struct, frozen=True):
    """What a staircase showed. Levels are those played, dB re the file's full scale.

    `threshold_db` is the played level at which limiting sets in, None where nothing limits; times
    are one-pole time constants in ms, None where they are shorter than `shortest_ms` or not seen.
    """

    threshold_db: float | None
    gain_db: float
    rise_db_per_db: float
    attack_ms: float | None
    release_ms: float | None
    shortest_ms: float
    highest_db: float


def measure_limiter(
    samples: Array,
    *,
    sample_rate_hz: float,
    frequency_hz: float,
    steps: Sequence[Held],
    kind: Kind,
) -> LimiterFound:
    """What a recording (n,) of a staircase shows of a limiter of one kind.

    The recording may begin at any time and have any level. Raises `Refused` where the staircase is
    not in it, or too little of it lies below the threshold.
    """
    period = sample_rate_hz / frequency_hz
    level = _level(samples, frequency_hz, sample_rate_hz, period)
    shift = _shift(level, steps, sample_rate_hz)
    begins = [round(step.start_s * sample_rate_hz) + shift for step in steps]
    settled = []
    for step, begin in zip(steps, begins, strict=True):
        hold = round(step.hold_s * sample_rate_hz)
        low, high = begin + round(hold * (1.0 - SETTLED)), begin + hold - round(2.0 * period)
        if low < 0 or high > level.size or high <= low:
            raise Refused.at("", "the recording ends before the staircase does, or began after it")
        settled.append(20.0 * np.log10(max(float(np.median(level[low:high])), 1e-12)))
    played = np.array([step.level_db for step in steps])
    seen = np.array(settled)
    gain_db, linear = _gain(played, seen)
    reduction = played + gain_db - seen
    limited = np.flatnonzero(reduction > REDUCED_DB)
    shortest_ms = 1e3 / frequency_hz
    if not limited.size:
        return LimiterFound(None, gain_db, 1.0, None, None, shortest_ms, float(played[-1]))
    first = int(limited[0])
    if first < linear:
        raise Refused.at(
            "",
            "louder steps came out lower than softer ones in an order that no limiter has; is this "
            "the recording of that staircase?",
        )
    over = seen[first:]
    rise = 0.0
    if over.size > 1:
        rise = float(np.polyfit(played[first:], over, 1)[0])
    ceiling_db = float(np.median(over)) if rise <= RATIO_MAX else float(over[0])
    threshold_db = ceiling_db - gain_db
    at = int(limited[-1])
    attack_ms = _attack(level, begins[at], steps[at], played[at] + gain_db, seen[at],
                        sample_rate_hz, period, kind)  # fmt: skip
    release_ms = _release(level, begins[at], steps, at, gain_db,
                          sample_rate_hz, period, kind)  # fmt: skip
    return LimiterFound(
        threshold_db, gain_db, rise, attack_ms, release_ms, shortest_ms, float(played[-1])
    )


def _level(samples: Array, frequency_hz: float, rate_hz: float, period: float) -> Array:
    """The sine's peak level over time (n,), each over the period that follows."""
    time = np.arange(samples.size) / rate_hz
    turned = samples * np.exp(-2j * np.pi * frequency_hz * time)
    width = max(1, round(period))
    total = np.concatenate([[0.0], np.cumsum(turned)])
    level = 2.0 * np.abs(total[width:] - total[:-width]) / width
    return np.concatenate([level, np.full(width - 1, level[-1] if level.size else 0.0)])


def _shift(level: Array, steps: Sequence[Held], rate_hz: float) -> int:
    """How many samples later than in the file the staircase stands in the recording.

    By its edges alone, of whatever height: a limiter takes the top off the steps, not their
    beginnings and ends.
    """
    block = max(1, round(BLOCK_S * rate_hz))
    count = level.size // block
    coarse = 20.0 * np.log10(level[: count * block].reshape(count, block).mean(axis=1) + 1e-9)
    coarse = np.maximum(coarse, coarse.max() - SEEN_DB)
    edges = np.clip(coarse[EDGE_BLOCKS:] - coarse[:-EDGE_BLOCKS], -EDGE_DB, EDGE_DB)
    first = 0.5 * (steps[1].start_s - steps[0].start_s - steps[0].hold_s)
    begin_s = max(0.0, steps[0].start_s - 2.0 * first)
    end_s = steps[-1].start_s + steps[-1].hold_s + 2.0 * first
    pattern = np.zeros(round(end_s * rate_hz / block) + EDGE_BLOCKS + 1)
    heights = [(begin_s, EDGE_DB), (end_s, -EDGE_DB)]
    for step in steps:
        height = min(EDGE_DB, step.level_db - steps[0].level_db)
        heights += [(step.start_s, height), (step.start_s + step.hold_s, -height)]
    for at_s, height in heights:
        at = round(at_s * rate_hz / block)
        pattern[max(0, at - EDGE_BLOCKS) : at] += height
    size = 1 << int(np.ceil(np.log2(edges.size + pattern.size)))
    match = np.fft.irfft(np.fft.rfft(edges, size) * np.conj(np.fft.rfft(pattern, size)), size)
    lag = int(np.argmax(match))
    strength = match.max() / (np.linalg.norm(edges) * np.linalg.norm(pattern) + 1e-12)
    if strength < FOUND:
        raise Refused.at(
            "", "the staircase is not found in the recording; is it that of another signal?"
        )
    if lag > size // 2:
        lag -= size
    return _edge(level, steps, lag * block, rate_hz)


def _edge(level: Array, steps: Sequence[Held], shift: int, rate_hz: float) -> int:
    """The shift settled at the first steps that rise clearly."""
    reach = round(SEARCH_S * rate_hz)
    found = []
    for step in steps[1:6]:
        begin = round(step.start_s * rate_hz) + shift
        low, high = begin - reach, begin + reach
        if low < 1 or high >= level.size:
            continue
        piece = level[low:high]
        middle = 0.5 * (piece[0] + piece[-1])
        if piece[-1] < 1.03 * piece[0]:
            continue
        found.append(int(np.argmax(piece > middle)) - reach)
    return shift + (int(np.median(found)) if found else 0)


def _gain(played: Array, seen: Array) -> tuple[float, int]:
    """The gain below the threshold in dB, and how many of the lowest steps show it.

    Raises `Refused` where not even the two lowest agree.
    """
    difference = seen - played
    count = 1
    while (
        count < difference.size
        and abs(difference[count] - np.median(difference[:count])) < LINEAR_DB
    ):
        count += 1
    if count < 2:
        raise Refused.at(
            "",
            "already the second step comes out "
            f"{plain(float(difference[0] - difference[1]), 1)} dB lower than the first promises: "
            "begin the staircase lower",
        )
    return float(np.median(difference[:count])), count


def _attack(
    level: Array,
    begin: int,
    step: Held,
    full_db: float,
    settled_db: float,
    rate_hz: float,
    period: float,
    kind: Kind,
) -> float | None:
    """The time constant with which a step is pulled down, ms; None where it is too fast."""
    hold = round(step.hold_s * rate_hz)
    low, high = begin + round(0.25 * period), begin + hold - round(2.0 * period)
    gain = level[low:high] * 10.0 ** (-full_db / 20.0)
    end = 10.0 ** ((settled_db - full_db) / 20.0)
    time_s = np.arange(gain.size) / rate_hz
    if kind == "peak":
        left = (gain - end) / (1.0 - end)
    else:
        left = 1.0 - (end / np.maximum(gain, end)) ** 2
    return _constant_ms(left, time_s, period / rate_hz)


def _release(
    level: Array,
    begin: int,
    steps: Sequence[Held],
    at: int,
    gain_db: float,
    rate_hz: float,
    period: float,
    kind: Kind,
) -> float | None:
    """The time constant with which the rest after a step recovers, ms; None where too fast."""
    step = steps[at]
    start = begin + round(step.hold_s * rate_hz) + round(1.25 * period)
    if at + 1 < len(steps):
        gap_s = steps[at + 1].start_s - step.start_s - step.hold_s
    else:
        gap_s = steps[1].start_s - steps[0].start_s - steps[0].hold_s
    stop = min(level.size, start + round(gap_s * rate_hz) - round(2.5 * period))
    if stop - start < 4:
        return None
    lowest_db = steps[0].level_db + gain_db
    gain = level[start:stop] * 10.0 ** (-lowest_db / 20.0)
    time_s = np.arange(gain.size) / rate_hz
    if kind == "peak":
        return _constant_ms(1.0 - gain, time_s, period / rate_hz)
    # gain² grows as e^(t/τ) until it reaches 1.
    rising = (gain > 1.05 * gain[0]) & (gain < 0.9)
    if np.any(gain >= 0.9):
        rising[int(np.argmax(gain >= 0.9)) :] = False
    if rising.sum() < 0.5 * period:
        return None
    slope = float(np.polyfit(time_s[rising], 2.0 * np.log(gain[rising]), 1)[0])
    return 1e3 / slope if slope > 0.0 else None


def _constant_ms(left: Array, time_s: Array, period_s: float) -> float | None:
    """The time constant of a decay towards 0, ms; None where it lasts less than a period."""
    top = float(left[: max(1, left.size // 50)].max(initial=0.0))
    if top < 0.05:
        return None
    used = (left > 0.05) & (left < 0.9 * max(top, 0.1))
    last = int(np.argmax(left < 0.05)) if np.any(left < 0.05) else left.size
    used[last:] = False
    span_s = float(np.ptp(time_s[used])) if used.any() else 0.0
    if used.sum() < 8 or span_s < 0.5 * period_s:
        return None
    slope = float(np.polyfit(time_s[used], np.log(left[used]), 1)[0])
    return -1e3 / slope if slope < 0.0 else None
