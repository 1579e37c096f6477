"""Polarity and delay that make outputs sum best with another where people sit.

The answer is in final settings for every output, so that groups move whole and what was aligned
to the reference stays aligned to it. Parts without a common time zero are refused, not guessed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from xover.design.all_pass import WORTH_DB, fit, owners, with_sections
from xover.design.answer import Alignment, MovedPart, RunnerUp
from xover.design.delay_search import Criterion
from xover.design.hints import hints_for
from xover.design.joint import Solution, Ties
from xover.design.joint_search import Progress
from xover.design.moves import check_moves
from xover.design.overlap import POINTS_PER_OCTAVE
from xover.design.parts import Question, gather
from xover.design.results import MAX_ALTERNATIVES, Without, pair_alignment, settled
from xover.design.solve import Solved, pair_problem, solve
from xover.dsp.axis import Axis
from xover.model.changes import (
    Setting,
    Shift,
    followers,
    is_locked,
    other_polarity,
    settings_after,
    with_added_eq,
    with_settings,
)
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import EqSection
from xover.model.units import show_ms

MOST_MOVERS = 8
"""More outputs than this are not searched together."""


def align(
    preset: Preset,
    *,
    move: Sequence[str],
    to: str,
    listeners: Sequence[str],
    weights: Mapping[str, float] | None = None,
    drive: Drive | None = None,
    max_delay_ms: float = 25.0,
    keep_polarity: bool = False,
    band_hz: tuple[float, float] | None = None,
    criterion: Criterion = "mean",
    assume_shared_zero: bool = False,
    mixed: bool = False,
    all_pass: bool = False,
    progress: Progress | None = None,
) -> Alignment:
    """Align outputs `move` to output `to` at `listeners` (exact names).

    Several are solved together: every two parts that overlap at a listener count. The relative
    delays are searched in ±`max_delay_ms` on top of today's, with both polarities unless
    `keep_polarity` or a lock forbids it. `weights` says how much a listener counts, 1 where it
    is not named. `band_hz` overrides the overlap. `drive` says what is played (None: the preset's
    stimulus, else all inputs alike). `assume_shared_zero` accepts captures of unknown or
    different sessions, `mixed` a measurement against a model and phases estimated from
    magnitude. `all_pass` lets an all-pass section on each moved output be part of the answer,
    where it wins something. `progress` hears how much is done, 0…1, and may raise to stop.
    Raises `Refused` with the reason where no answer is honest.
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
        _weights(listeners, weights or {}),
    )
    _check_request(preset, tuple(move), question)
    ties, said = _ties(preset, move, question)
    axis = Axis.log(POINTS_PER_OCTAVE, sample_rate_hz=preset.sample_rate_hz)
    scene = gather(preset, move, ties, question, axis)
    solved = solve(scene, ties, progress)
    answer = settled(solved.chosen.solution)
    without = Without(scene, answer, {})
    notes: list[str] = []
    if all_pass:
        solved, without, notes = _with_all_pass(preset, solved, axis)
        answer = settled(solved.chosen.solution)
    shifts = {
        name: Shift(delay_ms, turned)
        for name, delay_ms, turned in zip(move, answer.delays_ms, answer.inverted, strict=True)
    }
    settings = settings_after(preset, shifts)
    notes += _settings_notes(preset, shifts, settings)
    if not solved.proven:
        notes.append(
            "too many settings are nearly as good to compare them all: a better one may exist"
        )
    return Alignment(
        results=tuple(
            pair_alignment(preset, solved, answer, index, axis, without, said.get(name, ()))
            for index, name in enumerate(move)
        ),
        settings=settings,
        sections=dict(without.sections),
        criterion=criterion,
        weights={name: question.weight(name) for name in listeners},
        loss_db=answer.value_db,
        runners_up=tuple(
            _runner_up(preset, solved, entry.solution) for entry in solved.others(MAX_ALTERNATIVES)
        ),
        hints=hints_for(preset, scene, ties, without.answer, axis),
        drive=question.drive,
        notes=tuple(notes),
    )


def _with_all_pass(preset: Preset, solved: Solved, axis: Axis) -> tuple[Solved, Without, list[str]]:
    """The answer with a section on each moved output that gains by one, searched again."""
    plain, ties = solved, solved.ties
    sections: dict[str, EqSection] = {}
    groups, notes = owners(preset, plain.scene)
    for outputs in groups:
        section = fit(solved.scene, ties, solved.chosen.solution, outputs, axis)
        if section is not None:
            added = dict.fromkeys(outputs, section)
            better = solve(with_sections(solved.scene, added, axis), ties)
            gained_db = solved.chosen.solution.value_db - better.chosen.solution.value_db
            if gained_db * solved.scale >= WORTH_DB:
                solved = better
                sections |= added
                continue
        names = " and ".join(f"“{name}”" for name in plain.scene.move if name in outputs)
        notes.append(f"no all-pass on {names} would win {WORTH_DB:g} dB, so none is added")
    without = Without(plain.scene, settled(plain.chosen.solution), sections)
    return solved, without, notes


def apply_alignment(preset: Preset, alignment: Alignment) -> Preset:
    """The preset with the alignment's settings written into every output, sections added."""
    return with_added_eq(with_settings(preset, alignment.settings), alignment.sections)


def summation_loss(
    preset: Preset, first: str, second: str, listener: str, drive: Drive, *, mixed: bool = False
) -> tuple[tuple[tuple[float, float], ...], float]:
    """The overlap bands in Hz of two outputs at a listener and today's mean loss there, in dB.

    Raises `Refused` as `align` does, where the two cannot be compared.
    """
    question = Question(first, (listener,), drive, 0.0, True, None, "mean", False, mixed)
    axis = Axis.log(POINTS_PER_OCTAVE, sample_rate_hz=preset.sample_rate_hz)
    scene = gather(preset, (second,), Ties((0,), (None,)), question, axis)
    (pair,) = scene.pairs
    value = pair_problem(scene, pair).values_db(np.zeros(1), inverted=False)
    return pair.at[0].bands_hz, float(value[0])


def _weights(listeners: Sequence[str], weights: Mapping[str, float]) -> tuple[float, ...]:
    for name in weights:
        if name not in listeners:
            raise Refused.at("", f"“{name}” has a weight but is not among the listeners")
    found = tuple(float(weights.get(name, 1.0)) for name in listeners)
    if not all(0.0 <= weight <= 1000.0 for weight in found):
        raise Refused.at("", "the weight of a listener must be between 0 and 1000")
    if found and not any(found):
        raise Refused.at("", "every listener has the weight 0; let at least one of them count")
    return found


def _check_request(preset: Preset, move: tuple[str, ...], question: Question) -> None:
    if len(move) > MOST_MOVERS:
        raise Refused.at(
            "", f"{len(move)} outputs are too many to solve together; move {MOST_MOVERS} at most"
        )
    check_moves(preset, move, question.to)
    if not question.listeners:
        raise Refused.at("", "name at least one listener")
    if len(set(question.listeners)) != len(question.listeners):
        raise Refused.at("", "the same listener is given twice")
    if not question.max_delay_ms >= 0.0 or question.max_delay_ms > 10_000.0:
        raise Refused.at("", "the largest delay must be between 0 and 10,000 ms")
    if question.band_hz is not None and not (
        0.0 < question.band_hz[0] < question.band_hz[1] < np.inf
    ):
        raise Refused.at("", "the band needs a low edge above 0 Hz and a higher high edge")
    if not question.drive.correlated:
        _check_one_signal(preset, (*move, question.to), question.drive)


def _check_one_signal(preset: Preset, names: Sequence[str], drive: Drive) -> None:
    fed = {
        name for output in names for name in preset.output(output).inputs if name in drive.levels_db
    }
    if len(fed) <= 1:
        return
    from_preset = (
        preset.stimulus is not None and not preset.stimulus.correlated and drive.origin != "request"
    )
    raise Refused.at(
        "",
        "independent input signals have no phase between them, so there is nothing to align; "
        + (
            "the preset's stimulus is uncorrelated: name what plays with --drive"
            if from_preset
            else "leave out --uncorrelated, or drive one input with --drive"
        ),
    )


def _ties(
    preset: Preset, move: Sequence[str], question: Question
) -> tuple[Ties, dict[str, list[str]]]:
    """Which movers share a delay or a polarity by their groups, and what is said of each."""
    notes: dict[str, list[str]] = {}
    delays: list[frozenset[str]] = []
    turns: list[frozenset[str]] = []
    delay_of: list[int] = []
    polarity_of: list[int | None] = []
    for name in move:
        unit = followers(preset, name, "delay")
        if unit not in delays:
            delays.append(unit)
        delay_of.append(delays.index(unit))
        turn = followers(preset, name, "polarity")
        if question.keep_polarity:
            polarity_of.append(None)
        elif is_locked(preset, name, "polarity"):
            polarity_of.append(None)
            notes[name] = [f"the polarity of “{name}” is locked, so only its delay was sought"]
        elif question.to in turn:
            polarity_of.append(None)
            notes[name] = [
                f"“{name}” and “{question.to}” are in one group that follows polarity, so only the "
                "delay was sought"
            ]
        else:
            if turn not in turns:
                turns.append(turn)
            polarity_of.append(turns.index(turn))
    return Ties(tuple(delay_of), tuple(polarity_of)), notes


def _runner_up(preset: Preset, solved: Solved, solution: Solution) -> RunnerUp:
    parts = []
    for name, delay_ms, turned in zip(
        solved.scene.move, solution.delays_ms, solution.inverted, strict=True
    ):
        present = preset.output(name).polarity
        polarity = other_polarity(present) if turned else present
        parts.append(MovedPart(name, delay_ms, turned, polarity))
    return RunnerUp(tuple(parts), solution.value_db)


def _settings_notes(
    preset: Preset, shifts: Mapping[str, Shift], settings: Mapping[str, Setting]
) -> list[str]:
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
    return notes
