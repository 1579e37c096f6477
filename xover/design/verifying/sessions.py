"""Delay and gain of outputs that were captured in one session, or against a captured loop.

One capture alone cannot tell its output's delay from the loop's latency. Several outputs share
the loop, so the differences between them can be tested; with the loop captured by itself, and
the device's own latency known, so can each by itself.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics.air import speed_of_sound_m_s
from xover.design.adapting.figures import rates_of
from xover.design.verifying.points import Points, divided
from xover.design.verifying.search import PAIR_COST
from xover.design.verifying.slips import Slip
from xover.design.verifying.verification import Explanation, Verified, verify_output
from xover.model.places import at_key, label
from xover.model.preset import Preset
from xover.model.profile import Profile
from xover.model.units import METRES_PER_FOOT, show_db, show_ms

DELAY_TOLERANCE_MS = 0.05
GAIN_TOLERANCE_DB = 0.3
"""Differences up to these, and half a step of the device, are not called slips. Common practice,
no source."""


class Taken(Struct, frozen=True, eq=False):
    """What was captured at one output, and the input that carried the signal.

    `loop` is the interface captured by itself in the same session: of all captures or of none.
    """

    output: str
    driven: str
    points: Points
    loop: Points | None = None


def verify_session(
    preset: Preset,
    captures: Sequence[Taken],
    *,
    profile: Profile | None = None,
    places: Mapping[str, str] | None = None,
    begun: Callable[[str], None] = lambda output: None,
) -> list[Verified]:
    """All captures of one session against what `preset` means, each alone, then with the others.

    A loop is taken out of its capture. With a profile, `preset` is what the device holds, and
    `places` tells where its bands stand in the preset that people know. `begun` hears each output
    before it is compared, and whatever it raises ends the work. Raises
    `Refused` as `verify_output` does, and where a loop and its capture share too little.
    """
    loop_known = all(one.loop is not None for one in captures)
    results = []
    for one in captures:
        begun(one.output)
        results.append(
            verify_output(
                preset,
                one.output,
                one.points if one.loop is None else divided(one.points, one.loop),
                driven=one.driven,
                loop_known=loop_known,
                profile=profile,
                places=places,
            )
        )
    return judge_session(
        preset,
        results,
        driven=[one.driven for one in captures],
        loop_known=loop_known,
        profile=profile,
    )


class _Offset(Struct, frozen=True):
    """How far a figure of one result lies from what was meant, and the fields that make it up.

    `fields` are places with what was meant there, the output's own first; `offset` is the whole
    figure less their sum, known to `slack` only, since filters that are not as meant leave that.
    """

    number: int
    at: int
    fields: tuple[tuple[str, float], ...]
    offset: float
    slack: float


def judge_session(
    preset: Preset,
    results: Sequence[Verified],
    *,
    driven: Sequence[str],
    loop_known: bool,
    profile: Profile | None = None,
) -> list[Verified]:
    """The same results with delay and gain judged where that can be done.

    `driven` names the input of each capture; unless the loop is known, outputs are compared with
    others that the same input drove. Delays are judged only where the latency is known; results
    of captures that do not share a loop must not be judged together.
    """
    judged = list(results)
    own_ms = profile.latency_ms if profile else 0.0
    delays, gains = [], []
    for number, (one, name) in enumerate(zip(results, driven, strict=True)):
        at = _index(preset, one.output)
        item, source = preset.outputs[at], preset.input(name)
        here, there = f"outputs[{at}]", f"inputs[{preset.inputs.index(source)}]"
        if one.latency_ms is not None:
            fields = ((f"{here}.delay_ms", item.delay_ms), (f"{there}.delay_ms", source.delay_ms))
            offset_ms = one.latency_ms - own_ms - sum(meant for _, meant in fields)
            delays.append(_Offset(number, at, fields[: 1 + loop_known], offset_ms, _slack_ms(one)))
        if one.gain_offset_db is not None:
            steps = (
                (f"{here}.gain_db", item.gain_db),
                (at_key(f"{here}.inputs", name), item.inputs[name]),
                (f"{there}.gain_db", source.gain_db),
            )
            # What the input itself does all its outputs share: it shows against a known loop only.
            offset_db = one.gain_offset_db - sum(meant for _, meant in steps)
            gains.append(_Offset(number, at, steps[: 2 + loop_known], offset_db, _left(one)[0]))
    delay_limit_ms = DELAY_TOLERANCE_MS + _delay_step_ms(preset, profile)
    gain_limit_db = GAIN_TOLERANCE_DB + (0.5 * profile.gain_db.step if profile else 0.0)
    absolute_delay = loop_known and profile is not None
    tests = [
        (field, [one for one in found if driven[one.number] == name], limit, absolute)
        for name in dict.fromkeys(driven)
        for field, found, limit, absolute in (
            ("delay_ms", delays, delay_limit_ms, absolute_delay),
            ("gain_db", gains, gain_limit_db, loop_known),
        )
    ]
    for field, offsets, limit, absolute in tests:
        if not offsets or (not absolute and len(offsets) < 2):
            continue
        common = 0.0 if absolute else _common([one.offset for one in offsets], limit)
        for k, offset in enumerate(offsets):
            pair = _pair(offsets, k, absolute)
            reference = common if pair is None else offsets[1 - k].offset
            room = limit + offset.slack + (0.0 if pair is None else offsets[1 - k].slack)
            judged[offset.number] = _with_test(
                preset, judged[offset.number], offset, field, reference, room, pair=pair
            )
    return judged


def _left(one: Verified) -> tuple[float, float]:
    """What a result leaves unexplained, dB and degrees rms."""
    if one.explanations:
        best = one.explanations[0]
        return best.residual_db_rms, best.residual_deg_rms
    return one.residual_db_rms, one.residual_deg_rms


def _slack_ms(one: Verified) -> float:
    """How well a delay is known: what is left of phase, at the middle of the range."""
    middle_hz = math.sqrt(one.frequency_hz[0] * one.frequency_hz[-1])
    return 1e3 * _left(one)[1] / 360.0 / middle_hz


def _with_test(
    preset: Preset,
    result: Verified,
    one: _Offset,
    field: str,
    common: float,
    limit: float,
    *,
    pair: int | None,
) -> Verified:
    """A result with one field tested: taken off the list of what cannot be, a slip if it is off."""
    where = f"outputs[{one.at}].{field}"
    result = replace(
        result, not_testable=tuple(each for each in result.not_testable if each != where)
    )
    off = one.offset - common
    if abs(off) <= limit:
        return result
    slip = _slip(preset, one.fields, off, limit, is_gain=field == "gain_db")
    if pair is not None:
        other = label(preset, f"outputs[{pair}]")
        slip = replace(slip, sentence=f"{slip.sentence} (if {other} is right)")
    share = 1.0 if pair is None else 0.5
    found = [
        each
        if _goes_with(preset, each, one.at, field, off, limit)
        else replace(each, slips=(*each.slips, slip))
        for each in result.explanations
    ]
    explanations = _shared_anew(found, result.explanations) or (
        Explanation((slip,), result.residual_db_rms, result.residual_deg_rms, share),
    )
    return replace(result, matches=False, explanations=explanations)


def _goes_with(
    preset: Preset, one: Explanation, at: int, field: str, off: float, limit: float
) -> bool:
    """Whether the settings of another output bring such a delay or gain with them."""
    here, this = f"outputs[{at}]", preset.outputs[at]
    return any(
        slip.where == here
        and other.name == slip.looks_like
        and abs(getattr(other, field) - getattr(this, field) - off) <= limit
        for slip in one.slips
        for other in preset.outputs
    )


def _shared_anew(
    found: Sequence[Explanation], before: Sequence[Explanation]
) -> tuple[Explanation, ...]:
    """Explanations, best first, where some need one slip more than before and others do not."""
    costs = [len(one.slips) - len(old.slips) for one, old in zip(found, before, strict=True)]
    weights = [
        one.confidence * math.exp(-0.5 * PAIR_COST * (cost - min(costs)))
        for one, cost in zip(found, costs, strict=True)
    ]
    total = sum(weights)
    shared = [
        replace(one, confidence=weight / total) for one, weight in zip(found, weights, strict=True)
    ]
    return tuple(sorted(shared, key=lambda one: -one.confidence))


def _slip(
    preset: Preset, fields: Sequence[tuple[str, float]], off: float, limit: float, *, is_gain: bool
) -> Slip:
    """The field that such a difference comes from: one with a story, else the output's own."""
    show = show_db if is_gain else show_ms

    def story(meant: float) -> str:
        if is_gain:
            return _gain_story(meant, meant + off, limit)
        return _delay_story(preset, meant, meant + off, limit)

    told = [(where, meant, story(meant)) for where, meant in fields]
    with_story = [each for each in told if each[2]]
    where, meant, how = (with_story or told)[0]
    seen = meant + off
    words = f"{label(preset, where)}: meant {show(meant)}, looks like {show(seen)}{how}"
    others = [label(preset, each[0]) for each in with_story[1:]]
    if others:
        words += f" (or {', or '.join(others)}, the same way)"
    elif is_gain and not how:
        words += f" (or {label(preset, fields[1][0])}, by as much)"
    elif not is_gain and seen < -limit:
        words = (
            f"{label(preset, where)}: meant {show_ms(meant)}, and {show_ms(-seen)} less than the "
            "processor's own latency is seen; the profile's latency_ms is too long, or time zero "
            "is not shared"
        )
    return Slip(where, meant, seen, words)


def _gain_story(meant_db: float, seen_db: float, limit_db: float) -> str:
    """How such a gain comes about: its sign, or never typed."""
    if abs(meant_db) <= limit_db:
        return ""
    if abs(seen_db + meant_db) <= limit_db:
        return ", the sign exchanged"
    return ", missing" if abs(seen_db) <= limit_db else ""


def _delay_story(preset: Preset, meant_ms: float, seen_ms: float, limit_ms: float) -> str:
    """How such a delay comes about: missing, ten times off, typed in another unit."""
    speed_m_s = speed_of_sound_m_s(preset.air)
    per_ms = {
        "metres": speed_m_s / 1e3,
        "feet": speed_m_s / 1e3 / METRES_PER_FOOT,
        "samples": preset.sample_rate_hz / 1e3,
    }
    if meant_ms <= limit_ms:
        return ""
    stories = [(0.0, ", missing")]
    for unit, factor in per_ms.items():
        stories.append((meant_ms / factor, f", milliseconds typed as {unit}"))
        stories.append((meant_ms * factor, f", {unit} typed as milliseconds"))
    stories += [(meant_ms * 10.0, ", ten times too long"), (meant_ms / 10.0, ", a tenth of it")]
    text = f"{meant_ms:.6g}"
    for k in range(len(text) - 1):
        if "." not in text[k : k + 2] and text[k] != text[k + 1]:
            swapped = float(text[:k] + text[k + 1] + text[k] + text[k + 2 :])
            stories.append((swapped, ", digits exchanged"))
    found = min(stories, key=lambda story: abs(story[0] - seen_ms))
    return found[1] if abs(found[0] - seen_ms) <= limit_ms else ""


def _common(offsets: Sequence[float], limit: float) -> float:
    """What most outputs share: the middle of the largest set within the limit of each other."""
    best = max(offsets, key=lambda one: sum(abs(one - other) <= limit for other in offsets))
    return statistics.median(one for one in offsets if abs(one - best) <= limit)


def _pair(offsets: Sequence[_Offset], at: int, absolute: bool) -> int | None:
    """The other of only two outputs that are compared with each other, else None."""
    return None if absolute or len(offsets) != 2 else offsets[1 - at].at


def _delay_step_ms(preset: Preset, profile: Profile | None) -> float:
    if profile is None:
        return 0.0
    from xover.design.adapting.figures import delay_ms_of

    rates = rates_of(profile, preset.sample_rate_hz)
    return delay_ms_of(profile.delay.step, profile.delay, rates)


def _index(preset: Preset, name: str) -> int:
    return next(at for at, item in enumerate(preset.outputs) if item.name == name)
