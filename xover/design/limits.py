"""Limiter thresholds from ratings: what each box and each amplifier bears, the smallest wins.

Every figure carries its working, so that a second person can check it with a pocket calculator.
A peak threshold is the rms of the sine with that peak. Nothing is computed from figures that
contradict each other; what cannot be had is None, with a sentence that names it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from xover.design.bounds import SIDES, Bound, BoundBy, Side, active_bound, channel_bounds
from xover.design.limit_working import gain_words, side_words, time_words
from xover.design.limiter_times import (
    Times,
    lowest_hz,
    proposed_peak,
    proposed_rms,
)
from xover.design.loads import ChannelLoad, Concern, channel_loads
from xover.model.changes import followers, with_outputs
from xover.model.names import listed, quoted
from xover.model.preset import Preset
from xover.model.processing import Limit, Limiter, Output
from xover.model.units import (
    plain,
    ratio_from_db,
    show_dbu,
)

SAME_DB: Final = 0.05
"""Closer than this two thresholds are the same figure on a sheet."""
DISAGREEMENT_DB: Final = 3.0
"""Boxes on one output that differ by more are told of: common practice, no source."""
ENTERED_DECIMALS: Final = 2
"""Thresholds are written to 0.01 dB, rounded down."""
WIDEST_DBU: Final = 60.0
"""What a preset can hold."""


class Threshold(Struct, frozen=True):
    """One limiter as it is computed; every figure None where there is no bound."""

    dbu: float | None
    volts: float | None
    """Rms at the box, on a line at the line."""
    bound_by: BoundBy | None
    bound_at: str | None
    attack_ms: float | None
    release_ms: float | None
    kept_times: bool
    """Whether attack and release are those that the preset has."""
    bounds: tuple[Bound, ...]


class OutputLimits(Struct, frozen=True):
    """One output's two limiters with their working."""

    output: str
    where: str
    rms: Threshold
    peak: Threshold
    working: tuple[str, ...]
    concerns: tuple[Concern, ...]

    def side(self, name: Side) -> Threshold:
        """The limiter called `name`."""
        return self.rms if name == "rms" else self.peak


class Limits(Struct, frozen=True):
    """The whole answer: outputs and channels in file order, cautions, what is only to be known."""

    outputs: tuple[OutputLimits, ...]
    channels: tuple[ChannelLoad, ...]
    cautions: tuple[str, ...]
    """Sentences about loads, taps and bounds that need attention."""
    notes: tuple[str, ...]

    def of(self, output: str) -> OutputLimits:
        """The limits of the output called exactly `output`; `KeyError` if there is none."""
        for each in self.outputs:
            if each.output == output:
                return each
        raise KeyError(output)


def limits(preset: Preset, *, new_times: bool = False) -> Limits:
    """Thresholds for every output from what it drives, and every amplifier channel's load.

    Thresholds are in dBu at the processor's output and in rms volts at the box (on a 70.7 or
    100 V line: at the line). Outputs of a group that follows the limiter get the smallest among
    them. Attack and release stay where the preset has them, unless `new_times`; else they are
    proposals. V = √(P·Z); dBu re √0.6 V (ITU-R BS.645-2).
    """
    loads = channel_loads(preset)
    alone = {
        output.name: _output(preset, output, f"outputs[{at}]", loads, new_times)
        for at, output in enumerate(preset.outputs)
    }
    outputs = tuple(_in_group(preset, each, alone) for each in alone.values())
    concerns = [one for load in loads for one in load.concerns]
    concerns += [one for each in outputs for one in each.concerns]
    return Limits(
        outputs=outputs,
        channels=loads,
        cautions=tuple(dict.fromkeys(one.message for one in concerns)),
        notes=(*_notes(preset, outputs), *_load_notes(loads)),
    )


def apply_limits(preset: Preset, answer: Limits) -> Preset:
    """The preset with the computed limiters written in; locked limiters stay as they are.

    Thresholds are rounded down to 0.01 dB. An output without a threshold keeps what it has,
    unless a group sets it together with others. Nothing else is changed.
    """
    settled = settings(preset, answer)

    def change(output: Output) -> Output:
        if output.name not in settled:
            return output
        return replace(output, limiter=settled[output.name])

    return with_outputs(preset, change)


def settings(preset: Preset, answer: Limits) -> dict[str, Limiter]:
    """What `apply_limits` writes, by output; only outputs that get something."""
    found: dict[str, Limiter] = {}
    for output in preset.outputs:
        group = followers(preset, output.name, "limiter")
        if any("limiter" in preset.output(name).locked for name in group):
            continue
        limiter = output.limiter or Limiter()
        rms, peak = (
            _limit(answer, output.name, group, side, getattr(limiter, side)) for side in SIDES
        )
        if rms is not None or peak is not None:
            found[output.name] = Limiter(rms=rms, peak=peak)
    return found


def raised(preset: Preset, answer: Limits) -> tuple[str, ...]:
    """The thresholds that `apply_limits` raises by a twentieth of a decibel or more, in words."""
    words: list[str] = []
    for name, limiter in settings(preset, answer).items():
        before = preset.output(name).limiter
        for side in SIDES:
            old: Limit | None = None if before is None else getattr(before, side)
            new: Limit | None = getattr(limiter, side)
            if old is None or new is None or new.threshold_dbu < old.threshold_dbu + SAME_DB:
                continue
            words.append(
                f"{quoted(name)} {side} from {show_dbu(old.threshold_dbu, 2)} to "
                f"{show_dbu(new.threshold_dbu, 2)}"
            )
    return tuple(words)


def _limit(
    answer: Limits, output: str, group: frozenset[str], side: Side, present: Limit | None
) -> Limit | None:
    """The limit to write: the output's own, or that of those it is set together with."""
    candidates = [answer.of(output), *(each for each in answer.outputs if each.output in group)]
    for each in candidates:
        found = each.side(side)
        if found.dbu is None or found.attack_ms is None or found.release_ms is None:
            continue
        if abs(found.dbu) > WIDEST_DBU:
            continue
        return Limit(
            threshold_dbu=rounded_down(found.dbu),
            attack_ms=found.attack_ms,
            release_ms=found.release_ms,
        )
    return present


def rounded_down(dbu: float) -> float:
    """A threshold as it is written: to 0.01 dB, never 0.0005 dB above what was computed.

    That much is rounding in the ratings' own figures: 5.2700 stays 5.27.
    """
    scale = 10.0**ENTERED_DECIMALS
    return math.floor(dbu * scale + 0.05) / scale


def _output(
    preset: Preset,
    output: Output,
    where: str,
    loads: Sequence[ChannelLoad],
    new_times: bool,
) -> OutputLimits:
    concerns: list[Concern] = []
    working: list[str] = []
    sources = preset.sources_of(output.name)
    if not sources:
        concerns.append(
            Concern(
                "bound",
                where,
                f"{quoted(output.name)} drives no box that the preset knows, so no threshold can "
                "be computed; add a source with its box and amplifier channel",
            )
        )
    bounds: dict[Side, list[Bound]] = {side: [] for side in SIDES}
    for load in loads:
        if load.channel.output == output.name and load.hung:
            for side in SIDES:
                bounds[side] += channel_bounds(load, side)
            working += [f"{quoted(load.channel.name)}: {line}" for line in load.working]
            working.append(gain_words(load))
    for at, source in enumerate(preset.sources):
        if source.output != output.name:
            continue
        box = preset.loudspeaker(source.loudspeaker)
        if box.active:
            found = active_bound(source.name, box)
            if found is not None:
                for side in SIDES:
                    bounds[side].append(found)
                continue
            concerns.append(
                Concern(
                    "bound",
                    f"sources[{at}]",
                    f"the active box {quoted(box.name)} of {quoted(source.name)} states no input "
                    "level for full output (sensitivity_dbu), so its bound is not computed",
                )
            )
        elif source.amplifier_channel is None:
            concerns.append(
                Concern(
                    "bound",
                    f"sources[{at}].amplifier_channel",
                    f"{quoted(source.name)} names no amplifier channel, so the voltage that "
                    f"{quoted(output.name)} puts on it is not known and its bound is not computed",
                )
            )
    frequency_hz = lowest_hz(preset, output.name)
    thresholds = {
        side: _threshold(bounds[side], output, side, frequency_hz, new_times) for side in SIDES
    }
    for side in SIDES:
        working += side_words(side, thresholds[side])
        far = thresholds[side].dbu
        if far is not None and abs(far) > WIDEST_DBU:
            concerns.append(
                Concern(
                    "bound",
                    where,
                    f"the {side} threshold of {quoted(output.name)} comes out at {show_dbu(far)}, "
                    "beyond the ±60 dBu that a preset can hold: look at ratings and gain",
                )
            )
    working += time_words(thresholds, frequency_hz)
    concerns += _disagreement(output, where, loads, bounds)
    return OutputLimits(
        output=output.name,
        where=where,
        rms=thresholds["rms"],
        peak=thresholds["peak"],
        working=tuple(working),
        concerns=tuple(concerns),
    )


def _threshold(
    bounds: Sequence[Bound],
    output: Output,
    side: Side,
    frequency_hz: float | None,
    new_times: bool,
) -> Threshold:
    present: Limit | None = None if output.limiter is None else getattr(output.limiter, side)
    times: Times | None = None
    kept = present is not None and not new_times
    if kept:
        assert present is not None
        times = Times(present.attack_ms, present.release_ms)
    elif frequency_hz is not None:
        times = proposed_rms(frequency_hz) if side == "rms" else proposed_peak(frequency_hz)
    smallest = min(bounds, key=lambda one: one.dbu, default=None)
    return Threshold(
        dbu=None if smallest is None else smallest.dbu,
        volts=None if smallest is None else smallest.volts,
        bound_by=None if smallest is None else smallest.by,
        bound_at=None if smallest is None else smallest.name,
        attack_ms=None if times is None else times.attack_ms,
        release_ms=None if times is None else times.release_ms,
        kept_times=kept,
        bounds=tuple(bounds),
    )


def _disagreement(
    output: Output, where: str, loads: Sequence[ChannelLoad], bounds: Mapping[Side, list[Bound]]
) -> list[Concern]:
    """Boxes on one output that would take thresholds more than 3 dB apart.

    What a box bears beyond its channel's own end counts for nothing: it never gets there.
    """
    ends = {one.name: one.dbu for one in bounds["rms"] if one.by != "loudspeaker"}
    channels = {each.source.name: load.channel.name for load in loads for each in load.hung}
    weakest: dict[str, float] = {}
    for one in bounds["rms"]:
        if one.by == "loudspeaker":
            end_dbu = ends.get(channels.get(one.name, ""), math.inf)
            weakest[one.name] = min(one.dbu, end_dbu, weakest.get(one.name, math.inf))
    if len(weakest) < 2:
        return []
    low, high = min(weakest, key=weakest.__getitem__), max(weakest, key=weakest.__getitem__)
    if weakest[high] - weakest[low] <= DISAGREEMENT_DB:
        return []
    return [
        Concern(
            "bound",
            where,
            f"boxes on {quoted(output.name)} disagree by "
            f"{plain(weakest[high] - weakest[low], 1)} dB: {quoted(low)} can be given "
            f"{show_dbu(weakest[low])} and decides, {quoted(high)} could be given "
            f"{show_dbu(weakest[high])}; give them outputs or amplifier gains of their own",
        )
    ]


def _in_group(preset: Preset, own: OutputLimits, alone: Mapping[str, OutputLimits]) -> OutputLimits:
    """The same with the smallest threshold of those that are set together with it."""
    group = followers(preset, own.output, "limiter")
    if len(group) == 1:
        return own
    working = list(own.working)
    sides: dict[Side, Threshold] = {}
    for side in SIDES:
        mine = own.side(side)
        sides[side] = mine
        if mine.dbu is None or mine.volts is None:
            continue
        others = [alone[name] for name in sorted(group) if alone[name].side(side).dbu is not None]
        least = min(others, key=lambda each: each.side(side).dbu or 0.0)
        theirs = least.side(side)
        assert theirs.dbu is not None
        if theirs.dbu < mine.dbu - 1e-9:
            sides[side] = replace(
                mine,
                dbu=theirs.dbu,
                volts=mine.volts * ratio_from_db(theirs.dbu - mine.dbu),
                bound_by=theirs.bound_by,
                bound_at=theirs.bound_at,
            )
            working.append(
                f"{side}: set together with {quoted(least.output)}, which bears less: "
                f"{show_dbu(theirs.dbu, 2)} for both"
            )
    return replace(own, rms=sides["rms"], peak=sides["peak"], working=tuple(working))


def _load_notes(loads: Sequence[ChannelLoad]) -> list[str]:
    """Why a least impedance under what an amplifier may drive is no caution, where that is so."""
    near = [
        load
        for load in loads
        if load.load_ohm is not None
        and load.rated_load_ohm is not None
        and load.channel.line_v is None
        and not load.concerns
        and load.load_ohm * (0.5 if load.channel.bridged else 1.0)
        < load.amplifier.minimum_load_ohm * (1.0 - 1e-9)
    ]
    if not near:
        return []
    names = listed(load.channel.name for load in near)
    return [
        f"{names}: what an amplifier may drive is a rated load, and the rated load here keeps to "
        "it; the least impedance shown lies lower, within the usual fifth"
    ]


def _notes(preset: Preset, outputs: Sequence[OutputLimits]) -> list[str]:
    notes: list[str] = []
    unknown = [
        box.name
        for box in preset.loudspeakers
        if box.power_w is not None and box.power_w.basis == "unknown" and not box.active
    ]
    if unknown:
        notes.append(
            f"{listed(unknown)}: on what basis the power was rated is not known, so it counts half "
            "(3 dB)"
        )
    for each in outputs:
        group = sorted(followers(preset, each.output, "limiter"))
        locked = [name for name in group if "limiter" in preset.output(name).locked]
        if locked and each.rms.dbu is not None:
            notes.append(
                f"the limiter of {quoted(each.output)} is not applied: that of {listed(locked)} "
                "is locked" + ("" if each.output in locked else ", and they are set together")
            )
    return notes
