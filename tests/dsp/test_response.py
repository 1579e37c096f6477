"""Outputs: stages, matrix, drive, group delay.

Expected figures come from the definitions in `docs/preset-format.md` worked out by hand, from
40-digit arithmetic (mpmath, see `oracle`) and from scipy.signal.
"""

from __future__ import annotations

import math

import mpmath as mp
import numpy as np
import pytest
from msgspec.structs import replace
from scipy import signal

from tests.dsp.oracle import eq_response
from tests.dsp.oracle import output_response as exact_output
from tests.dsp.running import digital_coefficients
from xover.dsp.axis import Axis
from xover.dsp.response import (
    electrical_responses,
    input_stage,
    output_group_delay_ms,
    output_response,
    output_responses,
    output_sections,
    output_stage,
)
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Input, Output

FS = 48_000.0
AXIS = Axis.log(12, sample_rate_hz=FS)
PEAK = EqSection(kind="peak", frequency_hz=700.0, gain_db=-6.0, q=3.0)
NOTCH = EqSection(kind="notch", frequency_hz=640.0, q=8.0)
LR4 = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=90.0)
BW3 = Crossover(family="butterworth", slope_db_per_octave=18, frequency_hz=4_000.0)

LEFT = Input(name="Left", gain_db=-3.0)
RIGHT = Input(name="Right", polarity="inverted", delay_ms=1.25, eq=(PEAK,))
AUX = Input(name="Aux", gain_db=6.0)
TOP = Output(
    name="Top",
    inputs={"Left": -6.0, "Right": -12.0},
    gain_db=2.0,
    polarity="inverted",
    delay_ms=3.5,
    latency_ms=40.0,
    high_pass=LR4,
    low_pass=BW3,
    eq=(PEAK, replace(PEAK, frequency_hz=2_000.0, bypassed=True)),
)
FILL = Output(name="Fill", inputs={"Aux": 0.0})
MUTED = replace(TOP, name="Muted", muted=True)
UNROUTED = replace(TOP, name="Unrouted", inputs={})
PRESET = Preset(title="t", inputs=(LEFT, RIGHT, AUX), outputs=(TOP, FILL, MUTED, UNROUTED))


def ratio(level_db: float) -> float:
    return 10.0 ** (level_db / 20.0)


def test_a_flat_path_is_its_gains() -> None:
    drive = Drive({"Aux": -10.0})
    got = output_response(PRESET, "Fill", AXIS, drive)
    assert got == pytest.approx(ratio(6.0 - 10.0), rel=1e-14)


def test_rows_follow_the_drive_and_the_matrix() -> None:
    """Drive level × input stage × route × output stage; zero where an input is not routed."""
    drive = Drive({"Aux": 0.0, "Right": -4.0, "Left": 1.0})
    rows = output_responses(PRESET, "Top", AXIS, drive)
    assert rows.shape == (3, len(AXIS))
    assert not rows[0].any()
    stage = output_stage(TOP, AXIS)
    assert rows[1] == pytest.approx(ratio(-16.0) * input_stage(RIGHT, AXIS) * stage, rel=1e-13)
    assert rows[2] == pytest.approx(ratio(1.0 - 6.0 - 3.0) * stage, rel=1e-13)
    whole = output_response(PRESET, "Top", AXIS, drive)
    assert whole == pytest.approx(rows.sum(axis=0), rel=1e-13)


def test_a_delay_is_exact_linear_phase_and_nothing_else() -> None:
    bare, late = replace(TOP, delay_ms=0.0), replace(TOP, delay_ms=12.5)
    turn = output_stage(late, AXIS) / output_stage(bare, AXIS)
    assert np.abs(turn) == pytest.approx(1.0, abs=1e-12)
    assert turn == pytest.approx(np.exp(-2j * np.pi * AXIS.frequency_hz * 0.0125), abs=1e-11)


def test_a_fixed_latency_is_not_in_the_electrical_response() -> None:
    stage = output_stage(replace(TOP, latency_ms=0.0), AXIS)
    assert np.array_equal(output_stage(TOP, AXIS), stage)


def test_inverted_is_minus_one() -> None:
    assert output_stage(replace(TOP, polarity="normal"), AXIS) == pytest.approx(
        -output_stage(TOP, AXIS)
    )
    assert input_stage(replace(RIGHT, polarity="normal"), AXIS) == pytest.approx(
        -input_stage(RIGHT, AXIS)
    )


def test_muted_and_unrouted_outputs_are_silent() -> None:
    drive = drive_of(PRESET)
    for name in ("Muted", "Unrouted"):
        assert not output_responses(PRESET, name, AXIS, drive).any()
        assert np.isnan(output_group_delay_ms(PRESET, name, AXIS, drive)).all()


def test_a_bypassed_section_does_nothing() -> None:
    without = replace(TOP, eq=(PEAK,))
    assert np.array_equal(output_stage(TOP, AXIS), output_stage(without, AXIS))
    assert len(output_sections(TOP)) == 2 + 2 + 1  # LR4, third order, one section


def test_the_whole_rig_at_once_agrees_output_by_output() -> None:
    for drive in (drive_of(PRESET), Drive({"Left": 0.0}), Drive({"Right": -3.0, "Aux": 2.0})):
        whole = electrical_responses(PRESET, AXIS, drive)
        assert whole.shape == (4, len(AXIS))
        for row, output in zip(whole, PRESET.outputs, strict=True):
            single = output_response(PRESET, output.name, AXIS, drive)
            assert np.abs(row - single).max() < 1e-13


def test_another_sample_rate_than_the_preset_is_refused() -> None:
    with pytest.raises(ValueError, match="the axis runs at 96000 Hz, the preset at 48000 Hz"):
        output_response(PRESET, "Top", Axis.log(sample_rate_hz=96_000.0), drive_of(PRESET))
    with pytest.raises(KeyError, match="Nobody"):
        output_response(PRESET, "Top", AXIS, Drive({"Nobody": 0.0}))


def test_group_delay_against_scipy() -> None:
    """scipy.signal.group_delay of the sections, in ms, plus the delays."""
    drive = Drive({"Left": 0.0})
    f = np.array([60.0, 90.0, 400.0, 700.0, 4_000.0, 15_000.0])
    axis = Axis(f, FS)
    expected = np.full(f.size, 3.5)
    for section in output_sections(TOP):
        c = digital_coefficients(section, sample_rate_hz=FS)
        _, samples = signal.group_delay(([c.b0, c.b1, c.b2], [1.0, c.a1, c.a2]), w=f, fs=FS)
        expected += samples / FS * 1000.0
    got = output_group_delay_ms(PRESET, "Top", axis, drive)
    assert got == pytest.approx(expected, abs=1e-6)


def exact_group_delay_ms(preset: Preset, name: str, drive: Drive, f: float) -> float:
    """−dφ/dω by 40-digit central differences of the sum itself."""

    def whole(frequency: mp.mpf) -> mp.mpc:
        total = mp.mpc(0)
        output = preset.output(name)
        for source, level in drive.levels_db.items():
            item = preset.input(source)
            stage = Output(
                name="x", gain_db=item.gain_db, polarity=item.polarity, delay_ms=item.delay_ms,
                eq=item.eq,
            )  # fmt: skip
            route = mp.mpf(10) ** (mp.mpf(level + output.inputs[source]) / 20)
            total += route * exact_output(stage, frequency, FS)
        return total * exact_output(output, frequency, FS)

    step = mp.mpf(10) ** -12
    ahead, behind = whole(mp.mpf(f) + step), whole(mp.mpf(f) - step)
    return float(-mp.arg(ahead / behind) / (2 * mp.pi * 2 * step) * 1000)


@pytest.mark.parametrize("extra", [(), (NOTCH,)], ids=["plain", "notch"])
def test_group_delay_of_a_sum_against_40_digits(extra: tuple[EqSection, ...]) -> None:
    """Two inputs with delays, filters and (once) a notch in one of them, on and beside its null."""
    right = replace(RIGHT, eq=RIGHT.eq + extra)
    preset = replace(PRESET, inputs=(LEFT, right, AUX))
    drive = Drive({"Left": 0.0, "Right": 3.0})
    f = np.array([30.0, 95.0, 500.0, 639.9999, 640.0, 640.000001, 2_000.0, 9_000.0])
    got = output_group_delay_ms(preset, "Top", Axis(f, FS), drive)
    expected = [exact_group_delay_ms(preset, "Top", drive, x) for x in f]
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_group_delay_beside_and_at_a_notch_of_the_output() -> None:
    """The phase jumps by half a turn at a null; beside it the delay is that of the poles alone."""
    preset = replace(PRESET, outputs=(replace(TOP, eq=(NOTCH,)),))
    drive = Drive({"Left": 0.0})
    f = np.array([640.0 * (1 - 1e-12), 640.0, 640.0 * (1 + 1e-12)])
    got = output_group_delay_ms(preset, "Top", Axis(f, FS), drive)
    assert math.isnan(got[1])
    expected = exact_group_delay_ms(preset, "Top", drive, 640.001)
    assert got[[0, 2]] == pytest.approx(expected, rel=1e-5)


def test_linkwitz_riley_delays() -> None:
    """DC delay of a Linkwitz-Riley low-pass: 2/ω₀, 2√2/ω₀, 4/ω₀, 5.226252/ω₀ for LR2 … LR8.

    Sums of 1/Q over the sections of Butterworth's polynomials, computed with scipy.
    """
    for slope, expected in ((12, 3.1831), (24, 4.5016), (36, 6.3662), (48, 8.3178)):
        low = Crossover(family="linkwitz-riley", slope_db_per_octave=slope, frequency_hz=100.0)
        preset = Preset(
            title="t",
            inputs=(LEFT,),
            outputs=(Output(name="A", inputs={"Left": 0.0}, low_pass=low),),
            sample_rate_hz=384_000.0,
        )
        axis = Axis(np.array([0.01]), 384_000.0)
        got = output_group_delay_ms(preset, "A", axis, drive_of(preset))
        assert got == pytest.approx(expected, abs=6e-5)


def test_an_input_stage_is_its_sections() -> None:
    axis = Axis(np.array([100.0, 700.0, 5_000.0]), FS)
    got = input_stage(replace(RIGHT, delay_ms=0.0, polarity="normal"), axis)
    exact = [complex(eq_response(PEAK, f, FS)) for f in axis.frequency_hz]
    assert got == pytest.approx(exact, rel=1e-12)
