"""Levels of noise against sums by hand and pyfar's weighting; headroom and exposure on top."""

from __future__ import annotations

import math

import numpy as np
import pyfar
import pytest
from msgspec.structs import replace

import xover
from tests.design.rack import amplifier, box, output, rack, source
from xover.design.level import LevelAnswer, level
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Input, Limit, Limiter, Stimulus
from xover.model.rig import Listener, Measurement, Trace

AT_1M_DB = 100.0 + 20.0 * math.log10(math.sqrt(0.6) / 2.83) + 20.0
"""Sensitivity 100 dB, 0 dBu, 20 dB of gain, 1 m."""


def flat(**fields: object) -> Preset:
    """A box without edges in the audible range, one metre away: 108.75 dB for 0 dBu."""
    return rack(
        **{
            "outputs": (output(high_pass=None),),
            "loudspeakers": (box(passband_hz=(0.1, 900_000.0), sensitivity_db=100.0),),
            "amplifiers": (amplifier(gain_db=20.0),),
            "sources": (source(position_m=(0.0, 0.0, 0.0)),),
            "listeners": (Listener(name="Seat", position_m=(0.0, 1.0, 0.0)),),
            **fields,
        }
    )


def at(preset: Preset, **options: object) -> LevelAnswer:
    return level(preset, "Seat", **{"input_level_dbu": 0.0, **options})  # type: ignore[arg-type]


def test_pink_noise_has_a_tenth_of_its_power_in_every_octave() -> None:
    """Ten octaves: each 10 dB below the whole, which is the level of a sine of that rms."""
    answer = at(flat())
    assert answer.unweighted_db == pytest.approx(AT_1M_DB, abs=0.1)
    assert [band.frequency_hz for band in answer.bands][:3] == [31.5, 63.0, 125.0]
    for band in answer.bands:
        air_db = 0.5 if band.frequency_hz > 4000.0 else 0.05  # a metre of air at 16 kHz: 0.4 dB
        assert band.spl_db == pytest.approx(AT_1M_DB - 10.0, abs=air_db)
    louder = at(flat(), input_level_dbu=-7.5)
    assert louder.a_weighted_db == pytest.approx(answer.a_weighted_db - 7.5, abs=1e-9)


def test_a_weighting_of_pink_noise() -> None:
    """The mean power of pyfar's curve over log frequency from 22.4 Hz to 22.4 kHz."""
    frequency_hz = np.geomspace(22.387, 22_387.0, 4001)
    for kind, found in (("A", at(flat()).a_weighted_db), ("C", at(flat()).c_weighted_db)):
        curve = pyfar.constants.frequency_weighting_curve(kind, frequency_hz)
        expected = 10.0 * np.log10(np.mean(10.0 ** (curve / 10.0)))
        assert found == pytest.approx(AT_1M_DB + expected, abs=0.1)


def test_a_programme_has_less_at_both_ends() -> None:
    """IEC 60268-1, from memory: more in the middle than pink noise of the same level."""
    pink, programme = at(flat()), at(flat(), spectrum="programme")
    assert programme.unweighted_db == pytest.approx(pink.unweighted_db, abs=0.1)
    more = [
        b.spl_db - a.spl_db
        for a, b in zip(pink.bands, programme.bands, strict=True)
        if a.spl_db is not None and b.spl_db is not None
    ]
    assert more[3] > 1.5
    assert more[0] < -4.0
    assert more[-1] < -8.0


def test_headroom_by_hand() -> None:
    """Output at −6 + 0 dBu; peak of a crest of 12 dB is +6 dBu, as a sine's rms 2.99 dBu."""
    limiter = Limiter(
        rms=Limit(threshold_dbu=4.0, attack_ms=50.0, release_ms=200.0),
        peak=Limit(threshold_dbu=8.0, attack_ms=1.0, release_ms=50.0),
    )
    preset = flat(outputs=(output(high_pass=None, gain_db=-6.0, limiter=limiter),))
    (room,) = at(preset, crest_db=12.0).headroom
    assert room.level_dbu == pytest.approx(-6.0)
    assert room.rms_db == pytest.approx(10.0)
    assert room.peak_db == pytest.approx(8.0 - (-6.0 + 12.0 - 3.0103), abs=5e-5)
    answer = at(preset, crest_db=12.0)
    assert answer.first is not None
    assert (answer.first.output, answer.first.limiter) == ("Top", "peak")
    assert answer.first.a_weighted_db == pytest.approx(answer.a_weighted_db + room.peak_db)
    assert any("acts already" in one for one in at(preset, input_level_dbu=20.0).cautions)
    assert at(preset, crest_db=3.0103).first.limiter == "rms"  # type: ignore[union-attr]


def test_permitted_times_follow_the_level() -> None:
    """94 dB(A) is an hour by NIOSH and 4.6 h by OSHA (Table G-16A)."""
    start = at(flat())
    assert start.a_weighted_db is not None
    answer = at(flat(), input_level_dbu=94.0 - start.a_weighted_db)
    assert answer.a_weighted_db == pytest.approx(94.0)
    assert answer.niosh_min == pytest.approx(60.0)
    assert answer.osha_min == pytest.approx(4.595 * 60.0, abs=0.05)
    assert not any("WHO" in one for one in answer.cautions)
    assert any("WHO" in one for one in start.cautions)
    assert any("calibrated meter" in one for one in answer.cautions)


def test_independent_inputs_add_as_powers() -> None:
    two = flat(
        inputs=(Input(name="Main"), Input(name="More")),
        outputs=(output(high_pass=None, inputs={"Main": 0.0, "More": 0.0}),),
    )
    one_db = at(two, drive=drive_of(two, {"Main": 0.0})).unweighted_db
    assert one_db is not None
    assert at(two).unweighted_db == pytest.approx(one_db + 6.0206, abs=1e-4)
    apart = replace(two, stimulus=Stimulus(correlated=False))
    assert at(apart).unweighted_db == pytest.approx(one_db + 3.0103, abs=1e-4)


def test_from_the_maximum_spl_the_crest_factor_is_taken() -> None:
    """An active box with a peak of 130 dB at 1 m: noise of 12 dB crest ends at 118 dB."""
    active = box(
        passband_hz=(0.1, 900_000.0), active=True, impedance_ohm=None, power_w=None,
        max_spl_db=130.0, sensitivity_dbu=4.0,
    )  # fmt: skip
    preset = flat(
        loudspeakers=(active,),
        sources=(source(position_m=(0.0, 0.0, 0.0), amplifier_channel=None),),
    )
    quiet = at(preset, input_level_dbu=-26.0)
    # A sine of 4 dBu reaches 130 dB with its peak, 126.99 dB rms; 30 dB less.
    assert quiet.unweighted_db == pytest.approx(126.99 - 30.0, abs=0.1)
    assert quiet.estimated
    loud = at(preset, input_level_dbu=10.0)
    assert loud.unweighted_db == pytest.approx(130.0 - 12.0, abs=0.1)
    assert any("ends at 130.0 dB" in one for one in loud.cautions)
    crest_6 = at(preset, input_level_dbu=10.0, crest_db=6.0).unweighted_db
    assert crest_6 == pytest.approx(130.0 - 6.0, abs=0.1)


def test_a_passive_box_without_sensitivity_is_estimated_too() -> None:
    """1600 W peak into 8 ohm is a sine of 80 V; 130 dB less 3.01 there is 97.96 dB for 2.83 V."""
    passive = box(passband_hz=(0.1, 900_000.0), max_spl_db=130.0)
    answer = at(flat(loudspeakers=(passive,)), input_level_dbu=-20.0)
    assert answer.estimated
    assert answer.unweighted_db == pytest.approx(AT_1M_DB - 20.0 - 100.0 + 97.96, abs=0.1)
    assert not at(flat()).estimated


def test_relative_levels_are_refused() -> None:
    preset = flat(loudspeakers=(box(),))
    with pytest.raises(Refused, match="only known as relative dB: “Top”"):
        at(preset)
    with pytest.raises(Refused, match="nothing sounds at “Seat”"):
        at(flat(sources=()))
    with pytest.raises(Refused, match="there is no listener “Nobody”"):
        level(flat(), "Nobody", input_level_dbu=0.0)


def test_a_capture_in_relative_decibels_leaves_the_level_to_the_data_sheets() -> None:
    """Attached without a calibration it says nothing of level: the same answer, and it is said."""
    capture = Measurement(
        output="Top",
        listener="Seat",
        captured="flat",
        trace=Trace(
            frequency_hz=(20.0, 20_000.0), magnitude_db=(-40.0, -40.0), phase_deg=(0.0, 0.0)
        ),
    )
    computed, captured = at(flat()), at(flat(measurements=(capture,)))
    assert captured.bands == computed.bands
    assert any("not in SPL" in note and "“Top”" in note for note in captured.notes)
    with pytest.raises(Refused, match="only known as relative dB: “Top”"):
        at(flat(measurements=(capture,), loudspeakers=(box(),)))
    in_spl = replace(capture, captured_input_dbu=0.0, trace=replace(capture.trace, level="spl"))
    assert at(flat(measurements=(in_spl,))).unweighted_db == pytest.approx(-40.0, abs=0.1)


def test_bands_of_the_hall_sum_to_what_the_response_says() -> None:
    """The octave at 1 kHz is the power mean of the response over log frequency, less 10 dB."""
    preset = xover.load(xover.default_example())
    answer = level(preset, "Row 8", input_level_dbu=-10.0)
    axis = np.geomspace(708.0, 1412.5, 300)
    response = xover.listener_response(preset, "Row 8", axis, input_level_dbu=-10.0)
    expected = 10.0 * np.log10(np.mean(np.abs(response.response) ** 2)) - 10.0
    band = next(one for one in answer.bands if one.frequency_hz == 1000.0)
    assert band.spl_db == pytest.approx(expected, abs=0.05)
    assert all(one.spl_db is not None for one in answer.bands)
