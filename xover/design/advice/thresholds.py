"""Advice about limiters as they are set, against what boxes and amplifiers bear.

Bounds are those of `design.limits`. An output without a limiter is spoken of here only where its
amplifier is stronger than its box.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from xover.design.advice.survey import Survey
from xover.design.advice.twins import groups_beyond_pairs, pairs
from xover.design.bounds import SIDES, Bound, Side
from xover.design.limiter_times import lowest_hz
from xover.design.loads import watts
from xover.model.names import quoted
from xover.model.problems import Finding
from xover.model.processing import Limit, Output
from xover.model.units import plain, ratio_from_db, short, show_dbu, show_hz

SAME_DB: Final = 0.1
"""Thresholds are typed to a tenth of a decibel."""
CLIPPED: Final = 2.0
"""A clipped sine carries up to twice the power of the largest clean one."""
HELD_PERIODS: Final = 4.0
"""A release shorter than this follows the waveform: common practice, no source."""

DRIVER_CAUTION: Final = (
    "3 dB too much is twice the power and a burnt driver: lower the threshold, and compare it with "
    "the maker's data sheet before the amplifier is turned up."
)
CLIP_CAUTION: Final = (
    "A clipping amplifier gives up to twice its rated power, much of it in overtones that burn "
    "high-frequency drivers: set a limiter that acts before it clips."
)


def above_boxes(survey: Survey) -> Iterator[Finding]:
    """A threshold above what a box bears."""
    for at, output, side, limit in _limits(survey):
        bounds = _bounds(survey, output, side, whole=True)
        if not bounds or limit.threshold_dbu <= bounds[0].dbu + SAME_DB:
            continue
        drivers = _bounds(survey, output, side, whole=False)
        weakest = min([bounds[0], *drivers[:1]], key=lambda one: one.dbu)
        yield Finding(
            "threshold-above-box",
            "warning",
            f"outputs[{at}].limiter.{side}.threshold_dbu",
            _above_words(output, side, limit, weakest),
            DRIVER_CAUTION,
        )


def above_drivers(survey: Survey) -> Iterator[Finding]:
    """One limiter for all bands of a passive multi-way box, above what its weakest driver bears."""
    for at, output, side, limit in _limits(survey):
        whole = _bounds(survey, output, side, whole=True)
        drivers = _bounds(survey, output, side, whole=False)
        if not drivers or limit.threshold_dbu <= drivers[0].dbu + SAME_DB:
            continue
        if whole and limit.threshold_dbu > whole[0].dbu + SAME_DB:
            continue  # said of the whole box
        yield Finding(
            "full-band-limiter",
            "warning",
            f"outputs[{at}].limiter.{side}.threshold_dbu",
            f"one {side} limiter guards all drivers of a passive box: "
            + _above_words(output, side, limit, drivers[0])
            + "; as set it protects the woofer alone",
            DRIVER_CAUTION,
        )


def above_clip(survey: Survey) -> Iterator[Finding]:
    """A threshold that the amplifier, or the line, never reaches."""
    for at, output, side, limit in _limits(survey):
        clip = _clip(survey, output, side)
        if clip is None or limit.threshold_dbu <= clip.dbu + SAME_DB:
            continue
        what = (
            f"the line of {quoted(clip.name)} carries {plain(clip.volts, 2)} V"
            if clip.by == "tap"
            else f"{quoted(clip.name)} gives a sine of {plain(clip.volts, 2)} V at most"
        )
        yield Finding(
            "threshold-above-clip",
            "warning",
            f"outputs[{at}].limiter.{side}.threshold_dbu",
            f"the {side} limiter of {quoted(output.name)} at {show_dbu(limit.threshold_dbu)} acts "
            f"{plain(limit.threshold_dbu - clip.dbu, 1)} dB too late: {what}, "
            f"{show_dbu(clip.dbu)} at this output, and clips before",
            CLIP_CAUTION,
        )


def strong_amplifiers(survey: Survey) -> Iterator[Finding]:
    """No limiter, and an amplifier that gives a box more than it is rated for."""
    for at, output in enumerate(survey.preset.outputs):
        if _has_limiter(output):
            continue
        found = _weakest_against_clip(survey, output)
        if found is None or found[1] >= found[2] * 0.999:
            continue
        name, rated_w, given_w = found
        yield Finding(
            "amplifier-over-box",
            "warning",
            f"outputs[{at}].limiter",
            f"{quoted(output.name)} has no limiter, and its amplifier gives {watts(given_w)} to a "
            f"box at {quoted(name)} that bears {watts(rated_w)}",
            DRIVER_CAUTION,
        )


def clipping_amplifiers(survey: Survey) -> Iterator[Finding]:
    """An amplifier that nothing keeps from clipping into a box rated below twice its power."""
    for at, output in enumerate(survey.preset.outputs):
        if _is_held(survey, output):
            continue
        found = _weakest_against_clip(survey, output)
        if found is None:
            continue
        name, rated_w, given_w = found
        if not given_w * 0.999 <= rated_w < CLIPPED * given_w * 0.999:
            continue
        yield Finding(
            "clip-into-box",
            "warning",
            f"outputs[{at}].limiter",
            f"no limiter of {quoted(output.name)} acts before its amplifier clips; clipped, "
            f"{watts(given_w)} become up to {watts(CLIPPED * given_w)}, and the box at "
            f"{quoted(name)} bears {watts(rated_w)}",
            CLIP_CAUTION,
        )


def peak_below_rms(survey: Survey) -> Iterator[Finding]:
    """A peak threshold below the rms threshold."""
    for at, output in enumerate(survey.preset.outputs):
        limiter = output.limiter
        if limiter is None or limiter.rms is None or limiter.peak is None:
            continue
        rms_dbu, peak_dbu = limiter.rms.threshold_dbu, limiter.peak.threshold_dbu
        if peak_dbu < rms_dbu - 1e-3:
            yield Finding(
                "peak-below-rms",
                "warning",
                f"outputs[{at}].limiter.peak.threshold_dbu",
                f"the peak limiter of {quoted(output.name)} at {show_dbu(peak_dbu)} lies below its "
                f"rms limiter at {show_dbu(rms_dbu)}: it acts on every sine first, and the rms "
                "limiter never does; a peak threshold is the rms of the sine with that peak",
            )


def short_times(survey: Survey) -> Iterator[Finding]:
    """Times so short that a limiter follows the waveform of the lowest notes."""
    for at, output, side, limit in _limits(survey):
        frequency_hz = lowest_hz(survey.preset, output.name)
        if frequency_hz is None:
            continue
        period_ms = 1000.0 / frequency_hz
        if limit.attack_ms >= period_ms * 0.95:
            continue
        if side == "peak" and limit.release_ms >= HELD_PERIODS * period_ms * 0.95:
            continue
        rest = (
            ""
            if side == "rms"
            else f" and lets go within {short(limit.release_ms, 1)} ms, less than "
            f"{short(HELD_PERIODS)} periods"
        )
        yield Finding(
            "attack-below-period",
            "note",
            f"outputs[{at}].limiter.{side}.attack_ms",
            f"the {side} limiter of {quoted(output.name)} attacks in {short(limit.attack_ms, 2)} "
            f"ms, less than a period of {short(period_ms, 1)} ms at {show_hz(frequency_hz)}{rest}: "
            "it follows the waveform and distorts it",
        )


def unlike_limiters(survey: Survey) -> Iterator[Finding]:
    """Left and right with limiters of their own."""
    preset = survey.preset
    for one_at, two_at in pairs(preset):
        one, two = preset.outputs[one_at], preset.outputs[two_at]
        for side in SIDES:
            words = _apart([one, two], side)
            if words:
                yield Finding(
                    "pair-limiter-differs",
                    "warning",
                    f"outputs[{two_at}].limiter.{side}",
                    f"the {side} limiters of {quoted(one.name)} and {quoted(two.name)} differ: "
                    f"{words}",
                )


def unlike_groups(survey: Survey) -> Iterator[Finding]:
    """A group that follows the limiter whose outputs do not have one."""
    preset = survey.preset
    for at, group in groups_beyond_pairs(preset, "limiter"):
        for side in SIDES:
            words = _apart([preset.output(name) for name in group.outputs], side)
            if words:
                yield Finding(
                    "group-limiter-differs",
                    "warning",
                    f"groups[{at}].outputs",
                    f"the outputs of the group {quoted(group.name)} are set together in their "
                    f"limiters, and their {side} limiters differ: {words}",
                )


def _limits(survey: Survey) -> Iterator[tuple[int, Output, Side, Limit]]:
    for at, output in enumerate(survey.preset.outputs):
        for side in SIDES:
            limit = None if output.limiter is None else getattr(output.limiter, side)
            if limit is not None:
                yield at, output, side, limit


def _has_limiter(output: Output) -> bool:
    limiter = output.limiter
    return limiter is not None and (limiter.rms is not None or limiter.peak is not None)


def _all_bounds(survey: Survey, output: Output, side: Side) -> tuple[Bound, ...]:
    return survey.limits.of(output.name).side(side).bounds


def _bounds(survey: Survey, output: Output, side: Side, *, whole: bool) -> list[Bound]:
    """What boxes (or their drivers) bear, the weakest first."""
    found = [
        one
        for one in _all_bounds(survey, output, side)
        if one.by == "loudspeaker" and (one.section is None) == whole
    ]
    return sorted(found, key=lambda one: one.dbu)


def _clip(survey: Survey, output: Output, side: Side) -> Bound | None:
    """Where the first amplifier channel of an output clips; None where not known."""
    found = [one for one in _all_bounds(survey, output, side) if one.by != "loudspeaker"]
    return min(found, key=lambda one: one.dbu, default=None)


def _is_held(survey: Survey, output: Output) -> bool:
    """Whether a limiter acts before the amplifier clips."""
    for side in SIDES:
        limit = None if output.limiter is None else getattr(output.limiter, side)
        clip = _clip(survey, output, side)
        if limit is not None and clip is not None and limit.threshold_dbu <= clip.dbu + SAME_DB:
            return True
    return False


def _weakest_against_clip(survey: Survey, output: Output) -> tuple[str, float, float] | None:
    """The low-impedance source worst off: its name, the W its box bears, the W it can be given."""
    worst: tuple[str, float, float] | None = None
    for load in survey.limits.channels:
        if load.channel.output != output.name or load.channel.line_v is not None:
            continue
        if load.sine_v is None:
            continue
        for each in load.hung:
            assert each.box.power_w is not None
            assert each.box.impedance_ohm is not None
            rated_w = each.box.power_w.continuous
            given_w = load.sine_v**2 / each.box.impedance_ohm
            if given_w <= 0.0:
                continue
            if worst is None or rated_w / given_w < worst[1] / worst[2]:
                worst = (each.source.name, rated_w, given_w)
    return worst


def _above_words(output: Output, side: Side, limit: Limit, bound: Bound) -> str:
    over_db = limit.threshold_dbu - bound.dbu
    kind = "" if side == "rms" else ", each as the rms of the sine with that peak"
    return (
        f"the {side} limiter of {quoted(output.name)} at {show_dbu(limit.threshold_dbu)} lets "
        f"{plain(bound.volts * ratio_from_db(over_db), 2)} V onto {quoted(bound.name)}, which "
        f"bears {plain(bound.volts, 2)} V ({show_dbu(bound.dbu)}{kind}): {plain(over_db, 1)} dB "
        "too much"
    )


def _apart(outputs: list[Output], side: Side) -> str:
    """What differs between the limiters of outputs, "" where nothing does."""
    found = [None if one.limiter is None else getattr(one.limiter, side) for one in outputs]
    if all(one is None for one in found):
        return ""
    figures = [None if one is None else one.threshold_dbu for one in found]
    known = [figure for figure in figures if figure is not None]
    if None not in figures and max(known) - min(known) <= SAME_DB / 2.0:
        return ""
    return ", ".join(
        f"{quoted(output.name)} {'none' if figure is None else show_dbu(figure)}"
        for output, figure in zip(outputs, figures, strict=True)
    )
