"""Verification: random slips named, correct entries passed, interfaces, sessions.

A sample of what `tests/bench/verify_rates.py` counts over hundreds of cases.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.signal import freqz

from tests.design.adapting_cases import preset_of
from tests.design.verifying_cases import (
    PROFILES,
    VISIBLE_DB,
    capture,
    meant_output,
    stories,
    visible_db,
    with_slip,
)
from xover.design.verifying.parts import item_logs
from xover.design.verifying.points import condense, divided
from xover.design.verifying.sessions import judge_session
from xover.design.verifying.verification import verify_output
from xover.dsp.axis import Axis
from xover.dsp.biquad import section_of, section_response
from xover.dsp.captured import CapturedResponse
from xover.dsp.crossover import HIGH_PASS, LOW_PASS
from xover.dsp.response import crossover_response, output_stage
from xover.model.problems import Refused
from xover.model.processing import Crossover, EqSection, Output

JETTY = "jetty-4x8"


def points_of(captured: CapturedResponse, rate_hz: float):
    return condense(captured, top_hz=0.45 * rate_hz, name="capture")


def verified(preset, captured, **options):
    points = points_of(captured, preset.sample_rate_hz)
    options = {"profile": PROFILES[JETTY], "loop_known": True, **options}
    return verify_output(preset, "Way", points, driven="In", **options)


def ranks(result):
    return [{slip.where for slip in each.slips} for each in result.explanations]


# ln H, by another route


@pytest.mark.parametrize(
    "kind", ["peak", "low_shelf", "high_shelf", "notch", "band_pass", "all_pass", "low_pass"]
)
def test_logs_are_those_of_the_responses(kind):
    gain = {"gain_db": -7.0} if kind in ("peak", "low_shelf", "high_shelf") else {}
    item = EqSection(kind=kind, frequency_hz=997.0, q=3.0, **gain)
    axis = Axis.log(24, sample_rate_hz=48_000.0)
    (log,) = item_logs([(item, None)], axis)
    assert np.allclose(np.exp(log), section_response(section_of(item), axis), rtol=1e-9, atol=1e-9)


def test_phases_of_logs_have_no_jumps():
    axis = Axis.log(96, sample_rate_hz=48_000.0)
    items = [
        (Crossover(family="linkwitz-riley", slope_db_per_octave=48, frequency_hz=500.0), side)
        for side in (HIGH_PASS, LOW_PASS)
    ]
    items.append((EqSection(kind="all_pass", frequency_hz=200.0, q=5.0), None))
    logs = item_logs(items, axis)
    assert np.max(np.abs(np.diff(logs.imag, axis=1))) < 0.7
    for (item, side), log in zip(items[:2], logs, strict=False):
        assert np.allclose(np.exp(log), crossover_response(item, side, axis), rtol=1e-9)


# Slips


@pytest.fixture(scope="module")
def singles():
    found = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        preset = meant_output(rng, 3, 8, JETTY)
        parts, slips = stories(preset, JETTY)
        meant, rate_hz = preset.outputs[0], preset.sample_rate_hz
        while True:
            slip = slips[rng.integers(len(slips))]
            wrong = with_slip(meant, parts, slip)
            if visible_db(wrong, meant, rate_hz) > VISIBLE_DB:
                break
        result = verified(preset, capture(wrong, rng, rate_hz=rate_hz))
        found.append(({one.where for one in slip.slips}, result))
    return found


def test_a_single_slip_is_named_first(singles):
    assert [truth for truth, result in singles if ranks(result)[0] != truth] == []


def test_one_slip_is_not_reported_as_two(singles):
    assert all(len(ranks(result)[0]) == len(truth) for truth, result in singles)


def test_places_are_told_once(singles):
    for _, result in singles:
        sets = [frozenset(one) for one in ranks(result)]
        assert len(set(sets)) == len(sets)
        shares = [one.confidence for one in result.explanations]
        assert sum(shares) == pytest.approx(1.0)


def test_correct_entries_match():
    for seed in range(4):
        rng = np.random.default_rng(100 + seed)
        preset = meant_output(rng, 3, 8, JETTY)
        result = verified(preset, capture(preset.outputs[0], rng, rate_hz=preset.sample_rate_hz))
        assert result.matches
        assert result.residual_db_rms < 0.05
        assert not result.explanations


def test_two_slips_are_both_named():
    named = 0
    for seed in range(4):
        rng = np.random.default_rng(200 + seed)
        preset = meant_output(rng, 4, 5, JETTY)
        parts, slips = stories(preset, JETTY)
        meant, rate_hz = preset.outputs[0], preset.sample_rate_hz
        while True:
            first, second = (slips[rng.integers(len(slips))] for _ in range(2))
            if set(first.parts) & set(second.parts):
                continue
            one = with_slip(meant, parts, first)
            both = with_slip(one, parts, second)
            other = with_slip(meant, parts, second)
            seen = [visible_db(both, x, rate_hz) for x in (one, other, meant)]
            if min(seen) > 2.0 * VISIBLE_DB:
                break
        result = verified(preset, capture(both, rng, rate_hz=rate_hz))
        truth = {slip.where for one in (first, second) for slip in one.slips}
        named += ranks(result)[0] == truth
    assert named >= 3


def cookbook_peak(f, frequency_hz, gain_db, q, rate_hz):
    """H of a peak: coefficients of the audio EQ cookbook [RBJ], evaluated by scipy."""
    w, a = 2.0 * np.pi * frequency_hz / rate_hz, 10.0 ** (gain_db / 40.0)
    alpha = np.sin(w) / (2.0 * q)
    b = [1.0 + alpha * a, -2.0 * np.cos(w), 1.0 - alpha * a]
    return freqz(b, [1.0 + alpha / a, b[1], 1.0 - alpha / a], worN=f, fs=rate_hz)[1]


def test_a_value_between_those_tried_first_is_found():
    # 1333 Hz and +8.9 dB lie between the 1/24 octaves and half decibels of the coarse sweep.
    meant = Output(
        name="Way",
        inputs={"In": 0.0},
        eq=(EqSection(kind="peak", frequency_hz=1_000.0, gain_db=-4.0, q=2.0),),
    )
    f = np.geomspace(20.0, 20e3, 2_000)
    for frequency_hz, gain_db, field in ((1_333.0, -4.0, "frequency_hz"), (1e3, 8.9, "gain_db")):
        response = cookbook_peak(f, frequency_hz, gain_db, 2.0, 48e3)
        level_db, phase_deg = 20.0 * np.log10(np.abs(response)), np.angle(response, deg=True)
        result = verified(preset_of(meant), CapturedResponse(f, level_db, phase_deg), profile=None)
        (slip,) = result.explanations[0].slips
        assert slip.where == f"outputs[0].eq[0].{field}"
        wanted = {"frequency_hz": frequency_hz, "gain_db": gain_db}[field]
        assert slip.looks_like == pytest.approx(wanted, rel=0.003)


@pytest.mark.parametrize("loop_known", [True, False])
def test_an_interface_of_unknown_response(loop_known):
    rng = np.random.default_rng(31)
    preset = meant_output(rng, 4, 8, JETTY)
    rate_hz = preset.sample_rate_hz
    meant = preset.outputs[0]
    wrong = replace(
        meant, eq=(replace(meant.eq[0], gain_db=-(meant.eq[0].gain_db or 3.0)), *meant.eq[1:])
    )
    for output, matches in ((meant, True), (wrong, False)):
        points = points_of(
            capture(output, rng, rate_hz=rate_hz, interface=np.random.default_rng(5)), rate_hz
        )
        if loop_known:
            through = Output(name="Loop", inputs={"In": 0.0})
            loop = capture(through, rng, rate_hz=rate_hz, interface=np.random.default_rng(5))
            points = divided(points, points_of(loop, rate_hz))
        result = verify_output(
            preset, "Way", points, driven="In", loop_known=loop_known, profile=PROFILES[JETTY]
        )
        assert result.matches == matches
        assert result.tolerance_db == (0.1 if loop_known else 0.3)
        if not matches:
            assert ranks(result)[0] == {"outputs[0].eq[0].gain_db"}


def test_rounding_by_an_unknown_device_is_no_slip():
    # Without a profile, steps of 1/24 octave, 0.5 dB and 10 % of Q are taken for granted.
    meant = Output(
        name="Way",
        inputs={"In": 0.0},
        high_pass=Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=101.0),
        eq=(EqSection(kind="peak", frequency_hz=1000.0, gain_db=-4.2, q=2.0),),
    )
    rounded = replace(
        meant,
        high_pass=replace(meant.high_pass, frequency_hz=100.0),
        eq=(replace(meant.eq[0], frequency_hz=1006.0, gain_db=-4.0),),
    )
    preset = preset_of(meant)
    rng = np.random.default_rng(1)
    result = verified(
        preset, capture(rounded, rng, rate_hz=48_000.0), profile=None, loop_known=False
    )
    assert result.matches
    wrong = replace(meant, eq=(replace(meant.eq[0], gain_db=4.2),))
    result = verified(preset, capture(wrong, rng, rate_hz=48_000.0), profile=None, loop_known=False)
    assert ranks(result)[0] == {"outputs[0].eq[0].gain_db"}
    assert "meant −4.2 dB, looks like +4.2 dB" in result.explanations[0].slips[0].sentence


def test_what_was_not_captured_is_not_tested_and_that_is_said():
    meant = Output(
        name="Way",
        inputs={"In": 0.0},
        eq=tuple(EqSection(kind="peak", frequency_hz=f, gain_db=3.0, q=2.0) for f in (60.0, 2e3)),
    )
    preset = preset_of(meant)
    captured = capture(meant, np.random.default_rng(1), rate_hz=48_000.0)
    captured = captured.at(captured.frequency_hz > 150.0)
    result = verified(preset, captured)
    assert result.matches
    assert "outputs[0].eq[0]" in result.not_testable
    assert "Way, EQ 1 cannot be seen in it" in result.notes[0]


@pytest.mark.parametrize("latency_ms", [0.4, 2.0, 17.3])
def test_text_with_the_latency_in_its_phase(latency_ms):
    meant = Output(
        name="Way",
        inputs={"In": 0.0},
        high_pass=Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=100.0),
        eq=(EqSection(kind="peak", frequency_hz=1000.0, gain_db=-4.0, q=2.0),),
    )
    axis = Axis.log(48, sample_rate_hz=48_000.0)
    f = axis.frequency_hz
    for item, matches in (
        (meant, True),
        (replace(meant, eq=(replace(meant.eq[0], gain_db=4.0),)), False),
    ):
        response = output_stage(item, axis) * np.exp(-2e-3j * np.pi * f * latency_ms)
        level_db = np.round(20.0 * np.log10(np.abs(response)), 3)
        captured = CapturedResponse(f, level_db, np.round(np.rad2deg(np.angle(response)), 2))
        result = verified(preset_of(meant), captured, loop_known=False, profile=None)
        assert result.matches == matches
        if matches:
            assert result.latency_ms == pytest.approx(latency_ms, abs=0.02)


def test_points_need_phase_and_signal():
    f = np.geomspace(20.0, 20e3, 200)
    with pytest.raises(Refused, match="has no phase"):
        condense(CapturedResponse(f, np.zeros(200)), top_hz=20e3, name="it")
    noise = np.random.default_rng(1).uniform(-180.0, 180.0, 200)
    with pytest.raises(Refused, match="too noisy"):
        condense(CapturedResponse(f, np.zeros(200), noise), top_hz=20e3, name="it")


def test_noise_is_estimated():
    # A flat response with complex noise of known spread; averaging n bins divides by √n.
    rng = np.random.default_rng(4)
    f = np.arange(1.0, 20_000.0)
    noisy = 1.0 + 1e-3 * (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size))
    captured = CapturedResponse(f, 20.0 * np.log10(np.abs(noisy)), np.rad2deg(np.angle(noisy)))
    points = condense(captured, top_hz=20e3, name="it")
    at = int(np.argmin(np.abs(points.frequency_hz - 10_000.0)))
    bins = 10_000.0 * (2.0 ** (0.5 / 48) - 2.0 ** (-0.5 / 48))
    assert points.noise[at] == pytest.approx(1e-3 / np.sqrt(bins), rel=0.15)


# Delay and gain of several outputs


def session(
    delays_ms, gains_db, *, meant_ms=(3.42, 78.1, 3.42), loop_known=False, profile=None, left=None
):
    """`left` is what the last output leaves of level and phase, in dB and degrees rms."""
    outputs = [
        Output(name=name, inputs={"In": 0.0}, delay_ms=meant)
        for name, meant in zip("ABC", meant_ms, strict=False)
    ]
    preset = preset_of(*outputs[: len(delays_ms)])
    flat = verified(
        preset_of(Output(name="Way", inputs={"In": 0.0})),
        capture(Output(name="Way", inputs={"In": 0.0}), np.random.default_rng(1), rate_hz=48e3),
    )
    results = [
        replace(
            flat,
            output=output.name,
            latency_ms=2.0 + late,
            gain_offset_db=gain,
            not_testable=(f"outputs[{at}].gain_db", f"outputs[{at}].delay_ms"),
        )
        for at, (output, late, gain) in enumerate(
            zip(preset.outputs, delays_ms, gains_db, strict=True)
        )
    ]
    if left is not None:
        results[-1] = replace(results[-1], residual_db_rms=left[0], residual_deg_rms=left[1])
    return judge_session(
        preset, results, driven=["In"] * len(results), loop_known=loop_known, profile=profile
    )


def test_delays_of_a_session_are_compared():
    assert all(one.matches for one in session((3.42, 78.1, 3.42), (0.0, 0.0, 0.0)))
    one, two, three = session((3.42, 26.8, 3.42), (0.0, 0.0, 0.0))
    assert one.matches
    assert three.matches
    (slip,) = two.explanations[0].slips
    assert slip.where == "outputs[1].delay_ms"
    # 78.10 ms are 26.80 m at 20 °C.
    assert slip.sentence == (
        "B, delay: meant 78.10 ms, looks like 26.80 ms, metres typed as milliseconds"
    )
    assert two.not_testable == ()


def test_two_outputs_cannot_tell_which_is_wrong():
    one, two = session((3.42, 0.0), (0.0, 0.0), meant_ms=(3.42, 3.42))
    assert not one.matches
    assert not two.matches
    assert two.explanations[0].slips[0].sentence.endswith("missing (if A is right)")


def test_gains_of_a_session_are_compared():
    _, two, _ = session((3.42, 78.1, 3.42), (0.0, -6.0, 0.1))
    assert [slip.where for slip in two.explanations[0].slips] == ["outputs[1].gain_db"]


def test_what_filters_leave_unexplained_is_no_gain_and_no_delay():
    # 0.8 dB and 0.09 ms more than meant: a slip where the filters fit, not where they leave that.
    late_ms, db = (3.42, 78.1, 3.51), (0.0, 0.0, 0.8)
    assert not session(late_ms, db)[2].matches
    assert not session(late_ms, db, left=(0.3, 2.0))[2].matches
    assert session(late_ms, db, left=(0.7, 15.0))[2].matches


def test_a_capture_of_something_else_is_explained_by_nothing():
    rng = np.random.default_rng(5)
    preset = meant_output(rng, 3, 4, JETTY)
    f = np.arange(1, 4096) * 48_000.0 / 8192
    comb = 1.0 + 0.95 * np.exp(-2j * np.pi * f * 0.0017)  # a microphone before a wall
    level_db, phase_deg = 20.0 * np.log10(np.abs(comb)), np.angle(comb, deg=True)
    result = verified(preset, CapturedResponse(f, level_db, phase_deg))
    assert not result.matches
    assert result.explanations == ()
    assert (result.gain_offset_db, result.latency_ms) == (None, None)
    assert "no slip of settings explains this" in result.notes[0]


def test_one_capture_alone_says_nothing_of_delay_and_gain():
    (one,) = session((99.0,), (12.0,))
    assert one.matches
    assert one.not_testable == ("outputs[0].gain_db", "outputs[0].delay_ms")


def test_a_known_loop_and_device_make_one_capture_enough():
    latency_ms = PROFILES[JETTY].latency_ms
    (one,) = session((3.42 - 2.0 + latency_ms,), (0.0,), loop_known=True, profile=PROFILES[JETTY])
    assert one.matches
    assert one.not_testable == ()
    (one,) = session((3.42,), (0.0,), loop_known=True, profile=PROFILES[JETTY])
    assert not one.matches
