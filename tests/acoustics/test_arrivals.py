"""The table of arrivals: times and levels that can be checked with a tape measure."""

from __future__ import annotations

import math

import pytest
from msgspec.structs import replace

from tests.acoustics.rigs import POINT, UNITY, all_inputs, rig, trace_of
from xover.acoustics.arrivals import arrivals
from xover.model.drive import Drive
from xover.model.processing import Crossover, Input
from xover.model.rig import OwnResponse, Source


def test_time_and_level_by_distance() -> None:
    """10 m and 4 m at 20 °C: 29.1375 and 11.6550 ms (ISO 9613-1), 20·log10(10/4) = 7.9588 dB.

    Air is left out of the level by a low-pass at 100 Hz: a hundredth of a decibel remains.
    """
    low = Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=100.0)
    preset = rig(
        {"Main": (0.0, -10.0, 0.0), "Delay": (0.0, -4.0, 0.0)},
        outputs={"Main": {"low_pass": low}, "Delay": {"low_pass": low}},
    )
    main, delay = arrivals(preset, "Seat", all_inputs(preset))
    assert (main.output, main.source, main.distance_m) == ("Main", "Main box", 10.0)
    assert main.time_ms == pytest.approx(29.1375, abs=1e-4)
    assert delay.time_ms == pytest.approx(11.6550, abs=1e-4)
    assert main.level == delay.level == "spl"
    assert delay.level_db - main.level_db == pytest.approx(7.9588, abs=0.01)


def test_everything_on_the_way_takes_time() -> None:
    """3.432 m is 10 ms; + output 4, latency 2, amplifier 1.5, box 0.5, the earlier input 7."""
    preset = rig(
        {"Top": (0.0, 3.432, 0.0)},
        box=replace(POINT, latency_ms=0.5),
        amplifier=replace(UNITY, latency_ms=1.5),
        outputs={"Top": {"delay_ms": 4.0, "latency_ms": 2.0, "inputs": {"In": 0.0, "Two": 0.0}}},
        inputs=(Input(name="In", delay_ms=9.0), Input(name="Two", delay_ms=7.0), Input(name="X")),
    )
    (row,) = arrivals(preset, "Seat", all_inputs(preset))
    assert row.time_ms == pytest.approx(25.0)
    (row,) = arrivals(preset, "Seat", Drive({"In": 0.0}))
    assert row.time_ms == pytest.approx(27.0)


def test_the_nearest_source_counts_and_silence_has_no_level() -> None:
    preset = rig({"Top": (0.0, 20.0, 0.0), "Mute": (0.0, 5.0, 0.0), "Record": (0.0, 1.0, 0.0)})
    near = Source(name="Fill", output="Top", loudspeaker="Point", position_m=(0.0, 3.0, 0.0))
    preset = replace(
        preset,
        outputs=(preset.outputs[0], replace(preset.outputs[1], muted=True), preset.outputs[2]),
        sources=(*preset.sources[:2], near),
    )
    top, mute = arrivals(preset, "Seat", all_inputs(preset))
    assert (top.source, top.distance_m) == ("Fill", 3.0)
    assert mute.level_db == -math.inf
    assert mute.distance_m == 5.0


def test_an_input_level_moves_absolute_levels_only() -> None:
    preset = rig({"Top": (0.0, 5.0, 0.0)})
    bare = rig({"Top": (0.0, 5.0, 0.0)}, amplifier=None)
    for item, change_db in ((preset, 4.0), (bare, 0.0)):
        drive = all_inputs(item)
        (quiet,), (loud,) = (
            arrivals(item, "Seat", drive),
            arrivals(item, "Seat", drive, input_level_dbu=4.0),
        )
        assert loud.level_db - quiet.level_db == pytest.approx(change_db)


def test_the_level_is_that_of_the_pass_band() -> None:
    """A box 20 dB louder from 1 kHz: its quoted range or the output's low-pass leaves that out.

    Flat 100 dB at 1 m; 0 dBu is 11.2542 dB below 2.83 V; 5 m take 13.9794 dB.
    """
    step = trace_of([20.0, 999.0, 1000.0, 20_000.0], [1e5, 1e5, 1e6, 1e6], level="spl")
    traced = replace(POINT, response=OwnResponse(trace=step))
    ranged = replace(traced, passband_hz=(20.0, 900.0))
    place = {"Top": (0.0, 5.0, 0.0)}
    low = Crossover(family="linkwitz-riley", slope_db_per_octave=48, frequency_hz=500.0)
    filtered = rig(place, box=traced, outputs={"Top": {"low_pass": low}})
    for preset in (rig(place, box=ranged), filtered):
        (row,) = arrivals(preset, "Seat", all_inputs(preset))
        assert row.level_db == pytest.approx(100.0 - 11.2542 - 13.9794, abs=0.6)
    (wide,) = arrivals(rig(place, box=traced), "Seat", all_inputs(rig(place)))
    assert wide.level_db > 90.0
