"""Thresholds against handbook tables and pocket-calculator figures, and what must not change them.

Threshold = 20·log10(√(P·Z)/0.7745967) − gain, dBu re √0.6 V (ITU-R BS.645-2).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.integrate import solve_ivp

import xover
from tests.design.rack import amplifier, box, channel, line_box, line_rack, output, rack, source
from xover.design.limiter_times import (
    first_cycle_overshoot_db,
    is_level_protection,
    proposed_peak,
    proposed_rms,
)
from xover.design.limits import Limits, apply_limits, limits
from xover.model.preset import Preset
from xover.model.processing import Group, Limit, Limiter
from xover.model.rig import DriverSection, Power
from xover.model.rules import faults

BIG = amplifier(power_w={"16": 9000.0, "8": 9000.0, "4": 9000.0, "2": 9000.0}, minimum_load_ohm=2.0)


def rms_dbu(preset: Preset) -> float:
    found = limits(preset).outputs[0].rms.dbu
    assert found is not None
    return found


def peak_dbu(preset: Preset) -> float:
    found = limits(preset).outputs[0].peak.dbu
    assert found is not None
    return found


def alone(preset: Preset, words: str) -> Limits:
    """The limits, which must hold exactly one caution with these words."""
    answer = limits(preset)
    found = [one for one in answer.cautions if words in one]
    assert len(found) == 1, answer.cautions
    return answer


# The table


@pytest.mark.parametrize(
    ("watts", "ohms", "volts", "by_gain"),
    [
        (100.0, 8.0, 28.2843, {20: 11.249, 26: 5.249, 29: 2.249, 32: -0.751, 35: -3.751}),
        (250.0, 8.0, 44.7214, {20: 15.229, 26: 9.229, 29: 6.229, 32: 3.229, 38: -2.771}),
        (500.0, 4.0, 44.7214, {32: 3.229}),
        (400.0, 8.0, 56.5685, {20: 17.270, 26: 11.270, 32: 5.270, 38: -0.730}),
        (800.0, 4.0, 56.5685, {32: 5.270}),
        (1000.0, 8.0, 89.4427, {20: 21.249, 32: 9.249, 35: 6.249}),
        (2500.0, 2.0, 70.7107, {26: 13.208, 32: 7.208}),
    ],
)
def test_the_handbook_table(
    watts: float, ohms: float, volts: float, by_gain: dict[int, float]
) -> None:
    """Rms thresholds from rating and gain, computed apart with numpy from V = √(P·Z)."""
    for gain_db, expected in by_gain.items():
        preset = rack(
            loudspeakers=(box(impedance_ohm=ohms, power_w=Power(continuous=watts, basis="aes")),),
            amplifiers=(replace(BIG, gain_db=float(gain_db)),),
        )
        found = limits(preset).outputs[0].rms
        assert found.bound_by == "loudspeaker"
        assert found.volts == pytest.approx(volts, abs=5e-5)
        assert found.dbu == pytest.approx(expected, abs=5e-4)


def test_a_peak_threshold_is_the_rms_of_the_sine_with_that_peak() -> None:
    """400 W, 8 ohm, 32 dB: 8.280 dBu with a peak of four times the power, not 11.291.

    11.291 is the peak voltage itself as a level with a crest of exactly 6 dB: 3 dB too many.
    """
    assert peak_dbu(rack(amplifiers=(BIG,))) == pytest.approx(8.280, abs=5e-4)
    stated = box(power_w=Power(continuous=400.0, peak=800.0, basis="aes"))
    assert peak_dbu(rack(amplifiers=(BIG,), loudspeakers=(stated,))) == pytest.approx(
        5.270, abs=5e-4
    )


def test_the_amplifier_bounds_the_peak() -> None:
    """1000 W into 8 ohm is a sine of 89.44 V: 9.249 dBu; a box of 800 W peak-rated bears more."""
    preset = rack(loudspeakers=(box(power_w=Power(continuous=800.0, basis="aes")),))
    answer = limits(preset).outputs[0]
    assert (answer.peak.bound_by, answer.peak.bound_at) == ("amplifier", "A")
    assert answer.peak.dbu == pytest.approx(9.249, abs=5e-4)
    assert answer.rms.bound_by == "loudspeaker"


def test_unknown_ratings_count_half() -> None:
    unknown = box(power_w=Power(continuous=400.0))
    preset = rack(amplifiers=(BIG,), loudspeakers=(unknown,))
    assert rms_dbu(preset) == pytest.approx(5.270 - 3.0103, abs=5e-4)
    assert peak_dbu(preset) == pytest.approx(8.280 - 3.0103, abs=5e-4)
    assert any("counts half" in note for note in limits(preset).notes)


def test_the_weakest_driver_decides() -> None:
    """A 50 W driver of 8 ohm ends at 20 V: 20·log10(20/0.7746) − 32 = −3.761 dBu."""
    two_way = box(
        sections=(
            DriverSection(band_hz=(60.0, 2000.0), power_w=400.0, impedance_ohm=8.0),
            DriverSection(band_hz=(2000.0, 18_000.0), power_w=50.0, impedance_ohm=8.0),
        )
    )
    answer = limits(rack(loudspeakers=(two_way,))).outputs[0]
    assert answer.rms.dbu == pytest.approx(-3.761, abs=5e-4)
    assert answer.peak.dbu == pytest.approx(-3.761 + 3.0103, abs=5e-4)
    assert any("its driver for 2000 to 18000 Hz" in line for line in answer.working)


# Gain


def test_input_sensitivity_is_a_gain_too() -> None:
    """1000 W into 8 ohm at 1.4 V (5.142 dBu) is 36.108 dB; 400 W then is 1.162 dBu."""
    preset = rack(
        amplifiers=(amplifier(gain_db=None, sensitivity_dbu=20 * math.log10(1.4 / math.sqrt(0.6))),)
    )
    assert rms_dbu(preset) == pytest.approx(20 * math.log10(math.sqrt(0.4) * 1.4 / math.sqrt(0.6)))


def test_bridged_and_locked_attenuator() -> None:
    one = rms_dbu(rack(amplifiers=(replace(BIG, bridgeable=True),)))
    bridged = rack(
        amplifiers=(replace(BIG, bridgeable=True),),
        amplifier_channels=(channel(bridged=True),),
    )
    assert rms_dbu(bridged) == pytest.approx(one - 6.0206, abs=5e-5)
    for locked, expected in ((True, one + 4.0), (False, one)):
        held = rack(
            amplifiers=(BIG,),
            amplifier_channels=(channel(attenuator_db=-4.0, attenuator_locked=locked),),
        )
        assert rms_dbu(held) == pytest.approx(expected)


def test_gain_after_the_limiter_is_none_in_the_presets_chain() -> None:
    assert rms_dbu(rack(outputs=(output(gain_db=-10.0),))) == rms_dbu(rack())


@settings(max_examples=30, deadline=None)
@given(
    watts=st.floats(1.0, 5000.0),
    ohms=st.floats(2.0, 32.0),
    gain_db=st.floats(10.0, 45.0),
    more_db=st.floats(-6.0, 6.0),
)
def test_what_moves_a_threshold(watts: float, ohms: float, gain_db: float, more_db: float) -> None:
    def with_(power_w: float, gain: float, quantity: int = 1) -> float:
        return rms_dbu(
            rack(
                loudspeakers=(
                    box(impedance_ohm=ohms, power_w=Power(continuous=power_w, basis="aes")),
                ),
                amplifiers=(
                    amplifier(power_w={"0.5": 1e6, "64": 1e6}, gain_db=gain, minimum_load_ohm=0.5),
                ),
                sources=(source(quantity=quantity),),
            )
        )

    start = with_(watts, gain_db)
    assert with_(2.0 * watts, gain_db) - start == pytest.approx(3.0103, abs=1e-4)
    assert with_(watts, gain_db + more_db) - start == pytest.approx(-more_db, abs=1e-9)
    assert with_(watts, gain_db, quantity=2) == pytest.approx(start, abs=1e-9)
    assert with_(watts, gain_db, quantity=4) == pytest.approx(start, abs=1e-9)


# Lines


def test_the_line_bounds_a_modest_tap() -> None:
    answer = limits(line_rack()).outputs[0]
    assert (answer.rms.bound_by, answer.rms.dbu, answer.rms.volts) == ("tap", 0.0, 100.0)
    assert (answer.peak.bound_by, answer.peak.dbu) == ("tap", 0.0)


def test_a_tap_beyond_the_box() -> None:
    """40 W on a tap of 80 W: 100·√(40/80) = 70.71 V on the line, −3.01 dBu."""
    preset = line_rack(
        source(loudspeaker="Ceiling", tap_w=80.0), loudspeakers=(line_box(taps_w=(80.0,)),)
    )
    answer = limits(preset).outputs[0]
    assert answer.rms.bound_by == "loudspeaker"
    assert answer.rms.volts == pytest.approx(70.7107, abs=5e-5)
    assert answer.rms.dbu == pytest.approx(-3.0103, abs=5e-5)
    assert answer.peak.bound_by == "tap"


def test_half_the_tap_at_70_volts_or_not() -> None:
    """A tap of 80 W draws 40 W at 70.7 V; with a winding of its own 80 W: the box ends first."""
    for halves, by in ((True, "tap"), (False, "loudspeaker")):
        preset = line_rack(
            source(loudspeaker="Ceiling", tap_w=80.0),
            line_v=70.7,
            loudspeakers=(line_box(taps_w=(80.0,), taps_halve_at_70_v=halves),),
        )
        answer = limits(preset)
        assert answer.channels[0].tap_total_w == (40.0 if halves else 80.0)
        rms = answer.outputs[0].rms
        assert rms.volts == pytest.approx(70.7 if halves else 70.7 * math.sqrt(0.5))
        if not halves:
            assert rms.bound_by == by


def test_boxes_that_share_a_transformer() -> None:
    """Two boxes of 40 W on one transformer of 80 W: each gets 40 W, and the line holds."""
    shared = line_box(taps_w=(80.0,), boxes_per_transformer=2)
    preset = line_rack(
        source(loudspeaker="Ceiling", tap_w=80.0, quantity=2), loudspeakers=(shared,)
    )
    answer = limits(preset)
    assert answer.channels[0].tap_total_w == 80.0
    assert answer.outputs[0].rms.volts == pytest.approx(100.0)


# What cannot be computed


def test_nothing_known_below_the_lowest_rated_load() -> None:
    """Four boxes of 8 ohm are 2 ohm: the amplifier's bound is left out, the box's stays."""
    preset = rack(sources=(source(quantity=4),))
    answer = alone(preset, "into the 2.00 ohm on “A” is not known")
    assert answer.outputs[0].rms.bound_by == "loudspeaker"
    assert {one.by for one in answer.outputs[0].peak.bounds} == {"loudspeaker"}
    assert answer.channels[0].available_w is None


def test_an_output_that_drives_nothing() -> None:
    answer = alone(rack(sources=()), "drives no box that the preset knows")
    assert answer.outputs[0].rms.dbu is None
    assert apply_limits(rack(sources=()), answer) == rack(sources=())


def test_a_source_without_a_channel() -> None:
    answer = alone(rack(sources=(source(amplifier_channel=None),)), "names no amplifier channel")
    assert answer.outputs[0].rms.dbu is None


def test_low_impedance_on_a_line_and_the_reverse() -> None:
    """8 ohm across 100 V would be 1250 W; nothing is computed from either."""
    wrong = line_rack(source(), loudspeakers=(box(), line_box()))
    answer = alone(wrong, "8.00 ohm straight across it would draw 1250 W")
    assert answer.outputs[0].rms.dbu is None
    assert answer.channels[0].load_ohm is None
    wrong = rack(loudspeakers=(line_box(),), sources=(source(loudspeaker="Ceiling", tap_w=10.0),))
    answer = alone(wrong, "drives no 70.7 or 100 V line")
    assert answer.outputs[0].rms.dbu is None


def test_active_boxes_are_held_at_their_own_input() -> None:
    active = box(active=True, impedance_ohm=None, power_w=None, sensitivity_dbu=4.0)
    preset = rack(loudspeakers=(active,), sources=(source(amplifier_channel=None),))
    answer = limits(preset)
    assert answer.cautions == ()
    assert (answer.outputs[0].rms.dbu, answer.outputs[0].peak.dbu) == (4.0, 4.0)
    assert answer.outputs[0].rms.volts == pytest.approx(1.2277, abs=5e-5)
    silent = replace(preset, loudspeakers=(replace(active, sensitivity_dbu=None),))
    assert alone(silent, "states no input level").outputs[0].rms.dbu is None


def test_a_kilowatt_on_a_box_of_forty_watts() -> None:
    """√(40·8) = 17.89 V: 20·log10(17.89/0.7746) − 32 = −4.730 dBu, whatever the amplifier has."""
    small = box(power_w=Power(continuous=40.0, basis="aes"))
    assert rms_dbu(rack(loudspeakers=(small,))) == pytest.approx(-4.730, abs=5e-4)


def test_a_threshold_that_no_preset_can_hold_is_not_written() -> None:
    tiny = rack(
        loudspeakers=(box(power_w=Power(continuous=1e-6, basis="aes")),),
        amplifiers=(amplifier(gain_db=60.0),),
    )
    answer = alone(tiny, "the rms threshold of “Top” comes out at −108.8 dBu, beyond the ±60 dBu")
    limiter = apply_limits(tiny, answer).outputs[0].limiter
    assert limiter is None or limiter.rms is None or abs(limiter.rms.threshold_dbu) <= 60.0


# Several channels, groups, locks


def two_channels(second_db: float) -> Preset:
    return rack(
        amplifiers=(BIG, replace(BIG, name="Other", gain_db=32.0 + second_db)),
        amplifier_channels=(channel(), channel("B", amplifier="Other")),
        sources=(source(), source("T", amplifier_channel="B")),
    )


def test_the_weakest_of_several_channels_decides() -> None:
    answer = limits(two_channels(2.0))
    assert answer.outputs[0].rms.bound_at == "T"
    assert answer.outputs[0].rms.dbu == pytest.approx(5.270 - 2.0, abs=5e-4)
    assert answer.cautions == ()
    alone(two_channels(3.5), "disagree by 3.5 dB")


def test_what_lies_beyond_the_line_is_no_disagreement() -> None:
    """Taps of 5 and 40 W leave 9 dB between the boxes' own ends, both above the line's."""
    preset = line_rack(
        source(loudspeaker="Ceiling", tap_w=5.0), source("T", loudspeaker="Ceiling", tap_w=40.0)
    )
    assert limits(preset).cautions == ()


def grouped(locked: bool = False) -> Preset:
    return rack(
        outputs=(
            output(locked=("limiter",) if locked else ()),
            output("Wing"),
        ),
        groups=(Group(name="Both", outputs=("Top", "Wing"), follow=("limiter",)),),
        loudspeakers=(box(), box("Small", power_w=Power(continuous=100.0, basis="aes"))),
        amplifier_channels=(channel(), channel("B", output="Wing")),
        sources=(
            source(),
            source("W", output="Wing", loudspeaker="Small", amplifier_channel="B"),
        ),
    )


def test_a_group_gets_its_smallest() -> None:
    answer = limits(grouped())
    assert [each.rms.dbu for each in answer.outputs] == pytest.approx([-0.751, -0.751], abs=5e-4)
    assert answer.outputs[0].rms.bound_at == "W"
    # Top's own box then gets 28.28 V, as the small one does.
    assert answer.outputs[0].rms.volts == pytest.approx(28.2843, abs=5e-5)
    after = apply_limits(grouped(), answer)
    assert after.outputs[0].limiter == after.outputs[1].limiter


def test_locked_limiters_stay() -> None:
    preset = grouped(locked=True)
    answer = limits(preset)
    assert apply_limits(preset, answer) == preset
    assert any("is locked" in note for note in answer.notes)


# Applying


@pytest.mark.parametrize("name", ["harbour-hall", "lantern-cafe", "hillside-chapel"])
def test_applying_writes_limiters_alone_and_is_stable(name: str) -> None:
    preset = xover.load(xover.default_example().with_stem(name))
    first = limits(preset)
    once = apply_limits(preset, first)
    assert faults(once) == []
    again = limits(once)
    assert [each.rms.dbu for each in again.outputs] == [each.rms.dbu for each in first.outputs]
    assert apply_limits(once, again) == once
    undone = replace(
        once,
        outputs=tuple(
            replace(after, limiter=before.limiter)
            for after, before in zip(once.outputs, preset.outputs, strict=True)
        ),
    )
    assert undone == preset


def test_a_least_impedance_under_the_amplifier_s_load_is_explained() -> None:
    """Two boxes of 8 ohm on 4 ohm: 3.2 ohm beside "may drive 4.00" must not look like an error."""
    answer = limits(rack(sources=(source("S"), source("T"))))
    assert answer.channels[0].load_ohm == pytest.approx(3.2)
    assert not answer.channels[0].concerns
    assert any("“A”: what an amplifier may drive is a rated load" in one for one in answer.notes)
    assert not any("rated load" in one for one in limits(rack()).notes)


def test_thresholds_are_rounded_down() -> None:
    preset = rack()
    answer = limits(preset)
    limiter = apply_limits(preset, answer).outputs[0].limiter
    assert limiter is not None
    assert limiter.rms is not None
    assert answer.outputs[0].rms.dbu is not None
    assert -0.0005 <= answer.outputs[0].rms.dbu - limiter.rms.threshold_dbu < 0.01
    assert limiter.rms.threshold_dbu == round(limiter.rms.threshold_dbu, 2)


def test_times_are_kept_unless_new_ones_are_asked_for() -> None:
    own = Limit(threshold_dbu=0.0, attack_ms=33.0, release_ms=333.0)
    preset = rack(outputs=(output(limiter=Limiter(rms=own)),))
    kept = limits(preset).outputs[0]
    assert (kept.rms.attack_ms, kept.rms.release_ms) == (33.0, 333.0)
    assert kept.peak.attack_ms == proposed_peak(100.0).attack_ms
    new = limits(preset, new_times=True).outputs[0]
    assert new.rms.attack_ms == proposed_rms(100.0).attack_ms


def test_every_threshold_shows_its_working() -> None:
    """The figures that a second person needs stand in the lines: ratings, volts, gain, result."""
    working = "\n".join(limits(rack()).outputs[0].working)
    assert "√(400 · 8.00) = 56.57 V" in working
    assert "20·log10(56.57 / 0.7746) = +37.27 dBu, less 32.00 dB of gain: +5.27 dBu" in working
    assert "rms of the sine with that peak" in working
    assert "common practice, no source" in working


# Times


def test_proposals_follow_the_band() -> None:
    """Five periods of 100 Hz are 50 ms, a twentieth 0.5 ms: common practice, no source."""
    assert (proposed_rms(100.0).attack_ms, proposed_rms(100.0).release_ms) == (50.0, 200.0)
    assert (proposed_peak(100.0).attack_ms, proposed_peak(100.0).release_ms) == (0.5, 50.0)
    low = rack(outputs=(output(high_pass=None),))
    assert limits(low).outputs[0].rms.attack_ms == proposed_rms(60.0).attack_ms


@pytest.mark.parametrize(("attack_ms", "over_db"), [(0.5, 6.0), (2.0, 6.0), (1.0, 12.0)])
def test_overshoot_is_that_of_the_differential_equation(attack_ms: float, over_db: float) -> None:
    """τ·e′ + e = |x| while it rises, integrated by scipy; gain 1/e above the threshold."""
    level, omega = 10.0 ** (over_db / 20.0), 2.0 * math.pi * 100.0
    steps = np.linspace(0.0, 0.005, 2001)
    answer = solve_ivp(
        lambda t, e: (level * np.sin(omega * t) - e) / (attack_ms / 1000.0),
        (0.0, 0.005),
        [0.0],
        t_eval=steps,
        rtol=1e-9,
        atol=1e-12,
    )
    signal, followed = level * np.sin(omega * steps), answer.y[0]
    passed = (signal / np.maximum(1.0, followed))[signal >= followed]
    expected = 20.0 * math.log10(passed.max())
    assert first_cycle_overshoot_db(attack_ms, 100.0, over_db=over_db) == pytest.approx(
        expected, abs=2e-3
    )


def test_slow_peak_limiters_protect_a_level() -> None:
    assert not is_level_protection(1.0, 100.0)
    assert is_level_protection(1.01, 100.0)
    assert first_cycle_overshoot_db(0.0, 100.0) == 0.0
    assert first_cycle_overshoot_db(1000.0, 100.0) == pytest.approx(6.0, abs=0.01)
