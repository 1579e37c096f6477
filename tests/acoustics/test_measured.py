"""Captured paths: settings divided out, re-timed, summed only with what they can be summed with."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.acoustics.rigs import all_inputs, db, rig, trace_of
from xover.acoustics.field import listener_response, paths_at, shown_capture
from xover.dsp.axis import Axis
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Air, Crossover, EqSection, Input, Output
from xover.model.rig import CapturedPositions, CapturedSettings, Measurement, Source

POINTS_HZ = np.geomspace(20.0, 18_000.0, 240)
AXIS = Axis(POINTS_HZ, 48_000.0)
ROOM = (1.0 + 0.4 * np.exp(-2j * np.pi * POINTS_HZ * 0.0007)) * np.exp(
    -2j * np.pi * POINTS_HZ * 0.0123
)
"""An invented path: a direct sound after 12.3 ms and one reflection 0.7 ms later."""


def captured_rig(
    *, today: dict[str, Any] | None = None, response: Any = ROOM, **measurement: Any
) -> Preset:
    fields: dict[str, Any] = {
        "output": "Top",
        "listener": "Seat",
        "trace": trace_of(POINTS_HZ, response),
        "captured": "flat",
        **measurement,
    }
    preset = rig({"Top": (0.0, -4.2, 0.0)}, outputs={"Top": today or {}})
    return replace(preset, measurements=(Measurement(**fields),))


def settings_of(output: Output, *inputs: Input) -> dict[str, Any]:
    return {
        "captured": "settings",
        "captured_settings": CapturedSettings(output=output, inputs=inputs or (Input(name="In"),)),
    }


def path(preset: Preset, axis: Axis = AXIS, **options: Any) -> Any:
    return paths_at(preset, ["Top"], "Seat", axis, all_inputs(preset), **options)[0]


HIGH_PASS = Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=80.0)
BELL = EqSection(kind="peak", frequency_hz=1_200.0, gain_db=-5.0, q=2.0)


def test_a_flat_capture_times_todays_settings() -> None:
    """By hand: +6 dB, inverted, 3 ms."""
    got = path(captured_rig(today={"gain_db": 6.0, "polarity": "inverted", "delay_ms": 3.0}))
    expected = -(10.0**0.3) * np.exp(-2j * np.pi * POINTS_HZ * 0.003) * ROOM
    np.testing.assert_allclose(got.responses, [expected], rtol=1e-9)
    assert (got.level, got.basis, got.estimate) == ("relative", "measured", False)
    assert not got.doubtful.any()


def test_todays_filter_on_a_flat_capture_is_scipys() -> None:
    """The electrical part from outside: `scipy.signal.butter` at 48 kHz."""
    from scipy.signal import butter, freqz_sos

    sos = butter(4, 80.0, "high", fs=48_000.0, output="sos")
    _, h = freqz_sos(sos, POINTS_HZ, fs=48_000.0)
    got = path(captured_rig(today={"high_pass": HIGH_PASS}))
    np.testing.assert_allclose(got.total, h * ROOM, rtol=1e-6)


@given(
    gain_db=st.floats(-20.0, 20.0),
    delay_ms=st.floats(0.0, 50.0),
    route_db=st.floats(-20.0, 20.0),
    corner_hz=st.floats(20.0, 200.0),
    cut_db=st.floats(-12.0, 12.0),
    more_db=st.floats(-12.0, 12.0),
)
@settings(deadline=None, max_examples=25)
def test_settings_in_force_divide_out(
    gain_db: float,
    delay_ms: float,
    route_db: float,
    corner_hz: float,
    cut_db: float,
    more_db: float,
) -> None:
    """Whatever was in force: left alone, the prediction is the trace; a change acts alone."""
    then = Output(
        name="Top",
        inputs={"In": route_db},
        gain_db=gain_db,
        delay_ms=delay_ms,
        high_pass=replace(HIGH_PASS, frequency_hz=corner_hz),
        eq=(replace(BELL, gain_db=cut_db),),
    )
    preset = captured_rig(**settings_of(then))
    preset = replace(preset, outputs=(then,))
    np.testing.assert_allclose(path(preset).total, ROOM, rtol=1e-8)
    moved = replace(then, gain_db=gain_db + more_db, delay_ms=delay_ms + 1.0)
    later = path(replace(preset, outputs=(moved,))).total
    shift = 10.0 ** (more_db / 20.0) * np.exp(-2j * np.pi * POINTS_HZ * 0.001)
    np.testing.assert_allclose(later, shift * ROOM, rtol=1e-8)


def test_a_settings_capture_predicts_what_a_flat_one_does() -> None:
    """The same room captured through a Butterworth high-pass (scipy's) and without it."""
    from scipy.signal import butter, freqz_sos

    _, h = freqz_sos(butter(4, 80.0, "high", fs=48_000.0, output="sos"), POINTS_HZ, fs=48_000.0)
    then = Output(name="Top", inputs={"In": -3.0}, high_pass=HIGH_PASS)
    route = 10.0 ** (-3.0 / 20.0)
    today = {"eq": (BELL,), "delay_ms": 2.0}
    flat = path(captured_rig(today=today))
    through = path(captured_rig(today=today, response=ROOM * h * route, **settings_of(then)))
    np.testing.assert_allclose(through.total, flat.total, rtol=1e-6)


def test_where_the_settings_were_20_db_down_it_is_doubtful() -> None:
    """A fourth-order Butterworth high-pass is 20 dB down at f_c·99^(−1/8) = 0.5631·f_c."""
    then = Output(name="Top", inputs={"In": 0.0}, high_pass=HIGH_PASS, gain_db=-30.0)
    got = path(captured_rig(**settings_of(then)))
    np.testing.assert_array_equal(got.doubtful, POINTS_HZ < 0.5631 * 80.0)
    assert "doubtful" in " ".join(got.notes)
    low = Axis(np.array([30.0]), 48_000.0)
    (narrow,) = paths_at(
        captured_rig(**settings_of(then)), ["Top"], "Seat", low, Drive({"In": 0.0})
    )
    assert narrow.doubtful.tolist() == [True], "re the settings' own maximum, not the axis'"


def test_driven_inputs_of_the_capture() -> None:
    """Two inputs routed, one driven at −6 dB: only its gain (+10) and route (−1) divide out."""
    then = Output(name="Top", inputs={"In": -1.0, "Aux": 0.0})
    inputs = (Input(name="In", gain_db=10.0), Input(name="Aux"))
    with pytest.raises(Refused, match=r"several inputs fed “Top”.*\(In, Aux\); state which"):
        path(captured_rig(**settings_of(then, *inputs)))
    got = path(captured_rig(driven_inputs={"In": -6.0}, **settings_of(then, *inputs)))
    np.testing.assert_allclose(db(got.total / ROOM), -3.0, atol=1e-9)


def test_settings_that_let_nothing_through_are_refused() -> None:
    then = Output(name="Top", inputs={"In": 0.0}, muted=True)
    with pytest.raises(Refused, match="let nothing through") as no:
        path(captured_rig(**settings_of(then)))
    assert no.value.faults[0].where == "measurements[0].captured_settings"
    stray = settings_of(Output(name="Top", inputs={"In": 0.0}))
    with pytest.raises(Refused, match="“Aux” was driven"):
        path(captured_rig(driven_inputs={"Aux": 0.0}, **stray))


def test_captured_at_another_sample_rate() -> None:
    """The captured filters ran at 32 kHz: scipy at 32 kHz, and nothing above 15.68 kHz."""
    from scipy.signal import butter, freqz_sos

    low_pass = Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=8_000.0)
    then = Output(name="Top", inputs={"In": 0.0}, low_pass=low_pass)
    _, h = freqz_sos(butter(4, 8_000.0, "low", fs=32_000.0, output="sos"), POINTS_HZ, fs=32_000.0)
    got = path(captured_rig(captured_sample_rate_hz=32_000.0, **settings_of(then)))
    inside = POINTS_HZ < 0.49 * 32_000.0
    np.testing.assert_allclose(got.total[inside], (ROOM / h)[inside], rtol=1e-6)
    assert np.isnan(got.total[~inside]).all()
    assert "lower sample rate" in " ".join(got.notes)
    edge = Axis(np.array([0.489, 0.491]) * 32_000.0, 48_000.0)
    preset = captured_rig(captured_sample_rate_hz=32_000.0, **settings_of(then))
    assert np.isnan(path(preset, edge).total).tolist() == [False, True]


def test_an_input_that_is_not_routed_stays_silent_where_the_trace_ends() -> None:
    """Independent inputs: one row each; 0 from an input without a route, NaN where unknown."""
    preset = captured_rig(trace=trace_of([100.0, 1000.0], [1.0, 1.0]))
    preset = replace(preset, inputs=(Input(name="In"), Input(name="Aux")))
    got = path(preset, Axis(np.array([50.0, 200.0]), 48_000.0)).responses
    assert np.isnan(got).tolist() == [[True, False], [False, False]]
    np.testing.assert_array_equal(got[1], 0.0)


def test_spl_needs_the_input_level_of_the_capture() -> None:
    """94 dB captured with −10 dBu in: 104 dB for 0 dBu, 108 dB for +4 dBu (by hand)."""
    loud = trace_of(POINTS_HZ, ROOM / np.abs(ROOM) * 10.0 ** (94.0 / 20.0), level="spl")
    stated = captured_rig(trace=loud, captured_input_dbu=-10.0)
    assert path(stated).level == "spl"
    np.testing.assert_allclose(db(path(stated).total), 104.0, atol=1e-9)
    np.testing.assert_allclose(db(path(stated, input_level_dbu=4.0).total), 108.0, atol=1e-9)
    unstated = captured_rig(trace=loud)
    assert path(unstated).level == "relative"
    np.testing.assert_allclose(db(path(unstated, input_level_dbu=4.0).total), 94.0, atol=1e-9)


@pytest.mark.parametrize(
    ("then_c", "now_c", "shift_ms"), [(10.0, 30.0, -2.9840), (20.0, 0.0, 3.1436), (20.0, 20.0, 0.0)]
)
def test_other_weather_re_times(then_c: float, now_c: float, shift_ms: float) -> None:
    """30 m: 90.5562 ms at 0 °C, 88.9428 at 10, 87.4126 at 20, 85.9588 at 30 (ISO 9613-1 A.5)."""
    preset = captured_rig(captured_air=Air(temperature_c=then_c))
    preset = replace(
        preset,
        air=Air(temperature_c=now_c),
        sources=(replace(preset.sources[0], position_m=(0.0, -30.0, 0.0)),),
    )
    got = path(preset)
    expected = ROOM * np.exp(-2j * np.pi * POINTS_HZ * shift_ms / 1000.0)
    np.testing.assert_allclose(got.total, expected, rtol=0, atol=0.02)  # 0.1 µs at 18 kHz
    assert ("re-timed" in " ".join(got.notes)) == (shift_ms != 0.0)


def test_a_moved_box_or_seat_re_times() -> None:
    """3.432 m further away is 10 ms at 20 °C; the box captured nearest counts."""
    here = CapturedPositions(sources={"Top box": (0.0, -4.2, 0.0)}, listener=(0.0, 0.0, 0.0))
    preset = captured_rig(captured_positions_m=here)
    late = ROOM * np.exp(-2j * np.pi * POINTS_HZ * 0.010)
    box_moved = replace(preset.sources[0], position_m=(0.0, -7.632, 0.0))
    got = path(replace(preset, sources=(box_moved,)))
    np.testing.assert_allclose(got.total, late, rtol=1e-6)
    assert "re-timed by +10.000 ms (+3.43 m between it and “Top box”" in " ".join(got.notes)
    seat_moved = replace(preset.listeners[0], position_m=(0.0, 3.432, 0.0))
    np.testing.assert_allclose(
        path(replace(preset, listeners=(seat_moved,))).total, late, rtol=1e-6
    )
    far = Source(name="Far box", output="Top", loudspeaker="Point", position_m=(0.0, 0.1, 0.0))
    joined = path(replace(preset, sources=(box_moved, far)))
    np.testing.assert_allclose(joined.total, late, rtol=1e-6)
    np.testing.assert_allclose(path(preset).total, ROOM, rtol=1e-9)


def test_an_output_without_sources_is_not_re_timed_and_it_is_said() -> None:
    preset = captured_rig(captured_air=Air(temperature_c=0.0))
    got = path(replace(preset, sources=()))
    np.testing.assert_allclose(got.total, ROOM, rtol=1e-9)
    assert "is not re-timed" in " ".join(got.notes)
    same = captured_rig(captured_air=Air(temperature_c=20.0))
    assert path(replace(same, sources=())).notes == ()


def test_latency_quantity_and_amplifier_are_in_the_trace_already() -> None:
    plain = captured_rig()
    changed = replace(
        plain,
        outputs=(replace(plain.outputs[0], latency_ms=5.0),),
        sources=(replace(plain.sources[0], quantity=4),),
        amplifiers=(replace(plain.amplifiers[0], gain_db=38.0, latency_ms=3.0),),
    )
    np.testing.assert_array_equal(path(changed).total, path(plain).total)


def test_unknown_settings_are_shown_and_never_summed() -> None:
    """The prediction is the model's, as if there were no capture; the trace is still shown."""
    unknown = captured_rig(captured="unknown")
    modelled = path(replace(unknown, measurements=()))
    got = path(unknown)
    np.testing.assert_array_equal(got.total, modelled.total)
    assert got.basis == "model"
    assert "never summed" in " ".join(got.notes)
    shown = shown_capture(unknown, "Top", "Seat", AXIS)
    assert shown is not None
    np.testing.assert_allclose(shown.response, ROOM, rtol=1e-9)
    alone = listener_response(replace(unknown, sources=()), "Seat", AXIS, all_inputs(unknown))
    assert not alone.total.any()
    assert "no usable capture" in " ".join(alone.notes)
    assert shown_capture(replace(unknown, measurements=()), "Top", "Seat", AXIS) is None


def pair(first: dict[str, Any], second: dict[str, Any]) -> Preset:
    """Two outputs captured at the seat."""
    preset = rig({"Top": (0.0, -4.2, 0.0), "Sub": (0.0, -4.2, 0.0)})
    measurements = [
        Measurement(
            output=name,
            listener="Seat",
            captured="flat",
            trace=trace_of(POINTS_HZ, ROOM, **fields),
        )
        for name, fields in (("Top", first), ("Sub", second))
    ]
    return replace(preset, measurements=tuple(measurements))


def test_one_session_sums_and_others_say_that_they_share_no_time_zero() -> None:
    def summed(first: dict[str, Any], second: dict[str, Any]) -> Any:
        preset = pair(first, second)
        return listener_response(preset, "Seat", AXIS, all_inputs(preset))

    shared = summed({"session": "Soundcheck"}, {"session": "Soundcheck"})
    np.testing.assert_allclose(shared.total, 2.0 * ROOM, rtol=1e-9)
    assert "time zero" not in " ".join(shared.notes)
    other = summed({"session": "Soundcheck"}, {"session": "Monday"})
    assert "do not share one time zero" in " ".join(other.notes)
    assert "do not share one time zero" in " ".join(summed({}, {}).notes)


def test_measured_with_model_says_so_and_never_across_levels() -> None:
    relative = replace(pair({}, {}), measurements=pair({}, {}).measurements[:1])
    drive = all_inputs(relative)
    with pytest.raises(Refused, match="the capture of “Top” at “Seat” is not in SPL"):
        listener_response(relative, "Seat", AXIS, drive)
    loud = replace(
        relative.measurements[0],
        trace=replace(relative.measurements[0].trace, level="spl"),
        captured_input_dbu=0.0,
    )
    got = listener_response(replace(relative, measurements=(loud,)), "Seat", AXIS, drive)
    assert got.level == "spl"
    assert "“Top” (measured, time zero unknown) and “Sub” (computed)" in " ".join(got.notes)
    without_level = replace(loud, captured_input_dbu=None)
    with pytest.raises(Refused, match="states no input level"):
        listener_response(replace(relative, measurements=(without_level,)), "Seat", AXIS, drive)


def test_coherence_comes_with_the_path() -> None:
    """Half-way in log frequency between 100 and 400 Hz is 200 Hz: the mean of 0.4 and 0.8."""
    trace = trace_of([100.0, 400.0], [1.0, 1.0], coherence=(0.4, 0.8))
    got = path(captured_rig(trace=trace), Axis(np.array([50.0, 200.0, 400.0]), 48_000.0))
    np.testing.assert_allclose(got.coherence, [np.nan, 0.6, 0.8])
    assert path(captured_rig()).coherence is None


def test_a_trace_without_phase_is_an_estimate_without_time_zero() -> None:
    flat = trace_of(POINTS_HZ, np.ones(POINTS_HZ.size), session="Soundcheck")
    preset = pair({}, {"session": "Soundcheck"})
    bare = replace(preset.measurements[0], trace=replace(flat, phase_deg=None))
    preset = replace(preset, measurements=(bare, preset.measurements[1]))
    got = listener_response(preset, "Seat", AXIS, all_inputs(preset))
    assert got.paths[0].estimate
    assert "estimate without time of flight" in " ".join(got.notes)
    assert "do not share one time zero" in " ".join(got.notes)
