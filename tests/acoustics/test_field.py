"""The sum at a listener from sources: distances, levels, phases, arrays, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests.acoustics.rigs import POINT, UNITY, all_inputs, axis_at, db, rig, trace_of
from xover.acoustics.air import absorption_db_per_m
from xover.acoustics.field import group_delay_ms, listener_response, paths_at
from xover.dsp.axis import Axis
from xover.dsp.response import output_group_delay_ms
from xover.model.drive import Drive
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Air, Crossover, EqSection, Input
from xover.model.rig import Amplifier, Loudspeaker, OwnResponse, Power

C_20 = 343.2
VOLT_DB = -11.25420
"""0 dBu re 2.83 V: 20·log10(0.7745967/2.83), by pocket calculator."""


def at_seat(preset: Preset, axis: Axis, **options: Any) -> Any:
    return listener_response(preset, "Seat", axis, all_inputs(preset), **options)


@pytest.mark.parametrize(
    ("distance_m", "level_db"),
    [
        (1, 0.0), (2, -6.0206), (3, -9.5424), (4, -12.0412), (5, -13.9794), (8, -18.0618),
        (10, -20.0), (20, -26.0206), (30, -29.5424), (50, -33.9794), (100, -40.0),
    ],
)  # fmt: skip
def test_inverse_distance(distance_m: float, level_db: float) -> None:
    """−20·log10 r for a point source (any textbook); the air's 0.03 dB over 100 m taken off."""
    axis = axis_at(100.0)
    preset = rig({"Top": (0.0, -distance_m, 0.0)})
    air_db = distance_m * absorption_db_per_m(preset.air, axis.frequency_hz)[0]
    got = at_seat(preset, axis)
    assert got.level == "spl"
    assert got.magnitude_db[0] == pytest.approx(100.0 + VOLT_DB + level_db - air_db, abs=2e-4)


def test_no_closer_than_ten_centimetres() -> None:
    """At 0 m the level is that of 0.1 m: +20 dB re 1 m, and this is said."""
    got = at_seat(rig({"Top": (0.0, 0.0, 0.0)}), axis_at(100.0))
    assert got.magnitude_db[0] == pytest.approx(120.0 + VOLT_DB, abs=2e-3)
    assert "0.1 m is used" in " ".join(got.notes)


def test_spl_from_volts_by_hand() -> None:
    """97 dB box, 32 dB amplifier, +4 dBu in, 20 m, floor not counted: by pocket calculator.

    1.2277 V × 39.8107 = 48.8748 V; 20·log10(48.8748/2.83) = 24.7458; − 26.0206 for 20 m.
    """
    box = replace(POINT, sensitivity_db=97.0)
    amplifier = Amplifier(name="A", gain_db=32.0, power_w={"8": 400.0}, minimum_load_ohm=4.0)
    preset = rig({"Top": (0.0, 20.0, 0.0)}, box=box, amplifier=amplifier)
    axis = axis_at(63.0)
    got = at_seat(preset, axis, input_level_dbu=4.0)
    assert got.magnitude_db[0] == pytest.approx(97.0 + 24.7458 - 26.0206, abs=5e-3)


def test_what_adds_to_the_level() -> None:
    """Bridged and quantity by 20·log10 N (any textbook), the attenuator by its own figure."""
    axis, place = axis_at(100.0), {"Top": (0.0, 1.0, 0.0)}
    base = at_seat(rig(place), axis).magnitude_db[0]

    def gained(**changes: Any) -> float:
        return float(at_seat(rig(place, **changes), axis).magnitude_db[0] - base)

    bridging = replace(UNITY, bridgeable=True)
    assert gained(amplifier=bridging, channel={"bridged": True}) == pytest.approx(6.0206, abs=1e-4)
    assert gained(channel={"attenuator_db": -9.0}) == pytest.approx(-9.0)
    assert gained(channel={"attenuator_db": -9.0, "attenuator_locked": True}) == pytest.approx(-9.0)
    for count, level_db in ((2, 6.0206), (3, 9.5424), (4, 12.0412), (8, 18.0618)):
        got = gained(sources={"Top": {"quantity": count}})
        assert got == pytest.approx(level_db, abs=1e-4), "N coherent sources"


def test_coupling_says_where_it_ends() -> None:
    """Half a wavelength apart: 343.2/(2·0.6) = 286 Hz, by pocket calculator."""
    place = {"Sub": (0.0, 1.0, 0.0)}
    axis = axis_at(60.0)
    spaced = at_seat(rig(place, sources={"Sub": {"quantity": 2, "spacing_m": 0.6}}), axis)
    assert "does not hold above 286 Hz" in " ".join(spaced.notes)
    unknown = at_seat(rig(place, sources={"Sub": {"quantity": 2}}), axis)
    assert "spacing is not given" in " ".join(unknown.notes)


@pytest.mark.parametrize(
    ("boundary", "level_db"),
    [("free", 0.0), ("floor", 6.0), ("floor-wall", 12.0), ("corner", 18.0)],
)
def test_boundaries_act_on_low_boxes_only(boundary: str, level_db: float) -> None:
    """Common practice: 6 dB for each doubling of the solid angle's loss, boxes below 300 Hz."""
    axis, place = axis_at(60.0), {"Sub": (0.0, 1.0, 0.0)}
    low = replace(POINT, passband_hz=(1e-6, 299.0))
    at_edge = replace(POINT, passband_hz=(1e-6, 300.0))
    for box, expected in ((low, level_db), (at_edge, 0.0)):
        free = at_seat(rig(place, box=box), axis)
        near = at_seat(rig(place, box=box, sources={"Sub": {"boundary": boundary}}), axis)
        assert near.magnitude_db[0] - free.magnitude_db[0] == pytest.approx(expected, abs=1e-9)
        ignored = "is ignored" in " ".join(near.notes)
        assert ignored == (box is at_edge and boundary != "free")


def test_absorption_is_by_distance() -> None:
    """ISO 9613-1 at 15 °C, 20 %: 88.786 dB/km at the exact 4 kHz band; 0.1 km."""
    weather = Air(temperature_c=15.0, relative_humidity_percent=20.0)
    preset = rig({"Top": (0.0, 100.0, 0.0)}, air=weather)
    got = at_seat(preset, axis_at(10.0**3.6))
    assert got.magnitude_db[0] == pytest.approx(100.0 + VOLT_DB - 40.0 - 8.8786, abs=1e-3)


@pytest.mark.parametrize(
    ("phase_deg", "level_db"),
    [
        (0, 6.0206), (45, 5.3329), (60, 4.7712), (90, 3.0103), (105, 1.7095), (120, 0.0),
        (135, -2.3226), (150, -5.7195), (170, -15.1735), (179, -35.1626),
    ],
)  # fmt: skip
def test_two_equal_sources(phase_deg: float, level_db: float) -> None:
    """20·log10(2·|cos φ/2|) (any textbook); φ by a delay at 100 Hz, 36° a millisecond."""
    place = {"A": (-2.0, 10.0, 0.0), "B": (2.0, 10.0, 0.0)}
    axis = axis_at(100.0)
    preset = rig(place, outputs={"B": {"delay_ms": phase_deg / 36.0}})
    one = at_seat(preset, axis, only=["A"]).magnitude_db[0]
    assert at_seat(preset, axis).magnitude_db[0] - one == pytest.approx(level_db, abs=1e-4)


@pytest.mark.parametrize(
    ("difference_db", "in_phase", "incoherent", "opposed"),
    [
        (1, 5.5350, 2.5390, -19.2715), (3, 4.6495, 1.7643, -10.6907), (6, 3.5287, 0.9732, -6.0412),
        (10, 2.3866, 0.4139, -3.3018), (20, 0.8279, 0.0432, -0.9151),
    ],
)  # fmt: skip
def test_two_unequal_sources(
    difference_db: float, in_phase: float, incoherent: float, opposed: float
) -> None:
    """20·log10(1 ± 10^(−ΔL/20)) and 10·log10(1 + 10^(−ΔL/10)) (any textbook).

    Incoherent: each source has an input of its own, and the signals are independent.
    """
    place = {"A": (-2.0, 10.0, 0.0), "B": (2.0, 10.0, 0.0)}
    axis = axis_at(100.0)
    feeds = {"A": {"inputs": {"In": 0.0}}, "B": {"inputs": {"Two": -difference_db}}}
    preset = rig(place, outputs=feeds, inputs=(Input(name="In"), Input(name="Two")))
    one = at_seat(preset, axis, only=["A"]).magnitude_db[0]
    both = at_seat(preset, axis)
    assert both.magnitude_db[0] - one == pytest.approx(in_phase, abs=1e-4)
    independent = Drive({"In": 0.0, "Two": 0.0}, False, "request")
    power = listener_response(preset, "Seat", axis, independent)
    assert power.magnitude_db[0] - one == pytest.approx(incoherent, abs=1e-4)
    assert np.isnan(power.phase_deg).all()
    assert np.isnan(group_delay_ms(preset, "Seat", axis, independent)).all()
    assert power.paths[0].responses.shape == (2, 1)
    inverted = rig(
        place,
        outputs={"A": feeds["A"], "B": {**feeds["B"], "polarity": "inverted"}},
        inputs=preset.inputs,
    )
    assert at_seat(inverted, axis).magnitude_db[0] - one == pytest.approx(opposed, abs=2e-4)


def test_comb_of_one_millisecond() -> None:
    """Notches at (2k+1)/2τ, peaks at k/τ: 500, 1500, 2500 and 1000, 2000 Hz (any textbook).

    The extra millisecond is 0.3432 m at 20 °C, with the level made up.
    """
    extra_m = 0.3432
    makeup_db = 20.0 * np.log10((10.0 + extra_m) / 10.0)
    preset = rig(
        {"A": (0.0, 10.0, 0.0), "B": (0.0, 10.0 + extra_m, 0.0)},
        outputs={"B": {"gain_db": makeup_db}},
    )
    axis = axis_at(500.0, 1000.0, 1500.0, 2000.0, 2500.0)
    one = at_seat(preset, axis, only=["A"])
    gain_db = at_seat(preset, axis).magnitude_db - one.magnitude_db
    assert (gain_db[[0, 2, 4]] < -50.0).all()
    np.testing.assert_allclose(gain_db[[1, 3]], 6.0206, atol=0.05)


@pytest.mark.parametrize(
    ("frequency_hz", "rear_db"), [(30, 3.0103), (40, 0.0), (80, 0.0), (100, 4.7712), (120, 6.0206)]
)
def test_end_fire_pair(frequency_hz: float, rear_db: float) -> None:
    """Two point sources 1.43 m apart, the front one 1.43 m late: |Σe^(−j2kdn)| behind, +6.02 ahead.

    Sum of delayed point sources in free field, c = 343.2; 5 km away the two distances differ by
    0.002 dB.
    """
    spacing_m = 1.43
    places = {"Rear": (0.0, 0.0, 0.0), "Front": (0.0, spacing_m, 0.0)}
    delays = {"Front": {"delay_ms": 1000.0 * spacing_m / C_20}}
    axis = axis_at(frequency_hz)
    for seat_m, expected in (((0.0, 5000.0, 0.0), 6.0206), ((0.0, -5000.0, 0.0), rear_db)):
        preset = rig(places, outputs=delays, listener_m=seat_m)
        one = at_seat(preset, axis, only=["Rear"]).magnitude_db[0]
        got = at_seat(preset, axis).magnitude_db[0] - one
        assert got == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("frequency_hz", "front_db"), [(30, 3.0103), (40, 4.7712), (60, 6.0206), (80, 4.7712), (100, 0)]
)
def test_gradient_pair(frequency_hz: float, front_db: float) -> None:
    """Rear element inverted and 1.43 m late: 2·|sin kd| ahead, a null behind at every frequency."""
    spacing_m = 1.43
    places = {"Front": (0.0, 0.0, 0.0), "Rear": (0.0, -spacing_m, 0.0)}
    outputs = {"Rear": {"delay_ms": 1000.0 * spacing_m / C_20, "polarity": "inverted"}}
    axis = axis_at(frequency_hz)
    for seat_m, low, high in (
        ((0.0, 5000.0, 0.0), front_db - 0.01, front_db + 0.01),
        ((0.0, -5000.0, 0.0), -200.0, -50.0),
    ):
        preset = rig(places, outputs=outputs, listener_m=seat_m)
        one = at_seat(preset, axis, only=["Front"]).magnitude_db[0]
        assert low <= at_seat(preset, axis).magnitude_db[0] - one <= high


@given(
    near_m=st.floats(0.5, 50.0),
    further_m=st.floats(0.0, 2.0),
    frequency_hz=st.floats(20.0, 2000.0),
    temperature_c=st.floats(-20.0, 50.0),
)
@settings(deadline=None, max_examples=50)
def test_moving_a_listener_turns_the_phase_by_k_r(
    near_m: float, further_m: float, frequency_hz: float, temperature_c: float
) -> None:
    """A plane fact: Δφ = −2πf·Δr/c, with c from ISO 9613-1 formula A.5 written out here."""
    axis = axis_at(frequency_hz)
    weather = Air(temperature_c=temperature_c)
    near = at_seat(rig({"Top": (0.0, near_m, 0.0)}, air=weather), axis).total[0]
    far = at_seat(rig({"Top": (0.0, near_m + further_m, 0.0)}, air=weather), axis).total[0]
    c = 343.2 * np.sqrt((temperature_c + 273.15) / 293.15)
    turn = np.exp(-2j * np.pi * frequency_hz * further_m / c)
    assert far / near / turn == pytest.approx(abs(far / near), abs=1e-9)


@given(gain_db=st.floats(-40.0, 40.0), level_dbu=st.floats(-40.0, 20.0))
@settings(deadline=None, max_examples=30)
def test_gain_and_input_level_are_spl(gain_db: float, level_dbu: float) -> None:
    """A decibel more in, or of output gain, is a decibel more of SPL."""
    axis = axis_at(50.0, 500.0)
    place = {"Top": (0.0, 7.0, 0.0)}
    base = at_seat(rig(place), axis).magnitude_db
    raised = at_seat(
        rig(place, outputs={"Top": {"gain_db": gain_db}}), axis, input_level_dbu=level_dbu
    )
    np.testing.assert_allclose(raised.magnitude_db - base, gain_db + level_dbu, atol=1e-9)


def test_latencies_and_delays_add_up_in_the_group_delay() -> None:
    """10 m at 20 °C is 29.13753 ms (ISO 9613-1); delays and latencies in ms add to it."""
    amplifier = replace(UNITY, latency_ms=1.5)
    box = replace(POINT, latency_ms=0.25)
    preset = rig(
        {"Top": (0.0, 10.0, 0.0)},
        box=box,
        amplifier=amplifier,
        outputs={"Top": {"delay_ms": 4.0, "latency_ms": 2.5}},
        inputs=(Input(name="In", delay_ms=100.0),),
    )
    axis = axis_at(500.0, 1000.0, 5000.0)
    got = group_delay_ms(preset, "Seat", axis, all_inputs(preset))
    np.testing.assert_allclose(got, 29.13753 + 1.5 + 0.25 + 4.0 + 2.5 + 100.0, atol=5e-4)


def test_group_delay_of_filters_is_the_analytic_one() -> None:
    """Two routes agree: the symmetric difference at a listener and the sections' closed form."""
    preset = rig(
        {"Top": (0.0, 3.432, 0.0)},
        outputs={
            "Top": {
                "high_pass": Crossover(
                    family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=100.0
                ),
                "eq": (EqSection(kind="peak", frequency_hz=800.0, gain_db=-6.0, q=4.0),),
            }
        },
    )
    axis = Axis.log(6, sample_rate_hz=48_000.0)
    drive = all_inputs(preset)
    got = group_delay_ms(preset, "Seat", axis, drive)
    electrical = output_group_delay_ms(preset, "Top", axis, drive)
    np.testing.assert_allclose(got, electrical + 10.0, atol=1e-3)


def test_muted_and_unrouted_outputs_contribute_nothing_and_it_is_said() -> None:
    place = {"Top": (0.0, 5.0, 0.0), "Mute": (0.0, 5.0, 0.0), "Loose": (0.0, 5.0, 0.0)}
    preset = rig(place, outputs={"Mute": {"muted": True}, "Loose": {"inputs": {}}})
    axis = axis_at(100.0)
    got = at_seat(preset, axis)
    assert [path.output for path in got.paths] == ["Top"]
    assert "“Mute” contributes nothing: it is muted" in got.notes
    assert "“Loose” contributes nothing: no driven input is routed to it" in got.notes
    nothing = at_seat(preset, axis, only=["Mute"])
    assert nothing.total[0] == 0.0
    assert nothing.magnitude_db[0] == -np.inf
    assert np.isnan(nothing.phase_deg[0])
    assert not paths_at(preset, ["Mute"], "Seat", axis, all_inputs(preset))[0].responses.any()


def test_an_output_without_sources_is_legal_and_said() -> None:
    preset = rig({"Top": (0.0, 5.0, 0.0), "Record": (0.0, 5.0, 0.0)})
    preset = replace(preset, sources=preset.sources[:1])
    got = at_seat(preset, axis_at(100.0))
    assert [path.output for path in got.paths] == ["Top"]
    assert any("“Record” contributes nothing" in note for note in got.notes)


def test_unknown_names_are_refused_with_the_known_ones() -> None:
    preset = rig({"Top": (0.0, 5.0, 0.0)})
    drive, axis = all_inputs(preset), axis_at(100.0)
    with pytest.raises(Refused, match="no listener “Bar”; the listeners are Seat"):
        listener_response(preset, "Bar", axis, drive)
    with pytest.raises(Refused, match="no output “Sub”; the outputs are Top"):
        listener_response(preset, "Seat", axis, drive, only=["Sub"])
    with pytest.raises(Refused, match="no output “Sub”"):
        paths_at(preset, ["Sub"], "Seat", axis, drive)


def test_absolute_and_relative_levels_are_never_mixed() -> None:
    preset = rig(
        {"Top": (0.0, 5.0, 0.0), "Sub": (0.0, 5.0, 0.0)},
        sources={"Sub": {"amplifier_channel": None}},
    )
    axis = axis_at(100.0)
    with pytest.raises(
        Refused, match=r"absolute levels \(“Top”\) with relative ones \(“Sub”"
    ) as no:
        at_seat(preset, axis)
    assert "names no amplifier channel" in str(no.value)
    assert "--only" in str(no.value)
    assert at_seat(preset, axis, only=["Top"]).level == "spl"
    assert at_seat(preset, axis, only=["Sub"]).level == "relative"
    muted = replace(preset, outputs=(preset.outputs[0], replace(preset.outputs[1], muted=True)))
    assert at_seat(muted, axis).level == "spl", "what is silent cannot mix"


def test_relative_terms_are_the_same_for_all() -> None:
    """Without amplifiers: 3 dB of sensitivity count; one box without any: none counts."""
    loud, soft = POINT, replace(POINT, name="Soft", sensitivity_db=97.0)
    silent = replace(POINT, name="Unknown", sensitivity_db=None)
    place = {"A": (0.0, 5.0, 0.0), "B": (0.0, 5.0, 0.0), "C": (0.0, 5.0, 0.0)}
    preset = rig(
        place,
        amplifier=None,
        loudspeakers=(loud, soft, silent),
        sources={"B": {"loudspeaker": "Soft"}, "C": {"loudspeaker": "Unknown"}},
    )
    axis, drive = axis_at(100.0), all_inputs(preset)
    a, b = paths_at(preset, ["A", "B"], "Seat", axis, drive)
    assert a.level == b.level == "relative"
    assert db(a.total[0]) - db(b.total[0]) == pytest.approx(3.0)
    assert "sensitivities counted, amplifier gains not counted" in " ".join(a.notes)
    a, b, c = paths_at(preset, ["A", "B", "C"], "Seat", axis, drive)
    assert db(a.total[0]) == pytest.approx(db(b.total[0]), abs=1e-9)
    assert db(a.total[0]) == pytest.approx(db(c.total[0]), abs=1e-9)
    assert db(c.total[0]) == pytest.approx(-13.9794, abs=0.01), "0 dB at 1 m, 5 m away"


def test_an_active_box_is_not_compared_with_a_bare_sensitivity() -> None:
    """Its sensitivity holds its amplifier's gain; the passive box's amplifier is unknown."""
    active = Loudspeaker(
        name="Active", passband_hz=POINT.passband_hz, active=True, max_spl_db=130.0,
        sensitivity_dbu=0.0, passband_edge_db=-1.0,
    )  # fmt: skip
    place = {"A": (0.0, 5.0, 0.0), "B": (0.0, 5.0, 0.0)}
    preset = rig(
        place,
        amplifier=None,
        loudspeakers=(POINT, active),
        sources={"B": {"loudspeaker": "Active"}},
    )
    axis, drive = axis_at(100.0), all_inputs(preset)
    alone = listener_response(preset, "Seat", axis, drive, only=["B"])
    assert alone.level == "spl"
    assert alone.magnitude_db[0] == pytest.approx(130.0 - 3.0103 - 13.9794, abs=0.01)
    with pytest.raises(Refused, match="“A”"):
        paths_at(preset, ["A", "B"], "Seat", axis, drive)
    shared = replace(preset, sources=(preset.sources[0], replace(preset.sources[1], output="A")))
    path = paths_at(shared, ["A"], "Seat", axis, drive)[0]
    assert path.level == "relative"
    assert db(path.total[0]) == pytest.approx(6.0206 - 13.9794, abs=0.01), "both at 0 dB at 1 m"


def test_a_line_feeds_the_box_its_taps_power() -> None:
    """30 W tap at 100 V into 8 ohm is 15.4919 V at full line voltage: +14.7656 dB re 2.83 V.

    A 100 V amplifier with 0 dBu sensitivity at 0 dBu in; 4 m: −12.0412 dB; by pocket calculator.
    """
    line = Amplifier(
        name="Line", sensitivity_dbu=0.0, power_w={"8": 240.0}, minimum_load_ohm=8.0,
        line_v=(100.0,),
    )  # fmt: skip
    box = replace(POINT, sensitivity_db=90.0, taps_w=(15.0, 30.0), power_w=Power(continuous=60.0))
    place = {"Zone": (0.0, 4.0, 0.0)}
    preset = rig(
        place, box=box, amplifier=line, channel={"line_v": 100.0}, sources={"Zone": {"tap_w": 30.0}}
    )
    axis = axis_at(100.0)
    got = at_seat(preset, axis)
    assert got.level == "spl"
    assert got.magnitude_db[0] == pytest.approx(90.0 + 14.7656 - 12.0412, abs=2e-3)
    untapped = rig(place, box=box, amplifier=line, channel={"line_v": 100.0})
    assert at_seat(untapped, axis).level == "relative"
    assert "without a tap" in " ".join(at_seat(untapped, axis).notes)


def test_a_trace_of_a_box_ends_the_sum_where_it_ends() -> None:
    """Nothing is invented: NaN outside the trace, and one sentence with its range."""
    own = OwnResponse(trace=trace_of([50.0, 500.0], [1.0, 1.0], level="spl"))
    place = {"A": (0.0, 5.0, 0.0), "B": (0.0, 5.0, 0.0)}
    traced = replace(POINT, name="Traced", response=own)
    preset = rig(place, loudspeakers=(POINT, traced), sources={"B": {"loudspeaker": "Traced"}})
    got = at_seat(preset, axis_at(40.0, 100.0, 600.0))
    assert np.isnan(got.magnitude_db).tolist() == [True, False, True]
    assert [path.basis for path in got.paths] == ["model", "trace"]
    assert "covers 50 Hz to 500 Hz" in " ".join(got.notes)
    delay = group_delay_ms(preset, "Seat", axis_at(50.0, 100.0, 500.0), all_inputs(preset))
    np.testing.assert_allclose(delay, 14.5688, atol=2e-3)


def test_outside_coverage_is_marked_not_computed() -> None:
    box = replace(POINT, coverage_deg=(60.0, 40.0))
    aimed = rig({"Top": (-5.0, -5.0, 0.0)}, box=box, sources={"Top": {}})
    got = at_seat(aimed, axis_at(100.0))
    assert "“Seat” sits outside the coverage of the source “Top box”" in " ".join(got.notes)
    plain = at_seat(rig({"Top": (-5.0, -5.0, 0.0)}), axis_at(100.0))
    np.testing.assert_array_equal(got.total, plain.total)


def test_polarities_multiply() -> None:
    axis, place = axis_at(100.0), {"Top": (0.0, 5.0, 0.0)}
    plain = at_seat(rig(place), axis).total[0]
    swapped = {"Top": {"polarity": "inverted"}}
    assert at_seat(rig(place, sources=swapped), axis).total[0] == -plain
    assert at_seat(rig(place, sources=swapped, outputs=swapped), axis).total[0] == plain
    wired = replace(POINT, polarity="inverted")
    assert at_seat(rig(place, sources=swapped, box=wired), axis).total[0] == plain
