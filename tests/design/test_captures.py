"""Attaching captures: what is stored beside a trace, what it replaces, what must be answered."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace

from xover.design.captures import attach_loudspeaker, attach_measurement, to_trace
from xover.dsp.captured import CapturedResponse
from xover.model import rules
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Air, Crossover, Input, Output
from xover.model.rig import Listener, Loudspeaker, Power, Provenance, Source, Trace

TRACE = Trace(frequency_hz=(20.0, 200.0), magnitude_db=(-3.0, 0.0), phase_deg=(10.0, -20.0))
BOX = Loudspeaker(
    name="Box", passband_hz=(60.0, 18_000.0), impedance_ohm=8.0, power_w=Power(continuous=200.0)
)


def rig() -> Preset:
    return Preset(
        title="Hall",
        sample_rate_hz=96_000.0,
        air=Air(temperature_c=28.0),
        inputs=(Input(name="Left"), Input(name="Right", gain_db=-2.0), Input(name="Aux")),
        outputs=(
            Output(name="Sub", inputs={"Left": -6.0, "Right": -6.0}, delay_ms=2.0),
            Output(name="Top", inputs={"Left": 0.0}),
            Output(name="Spare"),
        ),
        loudspeakers=(BOX,),
        sources=(
            Source(name="Sub L", output="Sub", loudspeaker="Box", position_m=(-3.0, 0.0, 0.0)),
            Source(name="Sub R", output="Sub", loudspeaker="Box", position_m=(3.0, 0.0, 0.0)),
            Source(name="Top", output="Top", loudspeaker="Box", position_m=(0.0, 0.0, 3.0)),
        ),
        listeners=(Listener(name="Desk", position_m=(0.0, 15.0, 1.2)),
                   Listener(name="Front", position_m=(1.0, 4.0, 1.2))),
    )  # fmt: skip


def attach(preset: Preset, **changes) -> Preset:
    options = {"output": "Sub", "listener": "Desk", "trace": TRACE, "captured": "flat"}
    result = attach_measurement(preset, **{**options, **changes})
    assert rules.faults(result) == []
    return result


def test_flat_stores_the_presets_own_rate_air_and_positions():
    (measured,) = attach(rig()).measurements
    assert measured.trace is TRACE
    assert measured.captured_settings is None
    assert measured.driven_inputs == {}
    assert measured.captured_sample_rate_hz == 96_000.0
    assert measured.captured_air == Air(temperature_c=28.0)
    assert measured.captured_positions_m.sources == {
        "Sub L": (-3.0, 0.0, 0.0), "Sub R": (3.0, 0.0, 0.0),
    }  # fmt: skip
    assert measured.captured_positions_m.listener == (0.0, 15.0, 1.2)


def test_a_pairs_measurement_is_replaced_in_its_place():
    preset = attach(attach(rig()), listener="Front")
    again = attach(preset, trace=replace(TRACE, session="new"))
    assert [(m.output, m.listener) for m in again.measurements] == [
        ("Sub", "Desk"),
        ("Sub", "Front"),
    ]
    assert again.measurements[0].trace.session == "new"
    assert again.measurements[1] == preset.measurements[1]


def test_settings_store_the_output_and_the_inputs_routed_to_it():
    preset = rig()
    (measured,) = attach(preset, captured="settings", driven={"Right": -3.0}).measurements
    assert measured.captured_settings.output == preset.output("Sub")
    assert [item.name for item in measured.captured_settings.inputs] == ["Left", "Right"]
    assert measured.driven_inputs == {"Right": -3.0}


def test_a_single_routed_input_needs_no_answer():
    (measured,) = attach(rig(), output="Top", captured="settings").measurements
    assert measured.driven_inputs == {"Left": 0.0}


def test_settings_may_come_from_another_preset():
    then = replace(
        rig(),
        sample_rate_hz=48_000.0,
        outputs=(
            Output(
                name="Top",
                inputs={"Left": 1.0},
                high_pass=Crossover(
                    family="butterworth", slope_db_per_octave=24, frequency_hz=90.0
                ),
            ),
        ),
    )
    (measured,) = attach(rig(), output="Top", captured="settings", settings_from=then).measurements
    assert measured.captured_settings.output.high_pass.frequency_hz == 90.0
    assert measured.captured_sample_rate_hz == 48_000.0
    assert measured.captured_air == Air(temperature_c=28.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"output": "sub"}, "there is no output “sub”; the preset has Sub, Top, Spare"),
        ({"listener": "Bar"}, "there is no listener “Bar”"),
        ({"captured": "settings"}, r"2 inputs are routed to “Sub” \(Left, Right\)"),
        ({"captured": "settings", "driven": {"Aux": 0.0}}, "“Aux” is not routed to “Sub”"),
        ({"captured": "settings", "output": "Spare"}, "no input is routed to “Spare”"),
        ({"driven": {"Left": 0.0}}, "--driven belongs to --captured settings, not flat"),
        ({"captured": "unknown", "settings_from": rig()}, "--settings-from belongs to"),
        ({"captured_input_dbu": 0.0}, "needs a trace in SPL"),
    ],
)
def test_what_is_missing_or_contradicts_is_refused(changes, message):
    with pytest.raises(Refused, match=message):
        attach(rig(), **changes)


def test_a_muted_output_was_not_captured_through():
    muted = replace(rig(), outputs=(Output(name="Sub", inputs={"Left": 0.0}, muted=True),))
    with pytest.raises(Refused, match="“Sub” is muted"):
        attach_measurement(muted, output="Sub", listener="Desk", trace=TRACE, captured="settings")


def test_the_level_that_gave_an_spl_trace_is_kept():
    spl = replace(TRACE, level="spl")
    (measured,) = attach(rig(), trace=spl, captured_input_dbu=-10.0).measurements
    assert measured.captured_input_dbu == -10.0


# ---- a box's own response --------------------------------------------------------------------


def test_a_loudspeakers_own_response_replaces_the_old():
    preset = attach_loudspeaker(rig(), loudspeaker="Box", trace=TRACE, distance_m=2.0)
    own = preset.loudspeaker("Box").response
    assert (own.trace, own.distance_m, own.drive_v) == (TRACE, 2.0, 2.83)
    assert rules.faults(preset) == []


@pytest.mark.parametrize(
    ("changes", "distance_m", "removed"),
    [
        ({"phase_deg": None}, 4.0, True),
        ({"delay_ms": 0.3}, 4.0, True),
        ({"delay_ms": 11.9}, 4.0, False),
        ({"delay_ms": 14.0}, 4.0, False),
    ],
)
def test_whether_the_flight_is_in_the_trace_is_settled_by_its_delay(changes, distance_m, removed):
    """By hand: 4 m at 28 °C are 11.5 ms (c = 343.2·√(301.15/293.15) = 347.9 m/s, ISO 9613-1)."""
    trace = replace(TRACE, **changes)
    preset = attach_loudspeaker(rig(), loudspeaker="Box", trace=trace, distance_m=distance_m)
    assert preset.loudspeaker("Box").response.flight_removed is removed
    for said in (True, False):
        asked = attach_loudspeaker(
            rig(), loudspeaker="Box", trace=trace, distance_m=4.0, flight_removed=said
        )
        assert asked.loudspeaker("Box").response.flight_removed is said


def test_the_flight_is_found_in_a_phase_column_too():
    frequency = np.linspace(10, 20_000, 4000)
    trace = Trace(
        frequency_hz=tuple(frequency.tolist()),
        magnitude_db=(0.0,) * 4000,
        phase_deg=tuple((-0.36 * frequency * 11.5).tolist()),
    )
    preset = attach_loudspeaker(rig(), loudspeaker="Box", trace=trace, distance_m=4.0)
    assert preset.loudspeaker("Box").response.flight_removed is False


@pytest.mark.parametrize("distance_m", [0.0, -1.0, math.nan])
def test_a_distance_that_cannot_be_is_refused(distance_m):
    with pytest.raises(Refused, match="the distance must be above 0 m"):
        attach_loudspeaker(rig(), loudspeaker="Box", trace=TRACE, distance_m=distance_m)
    with pytest.raises(Refused, match="there is no loudspeaker “Horn”; the preset has Box"):
        attach_loudspeaker(rig(), loudspeaker="Horn", trace=TRACE)


# ---- traces ----------------------------------------------------------------------------------


def dense(points: int) -> CapturedResponse:
    frequency = np.arange(1, points + 1) * (24_000 / points)
    return CapturedResponse(
        frequency, np.zeros(points), np.zeros(points), delay_ms=3.0, level="spl",
        understood=("read",),
    )  # fmt: skip


def test_a_trace_is_thinned_and_its_note_says_so():
    provenance = Provenance(file="seat.wav", note="read")
    trace = to_trace(dense(30_000), session="friday", provenance=provenance)
    assert len(trace.frequency_hz) < 900
    assert (trace.session, trace.level, trace.delay_ms) == ("friday", "spl", 3.0)
    assert trace.provenance.note.startswith("read\nthinned from 30000 to")
    assert trace.provenance.file == "seat.wav"


def test_full_thins_nothing_up_to_a_hundred_thousand_points():
    trace = to_trace(dense(100_000), full=True)
    assert len(trace.frequency_hz) == 100_000
    assert trace.session is None
    with pytest.raises(Refused, match="more than the 100000 that a preset holds; leave out --full"):
        to_trace(dense(100_001), full=True)
    assert len(to_trace(dense(100_001)).frequency_hz) < 1200


def test_text_with_too_coarse_a_phase_gets_its_bulk_delay_apart():
    frequency = 20 * 2 ** (np.arange(120) / 12)
    captured = CapturedResponse(frequency, np.zeros(120), -0.36 * frequency * 8.0)
    trace = to_trace(captured)
    assert trace.delay_ms == pytest.approx(8.0, abs=0.01)
    total = np.array(trace.phase_deg) - 0.36 * frequency * trace.delay_ms
    turns = (total - captured.phase_deg) / 360
    np.testing.assert_allclose(turns, np.round(turns), atol=1e-9)


def impulse_trace(window: str, session: str | None = "tonight") -> Trace:
    """A trace whose note tells of an impulse response and its window."""
    note = "impulse response of 4800 samples at 48 kHz" + (f"\n{window}" if window else "")
    return replace(TRACE, session=session, provenance=Provenance(note=note))


TAIL = "window of 100.00 ms from sample 0, its last fifth fading; unusable below 30 Hz"
GATE = "window of 20.00 ms after the onset at 10.000 ms and all before it; unusable below 150 Hz"


def test_the_traces_of_a_session_share_one_window():
    first = attach(rig(), trace=impulse_trace(TAIL))
    same = replace(impulse_trace(TAIL.replace("30 Hz", "31 Hz")))
    assert len(attach(first, output="Top", trace=same).measurements) == 2
    for other, told in (("", "no window"), (GATE, r"a window of 20\.00 ms after the onset at 10")):
        with pytest.raises(
            Refused,
            match=r"Sub at Desk of session “tonight” was read with a window of 100\.00 ms from "
            rf"sample 0, this one with {told}.*; read all of them with the same --window",
        ):
            attach(first, output="Top", trace=impulse_trace(other))


def test_what_shares_no_window_is_let_be():
    """Another session, none, another kind of file, and the pair that is replaced."""
    first = attach(rig(), trace=impulse_trace(TAIL))
    attach(first, output="Top", trace=impulse_trace("", "another"))
    attach(first, output="Top", trace=impulse_trace("", None))
    attach(first, output="Top", trace=replace(TRACE, session="tonight"))
    attach(first, trace=impulse_trace(GATE))
