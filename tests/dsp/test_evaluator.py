"""The evaluator under edit: the same figures as from scratch, after any history of edits.

The reference is `electrical_responses`, itself held to 40-digit arithmetic in `test_accuracy`.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from xover.dsp.axis import Axis
from xover.dsp.evaluator import RigEvaluator
from xover.dsp.response import electrical_responses
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output

FS = 48_000.0
AXIS = Axis.log(12, sample_rate_hz=FS)
INPUTS = (
    Input(name="L"),
    Input(
        name="R", delay_ms=0.7, eq=(EqSection(kind="peak", frequency_hz=200.0, gain_db=3.0, q=1.0),)
    ),
)
LR8 = Crossover(family="linkwitz-riley", slope_db_per_octave=48, frequency_hz=90.0)


def rig(outputs: int = 5, sections: int = 4) -> Preset:
    return Preset(
        title="t",
        inputs=INPUTS,
        outputs=tuple(
            Output(
                name=f"Out {k}",
                inputs={"L": 0.0, "R": -3.0} if k % 2 else {"L": 0.0},
                high_pass=replace(LR8, frequency_hz=60.0 + 10 * k),
                low_pass=replace(LR8, frequency_hz=900.0 + 100 * k),
                eq=tuple(
                    EqSection(kind="peak", frequency_hz=100.0 * 2**i, gain_db=2.0, q=2.0)
                    for i in range(sections)
                ),
                delay_ms=float(k),
            )
            for k in range(outputs)
        ),
    )


def with_output(preset: Preset, index: int, **fields: object) -> Preset:
    outputs = list(preset.outputs)
    outputs[index] = replace(outputs[index], **fields)
    return replace(preset, outputs=tuple(outputs))


def with_section(preset: Preset, index: int, which: int, **fields: object) -> Preset:
    eq = list(preset.outputs[index].eq)
    eq[which] = replace(eq[which], **fields)
    return with_output(preset, index, eq=tuple(eq))


def transfer(preset: Preset, listeners: int = 3) -> np.ndarray:
    rng = np.random.default_rng(5)
    shape = (listeners, len(preset.outputs), len(AXIS))
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def agree(evaluator: RigEvaluator, preset: Preset, drive: Drive, paths: np.ndarray) -> None:
    expected = electrical_responses(preset, AXIS, drive)
    assert np.abs(evaluator.responses(preset, drive) - expected).max() < 1e-12
    sums = evaluator.sums(preset, drive, paths)
    assert np.abs(sums - np.einsum("lof,of->lf", paths, expected)).max() < 1e-11


edits = st.one_of(
    st.tuples(st.just("gain"), st.integers(0, 4), st.floats(-20.0, 20.0)),
    st.tuples(st.just("mute"), st.integers(0, 4), st.booleans()),
    st.tuples(st.just("polarity"), st.integers(0, 4), st.sampled_from(["normal", "inverted"])),
    st.tuples(st.just("delay"), st.integers(0, 4), st.sampled_from([0.0, 1.0, 7.3])),
    st.tuples(st.just("section"), st.integers(0, 4), st.floats(-12.0, 12.0)),
    st.tuples(st.just("bypass"), st.integers(0, 4), st.booleans()),
    st.tuples(st.just("insert"), st.integers(0, 4), st.floats(50.0, 5_000.0)),
    st.tuples(st.just("remove"), st.integers(0, 4), st.none()),
    st.tuples(st.just("crossover"), st.integers(0, 4), st.none() | st.floats(50.0, 500.0)),
    st.tuples(st.just("route"), st.integers(0, 4), st.sampled_from([{}, {"R": 1.0}, {"L": -2.0}])),
    st.tuples(st.just("input"), st.integers(0, 1), st.floats(-6.0, 6.0)),
    st.tuples(st.just("drive"), st.none(), st.sampled_from([{"L": 0.0}, {"L": -6.0, "R": 0.0}])),
)


def apply(preset: Preset, drive: Drive, edit: tuple[str, int, object]) -> tuple[Preset, Drive]:
    kind, index, value = edit
    if kind == "drive":
        return preset, Drive(value)  # type: ignore[arg-type]
    if kind == "input":
        inputs = list(preset.inputs)
        inputs[index] = replace(inputs[index], gain_db=value)
        return replace(preset, inputs=tuple(inputs)), drive
    output = preset.outputs[index]
    if kind in ("section", "bypass", "remove") and not output.eq:
        return preset, drive
    if kind == "section":
        return with_section(preset, index, 0, gain_db=value), drive
    if kind == "bypass":
        return with_section(preset, index, -1, bypassed=value), drive
    fields: dict[str, object] = {
        "gain": {"gain_db": value},
        "mute": {"muted": value},
        "polarity": {"polarity": value},
        "delay": {"delay_ms": value},
        "insert": {"eq": (EqSection(kind="notch", frequency_hz=value or 100.0, q=4.0), *output.eq)},
        "remove": {"eq": output.eq[1:]},
        "crossover": {"high_pass": value and replace(LR8, frequency_hz=value)},
        "route": {"inputs": value},
    }[kind]  # type: ignore[assignment]
    return with_output(preset, index, **fields), drive


@settings(max_examples=25, deadline=None)
@given(st.lists(edits, min_size=1, max_size=12))
def test_any_history_of_edits(history: list[tuple[str, int, object]]) -> None:
    preset, drive = rig(), drive_of(rig())
    evaluator, paths = RigEvaluator(AXIS), transfer(rig())
    agree(evaluator, preset, drive, paths)
    for edit in history:
        preset, drive = apply(preset, drive, edit)
        agree(evaluator, preset, drive, paths)


def test_ten_thousand_edits_leave_no_trace() -> None:
    """Back at the first setting the figures are the first figures, to rounding of one product."""
    preset = rig(outputs=4, sections=3)
    axis = Axis(np.geomspace(30.0, 15_000.0, 16), FS)
    drive, evaluator = drive_of(preset), RigEvaluator(axis)
    paths = transfer(preset)[:, :, :16].copy()
    first = evaluator.sums(preset, drive, paths)
    expected = np.einsum("lof,of->lf", paths, electrical_responses(preset, axis, drive))
    for step in range(10_000):
        edited = with_section(preset, step % 4, step % 3, gain_db=-20.0 + step % 41)
        last = evaluator.sums(edited, drive, paths)
    assert np.abs(last - expected).max() > 1e-3  # the edits do something
    again = evaluator.sums(preset, drive, paths)
    assert np.abs(again - first).max() < 1e-13
    assert np.abs(again - expected).max() < 1e-13


def test_answers_already_given_stay_as_they_were() -> None:
    preset = rig()
    drive, evaluator, paths = drive_of(preset), RigEvaluator(AXIS), transfer(preset)
    sums, responses = evaluator.sums(preset, drive, paths), evaluator.responses(preset, drive)
    kept = sums.copy(), responses.copy()
    for index in (0, 0, 3, 1, 3):
        evaluator.sums(with_section(preset, index, 1, gain_db=9.0), drive, paths)
        evaluator.responses(with_output(preset, index, gain_db=-9.0), drive)
    assert np.array_equal(sums, kept[0])
    assert np.array_equal(responses, kept[1])


@pytest.mark.parametrize("outputs", [1, 2, 3, 8])
def test_rigs_of_any_size(outputs: int) -> None:
    preset = rig(outputs=outputs)
    drive, evaluator, paths = drive_of(preset), RigEvaluator(AXIS), transfer(preset)
    for index in range(outputs):
        preset = with_output(preset, index, gain_db=-4.0)
        agree(evaluator, preset, drive, paths)


def test_outputs_come_and_go() -> None:
    evaluator, drive = RigEvaluator(AXIS), drive_of(rig())
    for preset in (rig(4), rig(2), with_output(rig(3), 1, name="Renamed"), rig(5)):
        agree(evaluator, preset, drive, transfer(preset))


def test_what_does_not_fit_is_refused() -> None:
    preset = rig()
    with pytest.raises(ValueError, match="does not fit 5 outputs"):
        RigEvaluator(AXIS).sums(preset, drive_of(preset), transfer(rig(4)))
    independent = Drive({"L": 0.0, "R": 0.0}, correlated=False)
    with pytest.raises(ValueError, match="no coherent sum"):
        RigEvaluator(AXIS).sums(preset, independent, transfer(preset))
