"""A box at one metre: the data-sheet model against scipy, traces against what was put in."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.acoustics.rigs import STILL_AIR, axis_at, db, trace_of
from xover.acoustics.loudspeaker import (
    butterworth,
    corner_hz,
    response_at_1m,
    sensitivity_at_1m_db,
)
from xover.dsp.axis import Axis
from xover.model.processing import Air
from xover.model.rig import Loudspeaker, OwnResponse, Power, Trace

AXIS = Axis.log(12, sample_rate_hz=48_000.0)


def box(**fields: Any) -> Loudspeaker:
    return Loudspeaker(
        **{
            "name": "Top",
            "passband_hz": (60.0, 18_000.0),
            "impedance_ohm": 8.0,
            "power_w": Power(continuous=300.0),
            **fields,
        }
    )


def active(**fields: Any) -> Loudspeaker:
    return Loudspeaker(
        **{
            "name": "Active",
            "passband_hz": (60.0, 18_000.0),
            "active": True,
            "max_spl_db": 130.0,
            "sensitivity_dbu": 0.0,
            **fields,
        }
    )


@given(
    edge_db=st.floats(-30.0, -1.0),
    edge_hz=st.floats(20.0, 20_000.0),
    order=st.sampled_from([2, 4]),
    high_pass=st.booleans(),
)
@settings(deadline=None)
def test_a_slope_alone_is_at_its_edge(
    edge_db: float, edge_hz: float, order: int, high_pass: bool
) -> None:
    """The promise of the model: each slope alone is `edge_db` down at its edge."""
    corner = corner_hz(edge_hz, edge_db, order, high_pass=high_pass)
    response = butterworth(np.array([edge_hz / corner]), order, high_pass=high_pass)
    assert db(response[0]) == pytest.approx(edge_db, abs=1e-9)


@pytest.mark.parametrize(("enclosure", "order"), [("sealed", 2), ("unknown", 2), ("vented", 4)])
def test_the_model_is_scipys_analogue_butterworth(enclosure: str, order: int) -> None:
    """`scipy.signal.butter(analog=True)`; at −10 dB the corner is f·9^(±1/2n), by hand."""
    from scipy.signal import butter, freqs

    item = box(enclosure=enclosure)
    got = response_at_1m(item, AXIS, air=STILL_AIR)
    omega = 2 * np.pi * AXIS.frequency_hz
    low = 2 * np.pi * 60.0 * 9.0 ** (1 / (2 * order))
    high = 2 * np.pi * 18_000.0 * 9.0 ** (-1 / 4)
    _, h_low = freqs(*butter(order, low, "high", analog=True), worN=omega)
    _, h_high = freqs(*butter(2, high, "low", analog=True), worN=omega)
    np.testing.assert_allclose(got.response, h_low * h_high, rtol=1e-9)
    assert (got.level, got.basis, got.estimate) == ("relative", "model", False)


def test_sensitivity_is_the_level_in_the_band() -> None:
    """A wide box at 1 kHz: 97 dB in free field, 6.0206 dB less when quoted in half space."""
    wide = {"passband_hz": (1.0, 900_000.0), "sensitivity_db": 97.0}
    at_1k = axis_at(1000.0)
    free = response_at_1m(box(**wide), at_1k, air=STILL_AIR)
    half = response_at_1m(box(**wide, sensitivity_space="half-space"), at_1k, air=STILL_AIR)
    assert free.level == half.level == "spl"
    assert db(free.response[0]) == pytest.approx(97.0, abs=1e-4)
    assert db(half.response[0]) == pytest.approx(97.0 - 6.0206, abs=1e-4)
    assert any("free field" in note for note in half.notes)


def test_an_active_box_reaches_its_maximum_at_its_sensitivity() -> None:
    """130 dB peak at 0 dBu: a sine's rms is 126.9897 dB there, by pocket calculator.

    2.83 V is 20·log10(2.83/0.7745967) = 11.2542 dB above 0 dBu.
    """
    assert sensitivity_at_1m_db(active()) == pytest.approx(126.9897 + 11.2542, abs=2e-4)
    assert sensitivity_at_1m_db(active(sensitivity_dbu=6.0)) == pytest.approx(
        126.9897 + 5.2542, abs=2e-4
    )
    assert response_at_1m(active(), AXIS, air=STILL_AIR).level == "spl"
    assert any("peak" in note for note in response_at_1m(active(), AXIS, air=STILL_AIR).notes)


def test_a_trace_comes_before_the_model_and_is_referred_to_1_m_and_2_83_v() -> None:
    """At 2 m and 5.66 V: +6.0206 dB for the distance, −6.0206 dB for the drive."""
    trace = trace_of([20.0, 1000.0, 20_000.0], [10.0, 10.0, 10.0], level="spl")
    near = box(response=OwnResponse(trace=trace, distance_m=2.0))
    loud = box(response=OwnResponse(trace=trace, distance_m=2.0, drive_v=5.66))
    at_1k = axis_at(1000.0)
    got = response_at_1m(near, at_1k, air=STILL_AIR)
    assert (got.level, got.basis, got.estimate) == ("spl", "trace", False)
    assert db(got.response[0]) == pytest.approx(26.0206, abs=1e-4)
    assert db(response_at_1m(loud, at_1k, air=STILL_AIR).response[0]) == pytest.approx(20.0)
    half = box(response=near.response, sensitivity_space="half-space")
    assert db(response_at_1m(half, at_1k, air=STILL_AIR).response[0]) == pytest.approx(20.0)


def test_half_space_leaves_a_relative_trace_alone() -> None:
    trace = trace_of([20.0, 20_000.0], [1.0, 1.0])
    item = box(response=OwnResponse(trace=trace), sensitivity_space="half-space")
    got = response_at_1m(item, axis_at(1000.0), air=STILL_AIR)
    assert got.level == "relative"
    assert db(got.response[0]) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("temperature_c", "flight_ms"), [(20.0, 5.827506), (0.0, 6.037082)])
def test_a_flight_still_in_the_phase_is_taken_out(temperature_c: float, flight_ms: float) -> None:
    """2 m at 2.913753 ms a metre (20 °C) and 3.018541 (0 °C), ISO 9613-1 formula A.5."""
    frequency_hz = np.geomspace(20.0, 20_000.0, 2000)
    response = np.exp(-2j * np.pi * frequency_hz * flight_ms / 1000.0)
    trace = trace_of(frequency_hz, response)
    own = OwnResponse(trace=trace, distance_m=2.0, flight_removed=False)
    at = Axis(frequency_hz, 48_000.0)
    got = response_at_1m(box(response=own), at, air=Air(temperature_c=temperature_c))
    np.testing.assert_allclose(np.angle(got.response), 0.0, atol=2e-3)
    kept = OwnResponse(trace=trace, distance_m=2.0, flight_removed=True)
    left = response_at_1m(box(response=kept), at, air=Air(temperature_c=temperature_c))
    np.testing.assert_allclose(left.response, 2.0 * response, atol=1e-6)


def test_a_trace_says_nothing_outside_its_range() -> None:
    trace = trace_of([100.0, 1000.0], [1.0, 1.0])
    got = response_at_1m(
        box(response=OwnResponse(trace=trace)), axis_at(99.0, 100.0, 1000.0, 1001.0), air=STILL_AIR
    )
    assert np.isnan(got.response).tolist() == [True, False, False, True]
    assert "the trace of the box “Top” covers 100 Hz to 1 kHz" in " ".join(got.notes)


def test_a_trace_without_phase_gets_minimum_phase_and_is_an_estimate() -> None:
    """A second-order Butterworth high-pass is minimum phase: `scipy.signal.freqs` has its phase."""
    from scipy.signal import butter, freqs

    frequency_hz = np.geomspace(10.0, 20_000.0, 1200)
    _, h = freqs(*butter(2, 2 * np.pi * 100.0, "high", analog=True), worN=2 * np.pi * frequency_hz)
    trace = Trace(frequency_hz=tuple(frequency_hz.tolist()), magnitude_db=tuple(db(h).tolist()))
    at = axis_at(50.0, 100.0, 200.0, 1000.0)
    got = response_at_1m(box(response=OwnResponse(trace=trace)), at, air=STILL_AIR)
    assert got.estimate
    assert "an estimate" in " ".join(got.notes)
    s = 1j * at.frequency_hz / 100.0
    expected = s**2 / (s**2 + np.sqrt(2.0) * s + 1.0)
    # A tenth of a degree is what the cepstrum itself gives (65,536 points, pyfar's and ours).
    np.testing.assert_allclose(np.degrees(np.angle(got.response / expected)), 0.0, atol=0.1)


def test_polarity_of_the_box_is_in_its_response() -> None:
    plain = response_at_1m(box(), AXIS, air=STILL_AIR).response
    wired_the_other_way = response_at_1m(box(polarity="inverted"), AXIS, air=STILL_AIR).response
    np.testing.assert_array_equal(wired_the_other_way, -plain)
