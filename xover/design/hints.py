"""Crossover filters beside today's that would lose less than any delay can: hints, never applied.

Neighbouring slopes, other families and corners up to a third of an octave away, on one side or on
both; locked stages and the ranges of the boxes are respected. A filter that only makes the
overlap smaller is no remedy, so the sum has to become louder, too.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from xover.design.answer import Hint
from xover.design.choice import ListenerParts
from xover.design.delay_search import DelayProblem, Minimum, lowest
from xover.design.joint import Solution, Ties
from xover.design.overlap import (
    WIDEST_OCTAVES,
    BoolArray,
    ComplexArray,
    lies_lower,
    smoothed_magnitude,
)
from xover.design.parts import PairParts, Scene, overlap_of
from xover.design.solve import shares
from xover.design.splits import THIRD_OCTAVE
from xover.dsp.axis import Axis
from xover.dsp.crossover import HIGH_PASS, LOW_PASS, Side
from xover.dsp.response import crossover_response
from xover.model.changes import followers, is_locked
from xover.model.entry_crossover import show_crossover
from xover.model.preset import Preset
from xover.model.processing import Crossover, Output
from xover.model.units import plain
from xover.model.words import FAMILY_SLOPES, Stage

WORTH_LOOKING_DB = 0.3
"""Pairs that lose less than this at their best delay need no other filters."""
WORTH_SAYING_DB = 0.3
MOST_HINTS = 2
"""For one pair."""
_STEPS = (2.0 ** (-1 / 3), 2.0 ** (-1 / 6), 2.0 ** (1 / 6), 2.0 ** (1 / 3))


class _Facing(Struct, frozen=True):
    """The two filters that face each other: the lower output's low-pass, the upper's high-pass."""

    lower: Output
    upper: Output
    low_pass: Crossover | None
    high_pass: Crossover | None


class _Free(Struct, frozen=True):
    """What may change between two outputs: delays about the answer's, and polarity or not."""

    delay_ms: float
    held: bool
    polarities: tuple[bool, ...]


def hints_for(
    preset: Preset, scene: Scene, ties: Ties, answer: Solution, axis: Axis
) -> tuple[Hint, ...]:
    """For every pair that counts, the best of the filters beside today's, if any is worth it."""
    found: list[Hint] = []
    for pair in scene.pairs:
        found += _of_pair(preset, scene, pair, _free(scene, ties, answer, pair), axis)
    return tuple(found)


def _free(scene: Scene, ties: Ties, answer: Solution, pair: PairParts) -> _Free:
    delays, turns = [0.0, 0.0], [False, False]
    delay_of: list[int | None] = [None, None]
    polarity_of: list[int | None] = [None, None]
    for end, name in enumerate((pair.first, pair.second)):
        if name in scene.move:
            at = scene.move.index(name)
            delays[end], turns[end] = answer.delays_ms[at], answer.inverted[at]
            delay_of[end], polarity_of[end] = ties.delay_of[at], ties.polarity_of[at]
    both = polarity_of[0] != polarity_of[1]
    return _Free(
        delays[1] - delays[0],
        delay_of[0] == delay_of[1],
        (False, True) if both else (turns[0] != turns[1],),
    )


def _of_pair(preset: Preset, scene: Scene, pair: PairParts, free: _Free, axis: Axis) -> list[Hint]:
    """Hints for one pair; delays are sought about that of the answer."""
    outputs = preset.output(pair.first), preset.output(pair.second)
    facing = _facing(outputs, pair.at[0])
    best = _minimum(scene, pair.at, free)
    if best.value_db < WORTH_LOOKING_DB:
        return []
    if facing.low_pass is None and facing.high_pass is None:
        return []
    found: list[tuple[float, Hint]] = []
    for low_pass, high_pass in _variants(preset, facing):
        tried = replace(facing.lower, low_pass=low_pass), replace(facing.upper, high_pass=high_pass)
        if facing.lower is outputs[0]:
            turns = _turn(outputs[0], tried[0], axis), _turn(outputs[1], tried[1], axis)
            changed = tried
        else:
            turns = _turn(outputs[0], tried[1], axis), _turn(outputs[1], tried[0], axis)
            changed = tried[1], tried[0]
        parts = _filtered(scene, pair, changed, turns, axis)
        if parts is None:
            continue
        other = _minimum(scene, parts, free)
        if best.value_db - other.value_db < WORTH_SAYING_DB:
            continue
        masks = [then.mask | now.mask for then, now in zip(pair.at, parts, strict=True)]
        if _level_db(scene, parts, other, masks) <= _level_db(scene, pair.at, best, masks):
            continue
        hint = _hint(preset, pair, facing, (low_pass, high_pass), best, other)
        found.append((other.value_db + 0.01 * len(hint.changes), hint))
    found.sort(key=lambda entry: entry[0])
    return [hint for _, hint in found[:MOST_HINTS]]


def _facing(outputs: tuple[Output, Output], part: ListenerParts) -> _Facing:
    magnitudes = [
        smoothed_magnitude(part.frequency_hz, response) for response in (part.first, part.second)
    ]
    lower, upper = outputs
    if not lies_lower(part.frequency_hz, magnitudes[0], magnitudes[1]):
        lower, upper = upper, lower
    return _Facing(lower, upper, lower.low_pass, upper.high_pass)


def _variants(
    preset: Preset, facing: _Facing
) -> Iterator[tuple[Crossover | None, Crossover | None]]:
    """Other pairs of filters: one side changed, or both in the same way."""
    low_pass, high_pass = facing.low_pass, facing.high_pass
    lows = _beside(low_pass) if low_pass and _is_open(preset, facing.lower, "low_pass") else []
    highs = _beside(high_pass) if high_pass and _is_open(preset, facing.upper, "high_pass") else []
    for low in lows:
        yield from _if_sound(preset, facing, low, high_pass)
    for high in highs:
        yield from _if_sound(preset, facing, low_pass, high)
    if low_pass is None or high_pass is None:
        return
    for low in lows:
        for high in highs:
            ratio = low.frequency_hz / low_pass.frequency_hz
            same_step = abs(np.log(high.frequency_hz / high_pass.frequency_hz / ratio)) < 0.02
            if same_step and (_shape(low) == _shape(high) or _moved(low, low_pass)):
                yield from _if_sound(preset, facing, low, high)


def _shape(item: Crossover) -> tuple[str, int]:
    return item.family, item.slope_db_per_octave


def _moved(item: Crossover, before: Crossover) -> bool:
    """Whether the corner alone is another."""
    return item.frequency_hz != before.frequency_hz


def _beside(item: Crossover) -> list[Crossover]:
    """Corners up to a third of an octave away, the next slopes, the other families."""
    found = [replace(item, frequency_hz=_round(item.frequency_hz * step)) for step in _STEPS]
    slopes = FAMILY_SLOPES[item.family]
    at = slopes.index(item.slope_db_per_octave)
    found += [
        replace(item, slope_db_per_octave=slopes[near])
        for near in (at - 1, at + 1)
        if 0 <= near < len(slopes)
    ]
    found += [
        replace(item, family=family)
        for family, offered in FAMILY_SLOPES.items()
        if family != item.family and item.slope_db_per_octave in offered
    ]
    return found


def _if_sound(
    preset: Preset, facing: _Facing, low: Crossover | None, high: Crossover | None
) -> Iterator[tuple[Crossover | None, Crossover | None]]:
    """The pair, unless it leaves a box's range, the processor's, or pulls the corners apart."""
    limit_hz = 0.49 * preset.sample_rate_hz
    if any(one is not None and not 1.0 <= one.frequency_hz < limit_hz for one in (low, high)):
        return
    if low is not None and facing.low_pass is not None and low != facing.low_pass:
        tops = [_box_range(preset, facing.lower)[1], *([] if high is None else [np.inf])]
        if low.frequency_hz > min(tops) and low.frequency_hz > facing.low_pass.frequency_hz:
            return
    if high is not None and facing.high_pass is not None and high != facing.high_pass:
        floor_hz = _box_range(preset, facing.upper)[0]
        if high.frequency_hz < floor_hz and high.frequency_hz < facing.high_pass.frequency_hz:
            return
    if low is not None and high is not None and facing.low_pass and facing.high_pass:
        apart = abs(np.log(high.frequency_hz / low.frequency_hz))
        today = abs(np.log(facing.high_pass.frequency_hz / facing.low_pass.frequency_hz))
        if apart > max(today, np.log(THIRD_OCTAVE)) + 1e-3:
            return
    yield low, high


def _box_range(preset: Preset, output: Output) -> tuple[float, float]:
    """What all boxes of an output play, in Hz; everything where there are none."""
    ranges = [
        preset.loudspeaker(source.loudspeaker).passband_hz
        for source in preset.sources_of(output.name)
    ]
    return max((low for low, _ in ranges), default=0.0), min((h for _, h in ranges), default=np.inf)


def _is_open(preset: Preset, output: Output, stage: Stage) -> bool:
    """Whether neither the output nor anything that follows it there is locked."""
    tied = followers(preset, output.name, stage)
    return not any(
        is_locked(preset, name, stage) or stage in preset.output(name).locked for name in tied
    )


def _turn(before: Output, after: Output, axis: Axis) -> ComplexArray:
    """What the changed filters make of the response with today's, (n,)."""
    turn = np.ones(len(axis), dtype=np.complex128)
    sides: tuple[tuple[Crossover | None, Crossover | None, Side], ...] = (
        (before.low_pass, after.low_pass, LOW_PASS),
        (before.high_pass, after.high_pass, HIGH_PASS),
    )
    for old, new, side in sides:
        if old is not None and new is not None and old != new:
            turn *= crossover_response(new, side, axis) / crossover_response(old, side, axis)
    return turn


def _filtered(
    scene: Scene,
    pair: PairParts,
    outputs: tuple[Output, Output],
    turns: tuple[ComplexArray, ComplexArray],
    axis: Axis,
) -> tuple[ListenerParts, ...] | None:
    """The pair with other filters at the same listeners; None where one does not overlap then."""
    found = []
    for part in pair.at:
        first, second = part.first * turns[0], part.second * turns[1]
        overlap = overlap_of(
            axis.frequency_hz, outputs, (first, second), part.weight, scene.question.band_hz
        )
        if not overlap.mask.any():
            return None
        if scene.question.band_hz is None and overlap.octaves > WIDEST_OCTAVES:
            return None
        found.append(
            ListenerParts(
                part.listener,
                part.frequency_hz,
                first,
                second,
                part.weight,
                overlap.mask,
                overlap.bands_hz,
            )
        )
    return tuple(found)


def _minimum(scene: Scene, parts: tuple[ListenerParts, ...], free: _Free) -> Minimum:
    """The least the pair can lose by what is free, the delay within two periods of the answer's."""
    question = scene.question
    weights = shares([question.weight(part.listener) for part in parts], question.criterion)
    problem = DelayProblem([part.pair() for part in parts], question.criterion, weights)
    reach_ms = 0.0 if free.held else min(2e3 / problem.lowest_hz, question.max_delay_ms)
    return lowest(
        problem,
        from_ms=free.delay_ms - reach_ms,
        to_ms=free.delay_ms + reach_ms,
        polarities=free.polarities,
    )


def _level_db(
    scene: Scene, parts: tuple[ListenerParts, ...], at: Minimum, masks: list[BoolArray]
) -> float:
    """The mean level of the sum over log frequency in `masks`, over the listeners."""
    levels, weights = [], []
    for part, mask in zip(parts, masks, strict=True):
        sign = -1.0 if at.inverted else 1.0
        turned = part.second * sign * np.exp(-2e-3j * np.pi * part.frequency_hz * at.delay_ms)
        total = np.abs(part.first + turned)[mask]
        levels.append(float(np.mean(20.0 * np.log10(np.maximum(total, 1e-30)))))
        weights.append(scene.question.weight(part.listener))
    return float(np.average(levels, weights=weights if any(weights) else None))


def _hint(
    preset: Preset,
    pair: PairParts,
    facing: _Facing,
    filters: tuple[Crossover | None, Crossover | None],
    best: Minimum,
    other: Minimum,
) -> Hint:
    words: list[str] = []
    changes: list[tuple[str, float | str, float | str]] = []
    gentler = False
    sides: tuple[tuple[Output, Stage, Crossover | None, Crossover | None], ...] = (
        (facing.lower, "low_pass", facing.low_pass, filters[0]),
        (facing.upper, "high_pass", facing.high_pass, filters[1]),
    )
    for output, stage, before, after in sides:
        if before is None or after is None or before == after:
            continue
        side = stage.replace("_", "-")
        words.append(f"{output.name} {side} {show_crossover(before)} → {show_crossover(after)}")
        at = [item.name for item in preset.outputs].index(output.name)
        for field in ("family", "slope_db_per_octave", "frequency_hz"):
            was, now = getattr(before, field), getattr(after, field)
            if was != now:
                changes.append((f"outputs[{at}].{stage}.{field}", was, now))
        gentler |= stage == "high_pass" and (
            after.frequency_hz < before.frequency_hz
            or after.slope_db_per_octave < before.slope_db_per_octave
        )
    sentence = (
        f"{' and '.join(words)} would lose {plain(other.value_db, 2)} dB instead of "
        f"{plain(best.value_db, 2)} dB"
    )
    if gentler:
        sentence += f"; more low frequency reaches {facing.upper.name}: check what its boxes bear"
    return Hint(pair.second, pair.first, sentence, tuple(changes), other.value_db, best.value_db)


def _round(frequency_hz: float) -> float:
    """A corner as one would type it: to two figures and a half."""
    return float(f"{frequency_hz:.2g}") if frequency_hz < 100.0 else float(f"{frequency_hz:.3g}")
