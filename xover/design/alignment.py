"""Polarity and delay that make one output sum best with another where people sit.

The answer is in final settings for every output, so that groups move whole and what was aligned
to the reference stays aligned to it. Parts without a common time zero are refused, not guessed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from xover.acoustics.air import speed_of_sound_m_s
from xover.acoustics.geometry import nearest_distance_m
from xover.design.choice import (
    Candidate,
    candidates,
    choose,
    quadrature_delay,
    tolerance_ms,
)
from xover.design.delay_search import Criterion, DelayProblem, Minimum, search
from xover.design.overlap import (
    POINTS_PER_OCTAVE,
    merge_bands,
)
from xover.design.parts import Basis, Question, parts_at
from xover.dsp.axis import Axis
from xover.model.changes import (
    Setting,
    Shift,
    followers,
    is_locked,
    other_polarity,
    settings_after,
    with_settings,
)
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Crossover, Output
from xover.model.rig import Loudspeaker
from xover.model.units import show_ms
from xover.model.words import Enclosure, Polarity

MAX_ALTERNATIVES = 5
SETTLED_MS = 5e-4
EDGE_SPREAD_HZ = 5.0
LATENCY_SPREAD_MS = 1.0


class Alternative(Struct, frozen=True):
    """Another setting: what it is, what would be entered, and what it loses at each listener."""

    kind: str
    """"candidate", or "quadrature" for the flat setting of an odd-order Butterworth pair."""
    polarity: Polarity
    delay_ms: float
    delayed_output: str
    loss_after_db: dict[str, float]
    mean_loss_db: float
    group_delay_difference_ms: float
    at_limit: bool


class PairAlignment(Struct, frozen=True):
    """One moved output against the reference.

    `delay_ms` ≥ 0 is added to `delayed_output`; `polarity` is the moved output's field after
    applying; `relative_delay_ms` is the moved output's delay relative to the reference, on top of
    today's. `tolerance_ms` is (earlier, later) until the mean loss grows by 1 dB, None = never.
    """

    move: str
    to: str
    polarity: Polarity
    delay_ms: float
    delayed_output: str
    relative_delay_ms: float
    inverted: bool
    bands_hz: tuple[tuple[float, float], ...]
    loss_before_db: dict[str, float]
    loss_after_db: dict[str, float]
    tolerance_ms: tuple[float | None, float | None]
    tolerance_m: float | None
    tolerance_c: float | None
    basis: dict[str, Basis]
    ambiguous: bool
    at_limit: bool
    alternatives: tuple[Alternative, ...]
    spread_ms: tuple[float, float] | None
    notes: tuple[str, ...]


class Alignment(Struct, frozen=True):
    """The whole answer: one result a moved output, and the final settings of every output."""

    results: tuple[PairAlignment, ...]
    settings: dict[str, Setting]
    criterion: Criterion
    drive: Drive
    notes: tuple[str, ...]

    @property
    def ambiguous(self) -> bool:
        """Whether any result has a rival as good."""
        return any(result.ambiguous for result in self.results)


def align(
    preset: Preset,
    *,
    move: Sequence[str],
    to: str,
    listeners: Sequence[str],
    drive: Drive | None = None,
    max_delay_ms: float = 25.0,
    keep_polarity: bool = False,
    band_hz: tuple[float, float] | None = None,
    criterion: Criterion = "mean",
    assume_shared_zero: bool = False,
    mixed: bool = False,
) -> Alignment:
    """Align outputs `move` to output `to` at `listeners` (exact names).

    The relative delay is searched in ±`max_delay_ms` on top of today's, with both polarities
    unless `keep_polarity` or a lock forbids it. `band_hz` overrides the overlap. `drive` says
    what is played (None: the preset's stimulus, else all inputs alike). `assume_shared_zero`
    accepts captures of unknown or different sessions, `mixed` a measurement against a model and
    phases estimated from magnitude. Raises `Refused` with the reason where no answer is honest.
    """
    question = Question(
        to,
        tuple(listeners),
        drive_of(preset) if drive is None else drive,
        max_delay_ms,
        keep_polarity,
        band_hz,
        criterion,
        assume_shared_zero,
        mixed,
    )
    _check_request(preset, tuple(move), question)
    results = tuple(_align_one(preset, name, question) for name in move)
    shifts = {result.move: Shift(result.relative_delay_ms, result.inverted) for result in results}
    settings = settings_after(preset, shifts)
    return Alignment(
        results, settings, criterion, question.drive, _settings_notes(preset, shifts, settings)
    )


def apply_alignment(preset: Preset, alignment: Alignment) -> Preset:
    """The preset with the alignment's settings written into every output."""
    return with_settings(preset, alignment.settings)


def summation_loss(
    preset: Preset, first: str, second: str, listener: str, drive: Drive, *, mixed: bool = False
) -> tuple[tuple[tuple[float, float], ...], float]:
    """The overlap bands in Hz of two outputs at a listener and today's mean loss there, in dB.

    Raises `Refused` as `align` does, where the two cannot be compared.
    """
    question = Question(first, (listener,), drive, 0.0, True, None, "mean", False, mixed)
    axis = Axis.log(POINTS_PER_OCTAVE, sample_rate_hz=preset.sample_rate_hz)
    part = parts_at(preset, second, question, axis)[0][0]
    problem = DelayProblem([part.pair()], "mean")
    return part.bands_hz, float(problem.values_db(np.zeros(1), inverted=False)[0])


def _check_request(preset: Preset, move: tuple[str, ...], question: Question) -> None:
    if not move:
        raise Refused.at("", "name at least one output to move")
    if not question.listeners:
        raise Refused.at("", "name at least one listener")
    for group in (move, question.listeners):
        if len(set(group)) != len(group):
            raise Refused.at("", "the same name is given twice")
    if question.to in move:
        raise Refused.at("", f"“{question.to}” cannot be moved and be the reference at once")
    if not question.max_delay_ms >= 0.0 or question.max_delay_ms > 10_000.0:
        raise Refused.at("", "the largest delay must be between 0 and 10,000 ms")
    if question.band_hz is not None and not 0.0 < question.band_hz[0] < question.band_hz[1]:
        raise Refused.at("", "the band needs a low edge above 0 Hz and a higher high edge")
    for name in move:
        if question.to in followers(preset, name, "delay"):
            raise Refused.at(
                "",
                f"“{name}” and “{question.to}” are in one group that follows delay, so nothing "
                "between them can change; take one of them out of the group",
            )
        if is_locked(preset, name, "delay"):
            raise Refused.at(
                f'outputs["{name}"].locked',
                f"the delay of “{name}” is locked; unlock it, or put it in a group that moves "
                "whole",
            )
    if not question.drive.correlated:
        fed = {
            name
            for output in (*move, question.to)
            for name in preset.output(output).inputs
            if name in question.drive.levels_db
        }
        if len(fed) > 1:
            raise Refused.at(
                "",
                "independent input signals have no phase between them, so there is nothing to "
                "align; "
                + (
                    "the preset's stimulus is uncorrelated: name what plays with --drive"
                    if preset.stimulus is not None
                    and not preset.stimulus.correlated
                    and question.drive.origin != "request"
                    else "leave out --uncorrelated, or drive one input with --drive"
                ),
            )


def _align_one(preset: Preset, name: str, question: Question) -> PairAlignment:
    axis = Axis.log(POINTS_PER_OCTAVE, sample_rate_hz=preset.sample_rate_hz)
    parts, basis, modelled, notes = parts_at(preset, name, question, axis)
    keep = question.keep_polarity
    if is_locked(preset, name, "polarity") and not keep:
        keep = True
        notes.append(f"the polarity of “{name}” is locked, so only its delay was sought")
    pairs = [part.pair() for part in parts]
    problem = DelayProblem(pairs, question.criterion)
    mean = problem if question.criterion == "mean" else DelayProblem(pairs, "mean")
    minima = search(
        problem,
        max_delay_ms=question.max_delay_ms,
        polarities=(False,) if keep else (False, True),
    )
    if not minima:
        raise Refused.at("", f"no delay within ±{show_ms(question.max_delay_ms)} sums any better")
    ranked = candidates(parts, minima)
    chosen, ambiguous = choose(ranked, log_centre_hz=problem.log_centre_hz)
    losses = _LossTable(mean, question, preset, name)
    rest = [entry for entry in ranked if entry is not chosen][:MAX_ALTERNATIVES]
    alternatives = [losses.alternative("candidate", entry) for entry in rest]
    if _odd_butterworth_pair(preset.output(question.to), preset.output(name)):
        flat = quadrature_delay(
            parts, max_delay_ms=question.max_delay_ms, near_ms=chosen.minimum.delay_ms
        )
        if flat is not None:
            delay_ms, inverted = flat[0], flat[1] and not keep
            value = float(problem.values_db(np.array([delay_ms]), inverted=inverted)[0])
            entry = candidates(parts, [Minimum(delay_ms, inverted, value, False)])[0]
            alternatives.insert(0, losses.alternative("quadrature", entry))
            notes.append(
                "odd-order Butterworth filters are flat in quadrature by design: the chosen "
                "setting sums in phase and is louder at the crossover, the quadrature setting "
                "listed sums flat"
            )
    answer = chosen.minimum
    if abs(answer.delay_ms) < SETTLED_MS:  # below the resolution of any answer: nothing to do
        answer = dataclasses.replace(answer, delay_ms=0.0)
    if answer.at_limit:
        notes.append("the best delay lies at the limit of the search; raise --max-delay-ms")
    spread = None
    if modelled:
        spread = _spread(preset, name, question, modelled, answer)
        notes.append(
            f"a starting value: {' and '.join(f'“{output}”' for output in modelled)} rest on a "
            "model; measure before the show"
        )
    setting = losses.setting(answer)
    tolerance = tolerance_ms(mean, answer.delay_ms, inverted=answer.inverted)
    length_m, temperature_c = _tolerance_elsewhere(preset, name, question, tolerance)
    return PairAlignment(
        move=name,
        to=question.to,
        polarity=setting.polarity,
        delay_ms=setting.delay_ms,
        delayed_output=setting.delayed_output,
        relative_delay_ms=answer.delay_ms,
        inverted=answer.inverted,
        bands_hz=merge_bands([band for part in parts for band in part.bands_hz]),
        loss_before_db=losses.at(0.0, inverted=False),
        loss_after_db=losses.at(answer.delay_ms, inverted=answer.inverted),
        tolerance_ms=tolerance,
        tolerance_m=length_m,
        tolerance_c=temperature_c,
        basis=basis,
        ambiguous=ambiguous,
        at_limit=answer.at_limit,
        alternatives=tuple(alternatives),
        spread_ms=spread,
        notes=tuple(notes),
    )


@dataclass(frozen=True)
class _Entered:
    polarity: Polarity
    delay_ms: float
    delayed_output: str


@dataclass(frozen=True)
class _LossTable:
    """Losses by listener, and what a relative delay means as something to enter."""

    mean: DelayProblem
    question: Question
    preset: Preset
    name: str

    def at(self, delay_ms: float, *, inverted: bool) -> dict[str, float]:
        losses = self.mean.listener_losses_db(np.array([delay_ms]), inverted=inverted)[0]
        return dict(zip(self.question.listeners, (float(value) for value in losses), strict=True))

    def setting(self, minimum: Minimum) -> _Entered:
        present = self.preset.output(self.name).polarity
        return _Entered(
            other_polarity(present) if minimum.inverted else present,
            abs(minimum.delay_ms),
            self.name if minimum.delay_ms >= 0.0 else self.question.to,
        )

    def alternative(self, kind: str, entry: Candidate) -> Alternative:
        setting = self.setting(entry.minimum)
        losses = self.at(entry.minimum.delay_ms, inverted=entry.minimum.inverted)
        return Alternative(
            kind,
            setting.polarity,
            setting.delay_ms,
            setting.delayed_output,
            losses,
            float(np.mean(list(losses.values()))),
            entry.group_delay_ms,
            entry.minimum.at_limit,
        )


def _odd_butterworth_pair(first: Output, second: Output) -> bool:
    def odd(item: Crossover | None) -> int:
        if item is None or item.family != "butterworth":
            return 0
        order = item.slope_db_per_octave // 6
        return order if order % 2 else 0

    return any(
        odd(low.low_pass) != 0 and odd(low.low_pass) == odd(high.high_pass)
        for low, high in ((first, second), (second, first))
    )


def _tolerance_elsewhere(
    preset: Preset,
    name: str,
    question: Question,
    tolerance: tuple[float | None, float | None],
) -> tuple[float | None, float | None]:
    """The smaller tolerance as a path length in m, and as a change of air temperature in °C.

    With c = 343.2·√(T/293.15 K) (ISO 9613-1) the flight time of Δr changes by −Δr/(2·c·T) a
    kelvin; None where it never matters or positions are unknown.
    """
    known = [value for value in tolerance if value is not None]
    if not known:
        return None, None
    speed = speed_of_sound_m_s(preset.air)
    kelvin = preset.air.temperature_c + 273.15
    length_m = min(known) * 1e-3 * speed
    degrees: list[float] = []
    for listener in question.listeners:
        to_m = nearest_distance_m(preset, question.to, listener)
        move_m = nearest_distance_m(preset, name, listener)
        if to_m is None or move_m is None:
            continue
        per_degree_ms = abs(to_m - move_m) * 1e3 / (2.0 * speed * kelvin)
        if per_degree_ms > 0.0:
            degrees.append(min(known) / per_degree_ms)
    return length_m, min(degrees) if degrees else None


def _spread(
    preset: Preset, name: str, question: Question, modelled: Sequence[str], answer: Minimum
) -> tuple[float, float]:
    """The range of the relative delay in ms over what a data sheet leaves open.

    Both enclosures, ±5 Hz at the band edges and ±1 ms of latency of each modelled part.
    """
    axis = Axis.log(POINTS_PER_OCTAVE, sample_rate_hz=preset.sample_rate_hz)
    boxes = {
        source.loudspeaker
        for output in modelled
        for source in preset.sources_of(output)
        if preset.loudspeaker(source.loudspeaker).response is None
    }
    found = [answer.delay_ms]
    for box in sorted(boxes):
        for variant in _variants(preset.loudspeaker(box)):
            changed = replace(
                preset,
                loudspeakers=tuple(
                    variant if item.name == box else item for item in preset.loudspeakers
                ),
            )
            try:
                parts = parts_at(changed, name, question, axis)[0]
            except Refused:
                continue
            problem = DelayProblem([part.pair() for part in parts], question.criterion)
            minima = search(
                problem, max_delay_ms=question.max_delay_ms, polarities=(answer.inverted,)
            )
            if minima:
                found.append(
                    min((item.delay_ms for item in minima), key=lambda d: abs(d - answer.delay_ms))
                )
    return min(found) - LATENCY_SPREAD_MS, max(found) + LATENCY_SPREAD_MS


def _variants(box: Loudspeaker) -> list[Loudspeaker]:
    enclosures: tuple[Enclosure, ...] = ("sealed", "vented")
    variants = [
        replace(box, enclosure=enclosure) for enclosure in enclosures if enclosure != box.enclosure
    ]
    low, high = box.passband_hz
    for edge in (-EDGE_SPREAD_HZ, EDGE_SPREAD_HZ):
        if 0.0 < low + edge < high:
            variants.append(replace(box, passband_hz=(low + edge, high)))
        if low < high + edge:
            variants.append(replace(box, passband_hz=(low, high + edge)))
    return variants


def _settings_notes(
    preset: Preset, shifts: dict[str, Shift], settings: dict[str, Setting]
) -> tuple[str, ...]:
    notes: list[str] = []
    moved = {name for shift in shifts for name in followers(preset, shift, "delay")}
    tied = sorted(moved - set(shifts))
    if tied:
        notes.append("moved along by their group: " + ", ".join(tied))
    shifted = [
        output.name
        for output in preset.outputs
        if output.name not in moved and settings[output.name].delay_ms > output.delay_ms
    ]
    if shifted:
        added_ms = settings[shifted[0]].delay_ms - preset.output(shifted[0]).delay_ms
        notes.append(
            f"the moved part arrives late, so everything else is delayed by {show_ms(added_ms)} "
            f"and stays aligned: {', '.join(shifted)}"
        )
    return tuple(notes)
