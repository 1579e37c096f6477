"""The parts of an alignment at every listener, pair by pair, or why they cannot be compared.

Parts need sound, a phase, a common time zero and a common kind of level; whatever is missing is
refused with its remedy, never assumed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics.field import PathResponse, paths_at
from xover.acoustics.geometry import SHORTEST_M
from xover.acoustics.measured import doubtful_words
from xover.design.choice import ListenerParts
from xover.design.delay_search import Criterion
from xover.design.joint import Ties
from xover.design.overlap import (
    WIDEST_OCTAVES,
    ComplexArray,
    FloatArray,
    Overlap,
    find_overlap,
    lies_lower,
    reference_range_hz,
    smoothed_magnitude,
)
from xover.dsp.axis import Axis
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Output
from xover.model.units import show_hz

Basis = Literal["measured", "trace", "model", "mixed"]

SAME_POINT_M = 1e-3
EDGE = 2.0 ** (1.0 / 24.0)
"""This near to an overlap doubtful frequencies may be what ends it."""


class Question(Struct, frozen=True):
    """Everything asked, with exact names."""

    to: str
    listeners: tuple[str, ...]
    drive: Drive
    max_delay_ms: float
    keep_polarity: bool
    band_hz: tuple[float, float] | None
    criterion: Criterion
    assume_shared_zero: bool
    mixed: bool
    weights: tuple[float, ...] = ()
    """One a listener; empty: all alike."""

    def weight(self, listener: str) -> float:
        """How much a listener counts."""
        return self.weights[self.listeners.index(listener)] if self.weights else 1.0


class PairParts(Struct, frozen=True, eq=False):
    """Two outputs at the listeners where they overlap, `first` the earlier one named."""

    first: str
    second: str
    at: tuple[ListenerParts, ...]


class Scene(Struct, frozen=True, eq=False):
    """Every pair that counts, and what it rests on."""

    question: Question
    move: tuple[str, ...]
    pairs: tuple[PairParts, ...]
    basis: dict[str, Basis]
    basis_at: dict[str, dict[str, Basis]]
    """By listener, then by output."""
    modelled: tuple[str, ...]
    """Outputs that are not measured everywhere."""
    notes: tuple[str, ...]

    def filtered(self, output: str, response: ComplexArray) -> Scene:
        """The scene with one output's response multiplied by one (n,) of magnitude 1."""

        def passed(pair: PairParts) -> PairParts:
            if output == pair.first:
                at = tuple(replace(part, first=part.first * response) for part in pair.at)
            elif output == pair.second:
                at = tuple(replace(part, second=part.second * response) for part in pair.at)
            else:
                return pair
            return replace(pair, at=at)

        return replace(self, pairs=tuple(passed(pair) for pair in self.pairs))


def gather(
    preset: Preset, move: Sequence[str], ties: Ties, question: Question, axis: Axis
) -> Scene:
    """All parts at every listener, and the pairs of them that overlap.

    Movers that keep both delay and polarity between them are no pair. Raises `Refused` where
    parts cannot be compared, where one overlaps with nothing, or nothing does at a listener.
    """
    names = (question.to, *move)
    pairs: dict[tuple[str, str], list[ListenerParts]] = {}
    kinds: dict[str, dict[str, Basis]] = {}
    alike: list[tuple[str, str]] = []
    wanted = [
        (first, second)
        for first, second in itertools.combinations(range(-1, len(move)), 2)
        if first < 0 or not _held(ties, first, second)
    ]
    heard: dict[str, tuple[PathResponse, ...]] = {}
    for listener in question.listeners:
        heard[listener] = paths_at(preset, names, listener, axis, question.drive)
        kinds[listener] = {path.output: path.basis for path in heard[listener]}
        for path in heard[listener]:
            _check_path(preset, path, listener, question)
    _check_points(preset, kinds, question)
    for listener, paths in heard.items():
        for one, two in wanted:
            first, second = paths[one + 1], paths[two + 1]
            if len(wanted) == 1:
                _check_pair(first, second, listener, question)
            weight = _weight(first, second)
            outputs = (preset.output(first.output), preset.output(second.output))
            overlap = overlap_of(
                axis.frequency_hz, outputs, (first.total, second.total), weight, question.band_hz
            )
            if not overlap.mask.any():
                if len(wanted) == 1:
                    raise _no_overlap(axis, first, second, listener, question)
                continue
            if question.band_hz is None and overlap.octaves > WIDEST_OCTAVES:
                if one < 0:
                    raise _same_range(first.output, second.output, overlap, listener)
                alike.append((first.output, second.output))
                continue
            _check_pair(first, second, listener, question)
            pairs.setdefault((first.output, second.output), []).append(
                ListenerParts(
                    listener,
                    axis.frequency_hz,
                    first.total,
                    second.total,
                    weight,
                    overlap.mask,
                    overlap.bands_hz,
                )
            )
    found = tuple(PairParts(*each, tuple(at)) for each, at in pairs.items() if each not in alike)
    notes = [
        note
        for listener, paths in heard.items()
        for path in paths
        for note in path.notes
        if note != doubtful_words(path.output, listener) or _in_doubt(path, listener, found)
    ]
    notes += [
        f"“{first}” and “{second}” play the same range, so nothing between them counts here; "
        "`xover distance` sets a delay by time of flight"
        for first, second in alike
    ]
    _check_reach(found, move, ties, question)
    basis = _settled(kinds, names, question)
    return Scene(
        question,
        tuple(move),
        found,
        basis,
        kinds,
        tuple(name for name in names if basis[name] != "measured"),
        tuple(dict.fromkeys(notes)),
    )


def _in_doubt(path: PathResponse, listener: str, pairs: Sequence[PairParts]) -> bool:
    """Whether a capture's doubtful frequencies cut into an overlap: lie in it or at its edge."""
    for pair in pairs:
        for part in pair.at:
            if path.output in (pair.first, pair.second) and part.listener == listener:
                low, high = part.bands_hz[0][0] / EDGE, part.bands_hz[-1][1] * EDGE
                near = (part.frequency_hz >= low) & (part.frequency_hz <= high)
                if np.any(path.doubtful & near):
                    return True
    return False


def overlap_of(
    frequency_hz: FloatArray,
    outputs: tuple[Output, Output],
    responses: tuple[ComplexArray, ComplexArray],
    weight: FloatArray,
    band_hz: tuple[float, float] | None,
) -> Overlap:
    """The overlap of two outputs' responses (n,), with the corners that the outputs have."""
    first, second = (smoothed_magnitude(frequency_hz, response) for response in responses)
    first_is_low = lies_lower(frequency_hz, first, second)
    lower, upper = outputs if first_is_low else (outputs[1], outputs[0])
    corners = (
        lower.low_pass.frequency_hz if lower.low_pass else None,
        upper.high_pass.frequency_hz if upper.high_pass else None,
    )
    usable = np.where(weight > 0.0, 1.0, np.nan)
    return find_overlap(
        frequency_hz,
        responses[0] * usable,
        responses[1] * usable,
        reference_hz=reference_range_hz(corners),
        band_hz=band_hz,
        smoothed=(first, second),
    )


def _held(ties: Ties, first: int, second: int) -> bool:
    """Whether nothing between two movers can change."""
    return (
        ties.delay_of[first] == ties.delay_of[second]
        and ties.polarity_of[first] == ties.polarity_of[second]
    )


def _weight(first: PathResponse, second: PathResponse) -> FloatArray:
    weight = np.ones(first.doubtful.size)
    for path in (first, second):
        if path.coherence is not None:
            weight = weight * np.nan_to_num(path.coherence)
        weight = np.where(path.doubtful, 0.0, weight)
    return weight


def _no_overlap(
    axis: Axis, first: PathResponse, second: PathResponse, listener: str, question: Question
) -> Refused:
    known = [~np.isnan(path.total) for path in (first, second)]
    if not (known[0] & known[1]).any():
        spans = [axis.frequency_hz[each] for each in known]
        reach = ", ".join(
            f"“{path.output}” from {show_hz(float(span[0]))} to {show_hz(float(span[-1]))}"
            for path, span in zip((first, second), spans, strict=True)
            if span.size
        )
        return Refused.at(
            "",
            f"what is known of “{first.output}” and “{second.output}” at “{listener}” has no "
            f"frequency in common: {reach}; capture them past where they cross over, with their "
            "filters in force (`xover signal sweep --beyond 1`)",
        )
    band = question.band_hz
    return Refused.at(
        "",
        f"“{first.output}” and “{second.output}” do not overlap at “{listener}”: nowhere are both "
        "within 10 dB of each other and within 20 dB of the crossover's level"
        + (
            f" between {show_hz(band[0])} and {show_hz(band[1])}"
            if band
            else "; check the crossover frequencies, or name a band with --band"
        ),
    )


def _same_range(first: str, second: str, overlap: Overlap, listener: str) -> Refused:
    return Refused.at(
        "",
        f"“{first}” and “{second}” overlap over {overlap.octaves:.1f} octaves at “{listener}”, so "
        "they play the same range rather than cross over; set the delay by time of flight with "
        "`xover distance`, or name a band with --band",
    )


def _check_reach(
    pairs: Sequence[PairParts], move: Sequence[str], ties: Ties, question: Question
) -> None:
    """Every mover must hang on the reference, through others at most; every listener must count."""
    index = {name: ties.delay_of[at] for at, name in enumerate(move)} | {question.to: -1}
    reached = {-1}
    for _ in move:
        for pair in pairs:
            if not any(question.weight(part.listener) for part in pair.at):
                continue
            ends = {index[pair.first], index[pair.second]}
            if ends & reached:
                reached |= ends
    for name in move:
        if index[name] not in reached:
            raise Refused.at(
                "",
                f"“{name}” overlaps with “{question.to}” at none of the listeners that count, nor "
                "with anything moved that does; check the crossover frequencies, name a band with "
                "--band, or leave it out",
            )
    heard = {part.listener for pair in pairs for part in pair.at}
    for listener in question.listeners:
        if listener not in heard:
            raise Refused.at(
                "", f"nothing that is aligned overlaps at “{listener}”; leave that listener out"
            )


def _settled(
    kinds: dict[str, dict[str, Basis]], names: Sequence[str], question: Question
) -> dict[str, Basis]:
    """The basis of each output over all listeners. Raises `Refused` where it is mixed unasked."""
    basis: dict[str, Basis] = {}
    for name in names:
        found = {kinds[listener][name] for listener in question.listeners}
        if "measured" in found and len(found) > 1 and not question.mixed:
            there = [one for one in question.listeners if kinds[one][name] == "measured"]
            absent = [one for one in question.listeners if kinds[one][name] != "measured"]
            raise Refused.at(
                "",
                f"“{name}” is measured at {_listed(there)} but only computed at {_listed(absent)}; "
                "capture it there, leave that listener out, or use --mixed for a starting value",
            )
        basis[name] = found.pop() if len(found) == 1 else "mixed"
    return basis


def _check_points(preset: Preset, kinds: dict[str, dict[str, Basis]], question: Question) -> None:
    """Computed sound needs places apart: no listener inside a box, none named as two."""
    for listener in question.listeners:
        place = preset.listener(listener).position_m
        where = f"listeners[{[item.name for item in preset.listeners].index(listener)}].position_m"
        for output, basis in kinds[listener].items():
            if basis == "measured":
                continue
            for source in preset.sources_of(output):
                if math.dist(source.position_m, place) < SHORTEST_M:
                    raise Refused.at(
                        where,
                        f"“{listener}” is inside a box: the source “{source.name}” is less than "
                        f"{SHORTEST_M:g} m away; correct the position of one of them",
                    )
    computed = [one for one in question.listeners if "measured" not in kinds[one].values()]
    for one, two in itertools.combinations(computed, 2):
        if math.dist(*(preset.listener(name).position_m for name in (one, two))) < SAME_POINT_M:
            raise Refused.at(
                "",
                f"“{one}” and “{two}” are the same point, so it would count twice; name one of "
                "them, with a weight if it matters more",
            )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"“{name}”" for name in names)


def _check_path(preset: Preset, path: PathResponse, listener: str, question: Question) -> None:
    where = f"“{path.output}” at “{listener}”"
    response = path.responses.sum(axis=0)
    if preset.output(path.output).muted:
        raise Refused.at("", f"“{path.output}” is muted; unmute it to align it")
    measurement = preset.measurement(path.output, listener)
    if measurement is not None and measurement.captured == "unknown":
        raise Refused.at(
            "",
            f"what was set while {where} was captured is unknown, so today's settings cannot be "
            "put in its place; attach the capture again with --captured flat or settings",
        )
    if measurement is not None and measurement.trace.phase_deg is None:
        raise Refused.at("", f"the capture of {where} has no phase; capture it again with phase")
    if not np.any(np.nan_to_num(np.abs(response)) > 0.0):
        raise Refused.at(
            "",
            f"{where} gives no sound: it is not routed from a driven input, or has neither a "
            "source nor a measurement there",
        )
    if path.estimate and not question.mixed:
        raise Refused.at(
            "",
            f"the phase of {where} is only an estimate from a magnitude; --mixed accepts it for a "
            "starting value",
        )


def _check_pair(
    reference: PathResponse, moved: PathResponse, listener: str, question: Question
) -> None:
    names = f"“{reference.output}” and “{moved.output}” at “{listener}”"
    if reference.level != moved.level:
        raise Refused.at(
            "",
            f"one of {names} is known in dB SPL and the other only as relative dB, so their levels "
            "cannot be compared; attach the captures with --captured-input-dbu, or give "
            "sensitivity and amplifier gain",
        )
    measured = [path for path in (reference, moved) if path.basis == "measured"]
    if len(measured) == 1 and not question.mixed:
        raise Refused.at(
            "",
            f"of {names} only “{measured[0].output}” is measured; capture both in one session, or "
            "use --mixed for a starting value",
        )
    if len(measured) == 2 and not question.assume_shared_zero:
        first, second = reference.session, moved.session
        if first is None or second is None:
            raise Refused.at(
                "",
                f"the captures of {names} name no session, so it is not known whether they share "
                "a time zero; attach them with --session, or use --assume-shared-zero if you know",
            )
        if first != second:
            raise Refused.at(
                "",
                f"the captures of {names} come from different sessions (“{first}”, “{second}”) "
                "without a common time zero; capture both in one session, or use "
                "--assume-shared-zero if you know that they share it",
            )
