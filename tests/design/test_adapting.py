"""Adaptation: rounding together, conventions, what is lost and said, relative delays, limiters."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from tests.design.adapting_cases import preset_of, random_output
from xover.design.adapting.adaptation import adapt
from xover.design.adapting.bands import behaviour_of, held, typed_of
from xover.design.adapting.figures import PEAK_OF_SINE_DB, rates_of, threshold_typed
from xover.design.adapting.shape import band_of
from xover.dsp.axis import Axis
from xover.dsp.response import output_stage
from xover.files.profile_json import load_profile
from xover.model import grids
from xover.model.processing import Crossover, EqSection, Group, Input, Limit, Limiter, Output
from xover.model.profile import Grid, ThresholdSetting
from xover.model.rules import faults

FOLDER = Path(__file__).parents[2] / "presets" / "processors"
OLD = load_profile(FOLDER / "old-ferry-2x6.json")
MID = load_profile(FOLDER / "jetty-4x8.json")
WIDE = load_profile(FOLDER / "kittiwake-8x16.json")
PROFILES = (OLD, MID, WIDE)


def peak(frequency_hz: float, gain_db: float, q: float) -> EqSection:
    return EqSection(kind="peak", frequency_hz=frequency_hz, gain_db=gain_db, q=q)


def reasons(adapted) -> dict[str, str]:
    return {one.where: one.why for one in adapted.cannot}


# Rounding together


@pytest.fixture(scope="module")
def rounded():
    rng = np.random.default_rng(7)
    found = []
    for profile in (OLD, MID):
        most = min(profile.eq.bands_per_output, 8)
        for _ in range(20):
            preset = preset_of(random_output(rng, most))
            found.append((preset, profile, adapt(preset, profile)))
    return found


def test_never_worse_than_rounding_each_value_alone(rounded):
    for _, _, answer in rounded:
        (one,) = answer.outputs
        assert one.rms <= one.naive_rms * (1.0 + 1e-9)


def test_much_better_in_most_cases(rounded):
    # The goal holds for 200 outputs (tests/bench/test_bench_adapting.py); this is a sample.
    ratios = np.array([a.outputs[0].rms / a.outputs[0].naive_rms for _, _, a in rounded])
    assert np.median(ratios) <= 0.65
    assert np.mean(ratios < 0.9) >= 0.9


def test_errors_are_those_of_the_preset_that_is_held(rounded):
    # An independent route: the two presets' own responses, on the band that counts.
    for preset, _profile, answer in rounded:
        (one,) = answer.outputs
        meant, is_held = preset.outputs[0], answer.preset.outputs[0]
        crossovers = {"high_pass": meant.high_pass, "low_pass": meant.low_pass}
        axis = band_of(crossovers, meant.eq, preset.sample_rate_hz, 0.49 * 48_000.0)
        device = Axis(axis.frequency_hz, answer.preset.sample_rate_hz)
        ratio = output_stage(is_held, device) / output_stage(meant, axis)
        level_db = 20.0 * np.log10(np.abs(ratio))
        assert np.max(np.abs(level_db)) == pytest.approx(one.largest_db, abs=1e-6)
        assert np.sqrt(np.mean(level_db**2)) == pytest.approx(one.rms_db, abs=1e-6)


def test_what_is_held_is_legal_and_stays_as_it_is(rounded):
    for _, profile, answer in rounded[::5]:
        assert not faults(answer.preset)
        again = adapt(answer.preset, profile)
        assert again.outputs[0].largest_db < 1e-6, "what a device holds it can hold again"


@pytest.mark.parametrize("profile", PROFILES, ids=lambda profile: profile.name)
def test_translation_is_exact_before_rounding(profile):
    # At one sample rate and with the same behaviour near its half.
    behaviour = behaviour_of(profile, rates_of(profile, 48_000.0), 48_000.0)
    items = [peak(1234.0, 7.0, 2.3), peak(8000.0, -9.0, 0.8), peak(60.0, 2.0, 5.0)]
    items += [
        EqSection(kind=kind, frequency_hz=500.0, gain_db=gain_db, q=0.7071067811865476)
        for kind in ("low_shelf", "high_shelf")
        for gain_db in (6.0, -8.0)
    ]
    for item in items:
        back = held(typed_of(item, behaviour), behaviour)
        assert back.frequency_hz == pytest.approx(item.frequency_hz, rel=1e-12)
        assert back.q == pytest.approx(item.q, rel=1e-9)
        assert back.gain_db == item.gain_db


def test_a_group_that_shares_its_equaliser_gets_the_same_figures():
    rng = np.random.default_rng(3)
    first = random_output(rng, 5)
    other = replace(first, name="Other", high_pass=replace(first.high_pass, frequency_hz=222.0))
    preset = replace(
        preset_of(first, other),
        groups=(Group(name="G", outputs=("Way", "Other"), follow=("eq",)),),
    )
    one, two = adapt(preset, OLD).preset.outputs
    assert one.eq == two.eq


# What cannot be held


def test_too_many_bands_are_merged_or_left_out_with_their_cost():
    # Two halves of one cut, side by side, are worth one band; five others stay apart.
    twins = (peak(1000.0, -2.0, 2.0), peak(1010.0, -2.0, 2.0))
    apart = tuple(peak(f, 4.0, 4.0) for f in (60.0, 250.0, 3000.0, 9000.0))
    preset = preset_of(Output(name="Way", inputs={"In": 0.0}, eq=(*twins, *apart)))
    answer = adapt(preset, OLD)
    assert len(answer.preset.outputs[0].eq) == 5
    costs = {one.where: one for one in answer.outputs[0].cannot}
    assert set(costs) == {"outputs[0].eq[0]", "outputs[0].eq[1]"}
    assert "5 bands here, and 6 are asked for; these are merged" in costs["outputs[0].eq[0]"].why
    assert costs["outputs[0].eq[0]"].largest_db < 0.1


def test_common_equalisation_moves_to_the_inputs_where_bands_are_left():
    shared = tuple(peak(100.0 * 2.0**k, -3.0, 2.0) for k in range(6))
    outputs = [
        Output(name=name, inputs={"In": 0.0}, eq=(*shared, peak(f, 2.0, 1.0), peak(90.0, 1.0, 3.0),
                                                  peak(7000.0, -1.0, 3.0)))
        for name, f in (("A", 500.0), ("B", 5000.0))
    ]  # fmt: skip
    answer = adapt(preset_of(*outputs), MID)
    assert [len(one.eq) for one in answer.preset.outputs] == [8, 8]
    assert len(answer.preset.inputs[0].eq) == 1
    assert not any(one.cannot for one in answer.outputs)
    assert any("stand at In instead" in note for note in answer.notes)
    # Not where one output has another equaliser.
    other = replace(outputs[1], eq=tuple(peak(50.0 * 2.0**k, 1.0, 1.0) for k in range(9)))
    answer = adapt(preset_of(outputs[0], other), MID)
    assert not answer.preset.inputs[0].eq
    assert all(one.cannot for one in answer.outputs)


def test_a_shelf_that_is_missing_is_replaced_by_the_nearest():
    plain = replace(OLD, eq=replace(OLD.eq, kinds=("peak",)))
    shelf = EqSection(kind="low_shelf", frequency_hz=120.0, gain_db=4.0, q=0.7071)
    answer = adapt(preset_of(Output(name="Way", inputs={"In": 0.0}, eq=(shelf,))), plain)
    (one,) = answer.outputs[0].cannot
    assert "no low shelf; a peak stands for it" in one.why
    assert answer.preset.outputs[0].eq[0].kind == "peak"
    assert 0.0 < one.largest_db < 2.0


@pytest.mark.parametrize("corner", ["half-gain", "3-db-from-flat", "3-db-from-plateau"])
def test_sections_of_first_order_are_held_where_the_processor_has_them(corner):
    profile = replace(WIDE, eq=replace(WIDE.eq, shelf_corner=corner))
    shelves = [
        EqSection(kind=kind, frequency_hz=500.0, gain_db=gain_db, order=1)
        for kind, gain_db in (("low_shelf", 6.0), ("high_shelf", -8.0))
    ]
    turn = EqSection(kind="all_pass", frequency_hz=500.0, order=1)
    answer = adapt(preset_of(Output(name="Way", eq=(*shelves, turn))), profile)
    (one,) = answer.outputs
    assert one.cannot == ()
    assert [item.order for item in answer.preset.outputs[0].eq] == [1, 1, 1]
    assert not any(setting.where.endswith(".q") for setting in one.settings)
    assert one.largest_db < 0.05
    # Quoted 3 dB from flat the figure is the zero of a boosting low shelf, A·f in rad/s
    # (A = 10^(6/40)): the prototype (s + A)/(s + 1/A) of docs/preset-format.md.
    typed = next(s.typed for s in one.settings if s.where == "outputs[0].eq[0].frequency_hz")
    wanted = {
        "half-gain": 1.0,
        "3-db-from-flat": 10 ** (6 / 40),
        "3-db-from-plateau": 10 ** (-6 / 40),
    }
    assert typed == pytest.approx(500.0 * wanted[corner], rel=2.0 ** (2 / 48) - 1.0)


def test_a_first_order_shelf_that_is_missing_becomes_one_of_second_order():
    item = EqSection(kind="low_shelf", frequency_hz=500.0, gain_db=6.0, order=1)
    (one,) = adapt(preset_of(Output(name="Way", eq=(item,))), OLD).outputs
    (cannot,) = one.cannot
    assert cannot.why == "the processor has no first-order low shelf; a low shelf stands for it"
    made = {setting.where.rpartition(".")[2]: setting for setting in one.settings}
    assert (made["order"].meant, made["order"].typed) == (1.0, 2.0)
    assert one.largest_db > 0.05
    lost = EqSection(kind="all_pass", frequency_hz=500.0, order=1)
    (one,) = adapt(preset_of(Output(name="Way", eq=(lost,))), MID).outputs
    assert one.cannot[0].why == "the processor has no first-order all-pass; it is left out"


def test_an_all_pass_is_lost_and_said():
    item = EqSection(kind="all_pass", frequency_hz=80.0, q=0.7)
    answer = adapt(preset_of(Output(name="Way", inputs={"In": 0.0}, eq=(item,))), OLD)
    (one,) = answer.outputs[0].cannot
    assert one.why == "the processor has no all-pass; it is left out"
    assert one.largest_db == pytest.approx(0.0, abs=1e-9)
    assert answer.outputs[0].largest_deg > 170.0


def test_a_missing_slope_becomes_the_nearest():
    steep = Crossover(family="linkwitz-riley", slope_db_per_octave=48, frequency_hz=100.0)
    answer = adapt(preset_of(Output(name="Way", inputs={"In": 0.0}, high_pass=steep)), OLD)
    (one,) = answer.outputs[0].cannot
    assert one.where == "outputs[0].high_pass"
    assert "48 dB per octave" in one.why
    assert answer.preset.outputs[0].high_pass.slope_db_per_octave == 24


def test_values_out_of_reach_are_said_with_their_cost():
    output = Output(name="Way", inputs={"In": 0.0}, gain_db=20.0, eq=(peak(1000.0, 9.0, 2.0),))
    answer = adapt(preset_of(output), OLD)
    found = reasons(answer.outputs[0])
    assert found["outputs[0].gain_db"].startswith("+20.0 dB lies outside −40.0 to 6.0 dB")
    assert "gain 9 dB lies outside −15 to 6 dB" in found["outputs[0].eq[0]"]
    assert answer.outputs[0].largest_db > 13.9


def test_names_matrix_and_polarity():
    outputs = [
        Output(name=f"Überhang {k}", inputs={"In": 0.0}, polarity="inverted") for k in range(7)
    ]
    answer = adapt(preset_of(*outputs), replace(OLD, polarity=False))
    typed = [
        setting.typed for one in answer.outputs for setting in one.settings
        if setting.where.endswith(".name")
    ]  # fmt: skip
    assert len(set(typed)) == 7
    assert all(len(name) <= 6 for name in typed)
    assert reasons(answer.outputs[6])["outputs[6]"].startswith("the processor has 6 outputs")
    assert "180°" in reasons(answer.outputs[0])["outputs[0].polarity"]


def test_locked_values_are_entered_as_given_or_reported():
    on_grid = grids.value(OLD.eq.frequency_hz, 40)
    fits = Output(name="A", inputs={"In": 0.0}, eq=(peak(on_grid, -3.0, 1.4142135),),
                  locked=("eq",))  # fmt: skip
    off = replace(fits, name="B", eq=(peak(on_grid * 1.01, -3.0, 2.0),))
    answer = adapt(preset_of(fits, off), OLD)
    assert "locked" in reasons(answer.outputs[1])["outputs[1].eq[0]"]
    assert answer.preset.outputs[0].eq[0].frequency_hz == pytest.approx(on_grid)


def test_bands_that_are_bypassed_are_not_entered_and_that_is_said():
    still = replace(peak(100.0, 3.0, 1.0), bypassed=True)
    answer = adapt(preset_of(Output(name="Way", inputs={"In": 0.0}, eq=(still,))), OLD)
    assert answer.preset.outputs[0].eq == ()
    assert "1 bypassed band is not entered" in answer.notes


# Delay


def test_relative_delays_survive_a_delay_that_is_too_long():
    # 200 m at 343.2 m/s are 582.75 ms.
    outputs = [
        Output(name=name, inputs={"In": 0.0}, delay_ms=delay_ms)
        for name, delay_ms in (("A", 50.0), ("B", 600.0))
    ]
    answer = adapt(preset_of(*outputs), OLD)
    near, far = (one.delay_ms for one in answer.preset.outputs)
    assert far - near == pytest.approx(550.0, abs=0.06)  # one step of 2 cm is 0.058 ms
    assert any("17.25 ms earlier" in note for note in answer.notes)
    assert answer.is_whole
    late = adapt(preset_of(outputs[1], replace(outputs[0], delay_ms=0.0)), OLD)
    assert "too early" in reasons(late.outputs[0])["outputs[0].delay_ms"]


def test_delay_in_samples_and_feet():
    output = Output(name="Way", inputs={"In": 0.0}, delay_ms=10.0)
    answer = adapt(preset_of(output), MID)
    (delay,) = [one for one in answer.outputs[0].settings if one.where.endswith("delay_ms")]
    assert (delay.typed, delay.unit) == (480.0, "samples")
    feet = replace(OLD, delay=replace(OLD.delay, unit="ft", max=600.0, step=0.1))
    answer = adapt(preset_of(output), feet)
    (delay,) = [one for one in answer.outputs[0].settings if one.where.endswith("delay_ms")]
    assert delay.typed == pytest.approx(11.3, abs=0.01)  # 3.432 m = 11.26 ft
    assert delay.unit == "ft"


# Limiters: the figure typed, by hand, and what it amounts to


@pytest.mark.parametrize("gain_db", [-10.0, 0.0, 6.0])
@pytest.mark.parametrize("position", ["before-gain", "after-gain"])
@pytest.mark.parametrize("reads", ["sine-rms", "peak"])
@pytest.mark.parametrize("unit", ["dbu", "dbv", "dbfs", "v"])
def test_thresholds_as_typed(gain_db, position, reads, unit):
    threshold = ThresholdSetting(unit=unit, min=0.01, max=40.0, step=0.01, reads=reads)
    if unit != "v":
        threshold = replace(threshold, min=-60.0)
    peak_setting = replace(
        MID.limiter.peak, threshold=threshold, attack_ms=Grid(values=(1.0,)),
        release_ms=Grid(values=(100.0,)),
    )  # fmt: skip
    profile = replace(MID, limiter=replace(MID.limiter, peak=peak_setting, position=position))
    limit = Limit(threshold_dbu=8.0, attack_ms=1.0, release_ms=100.0)
    output = Output(name="Way", inputs={"In": 0.0}, gain_db=gain_db, limiter=Limiter(peak=limit))
    answer = adapt(preset_of(output), profile)
    (typed,) = [one for one in answer.outputs[0].settings if one.where.endswith("threshold_dbu")]
    # By hand: 0 dBu is 0.77460 V (−2.218 dBV); full scale +18 dBu; a sine's peak 3.010 dB higher.
    expected = 8.0 - (gain_db if position == "before-gain" else 0.0)
    expected += 3.0103 if reads == "peak" else 0.0
    if unit == "dbv":
        expected -= 2.2185
    elif unit == "dbfs":
        expected -= 18.0
    elif unit == "v":
        expected = 0.774597 * 10.0 ** (expected / 20.0)
    assert expected - 0.0101 <= typed.typed <= expected + 1e-4, "at or below, never above"
    back = answer.preset.outputs[0].limiter.peak.threshold_dbu
    step_db = 0.011 if unit != "v" else 0.2
    assert 8.0 - step_db <= back <= 8.0 + 1e-4
    assert ("peak" in typed.unit) == (reads == "peak")


def test_what_protects_and_is_missing_is_said():
    limit = Limit(threshold_dbu=8.0, attack_ms=1.0, release_ms=100.0)
    output = Output(name="Way", inputs={"In": 0.0}, limiter=Limiter(rms=limit, peak=limit))
    found = reasons(adapt(preset_of(output), OLD).outputs[0])
    assert found["outputs[0].limiter.rms"].startswith("the processor has no rms limiter")
    blind = replace(MID, full_scale_dbu=None)
    found = reasons(adapt(preset_of(output), blind).outputs[0])
    assert "full_scale_dbu" in found["outputs[0].limiter.rms.threshold_dbu"]


def test_peak_of_a_sine():
    assert pytest.approx(3.0103, abs=1e-4) == PEAK_OF_SINE_DB
    setting = ThresholdSetting(unit="dbfs", min=-40.0, max=0.0, step=0.5, reads="sine-rms")
    assert threshold_typed(
        0.0, setting, output_gain_db=0.0, position="after-gain", full_scale_dbu=None
    ) is None  # fmt: skip


def test_another_sample_rate_is_said():
    answer = adapt(preset_of(Output(name="Way", inputs={"In": 0.0}), rate_hz=96_000.0), OLD)
    assert answer.device_rate_hz == 48_000.0
    assert "the preset runs at 96 kHz, the processor at 48 kHz" in answer.notes


def test_inputs_are_adapted_too():
    preset = replace(
        preset_of(Output(name="Way", inputs={"In": -3.3})),
        inputs=(Input(name="In", gain_db=1.1, eq=(peak(100.0, -2.0, 1.0),)),),
    )
    answer = adapt(preset, MID)
    assert answer.preset.inputs[0].gain_db == 1.0
    assert answer.preset.outputs[0].inputs["In"] == -3.25
    assert (
        "the processor has no bands here"
        in reasons(adapt(preset, OLD).inputs[0])["inputs[0].eq[0]"]
    )


def test_a_band_that_is_replaced_and_then_left_out_is_one_loss():
    # No notch, and no band for its stand-in: the cost is that of being without.
    notch = EqSection(kind="notch", frequency_hz=1_000.0, q=2.0)
    preset = preset_of(Output(name="Way", eq=(notch,)))
    none = replace(OLD, eq=replace(OLD.eq, bands_per_output=0))
    (one,) = adapt(preset, none).outputs
    (cannot,) = one.cannot
    assert cannot.why.endswith("has no bands here, and 1 is asked for; this one is left out")
    assert cannot.largest_db == pytest.approx(one.largest_db)
