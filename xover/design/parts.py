"""The two parts of an alignment at every listener, or the reason why they cannot be compared.

Parts need sound, a phase, a common time zero and a common kind of level; whatever is missing is
refused with its remedy, never assumed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from xover.acoustics.field import PathResponse, paths_at
from xover.design.choice import ListenerParts
from xover.design.delay_search import Criterion
from xover.design.overlap import (
    WIDEST_OCTAVES,
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
from xover.model.units import show_hz

Basis = Literal["measured", "trace", "model", "mixed"]


@dataclass(frozen=True)
class Question:
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


def parts_at(
    preset: Preset, name: str, question: Question, axis: Axis
) -> tuple[list[ListenerParts], dict[str, Basis], list[str], list[str]]:
    """Reference and moved part at every listener, the basis of each, modelled outputs, notes."""
    parts: list[ListenerParts] = []
    bases: dict[str, set[Basis]] = {question.to: set(), name: set()}
    notes: list[str] = []
    for listener in question.listeners:
        reference, moved = paths_at(preset, (question.to, name), listener, axis, question.drive)
        for path in (reference, moved):
            _check_path(preset, path, listener, question)
            bases[path.output].add(path.basis)
            notes += path.notes
        _check_pair(reference, moved, listener, question)
        first = reference.responses.sum(axis=0)
        second = moved.responses.sum(axis=0)
        overlap, weight = _overlap_at(preset, name, listener, question, axis, reference, moved)
        parts.append(
            ListenerParts(
                listener, axis.frequency_hz, first, second, weight, overlap.mask, overlap.bands_hz
            )
        )
    modelled = [output for output, kinds in bases.items() if kinds - {"measured"}]
    settled: dict[str, Basis] = {
        output: kinds.pop() if len(kinds) == 1 else "mixed" for output, kinds in bases.items()
    }
    return parts, settled, modelled, list(dict.fromkeys(notes))


def _overlap_at(
    preset: Preset,
    name: str,
    listener: str,
    question: Question,
    axis: Axis,
    reference: PathResponse,
    moved: PathResponse,
) -> tuple[Overlap, FloatArray]:
    frequency_hz = axis.frequency_hz
    first, second = reference.responses.sum(axis=0), moved.responses.sum(axis=0)
    weight = np.ones(frequency_hz.size)
    for path in (reference, moved):
        if path.coherence is not None:
            weight = weight * np.nan_to_num(path.coherence)
        weight = np.where(path.doubtful, 0.0, weight)
    to, mover = preset.output(question.to), preset.output(name)
    reference_is_low = lies_lower(
        frequency_hz,
        smoothed_magnitude(frequency_hz, first),
        smoothed_magnitude(frequency_hz, second),
    )
    lower, upper = (to, mover) if reference_is_low else (mover, to)
    corners = (
        lower.low_pass.frequency_hz if lower.low_pass else None,
        upper.high_pass.frequency_hz if upper.high_pass else None,
    )
    usable = np.where(weight > 0.0, 1.0, np.nan)
    overlap = find_overlap(
        frequency_hz,
        first * usable,
        second * usable,
        reference_hz=reference_range_hz(corners),
        band_hz=question.band_hz,
    )
    if not overlap.mask.any():
        raise Refused.at(
            "",
            f"“{question.to}” and “{name}” do not overlap at “{listener}”: nowhere are both within "
            "10 dB of each other and within 20 dB of the crossover's level"
            + (
                f" between {show_hz(question.band_hz[0])} and {show_hz(question.band_hz[1])}"
                if question.band_hz
                else "; check the crossover frequencies, or name a band with --band"
            ),
        )
    if question.band_hz is None and overlap.octaves > WIDEST_OCTAVES:
        raise Refused.at(
            "",
            f"“{question.to}” and “{name}” overlap over {overlap.octaves:.1f} octaves at "
            f"“{listener}”, so they play the same range rather than cross over; set the delay by "
            "time of flight with `xover distance`, or name a band with --band",
        )
    return overlap, weight


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
