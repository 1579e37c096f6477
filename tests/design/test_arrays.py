"""Subwoofer arrays against the closed forms of delayed point sources, at 343.2 m/s."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xover.design.arrays import (
    Layout,
    arc,
    compass,
    coverage_deg,
    endfire,
    front_to_back_db,
    gradient,
    level_db,
    quarter_wave_m,
    rear_trim_for_distance_db,
    spacing_notes,
)
from xover.model.problems import Refused

C = 343.2
D = 1.43


def at(layout, hz: list[float], degrees: float) -> np.ndarray:
    return level_db(compass(layout, np.array(hz), np.array([degrees])))[:, 0]


@pytest.mark.parametrize(
    ("hz", "metres", "delay_ms"),
    # c/(4f) and 250/f.
    [(30, 2.8600, 8.3333), (40, 2.1450, 6.2500), (50, 1.7160, 5.0000), (60, 1.4300, 4.1667),
     (63, 1.3619, 3.9683), (80, 1.0725, 3.1250), (100, 0.8580, 2.5000), (120, 0.7150, 2.0833)],
)  # fmt: skip
def test_quarter_waves(hz: float, metres: float, delay_ms: float) -> None:
    spacing_m = quarter_wave_m(hz, C)
    assert spacing_m == pytest.approx(metres, abs=5e-5)
    assert endfire(2, spacing_m, C).elements[1].delay_ms == pytest.approx(delay_ms, abs=5e-5)
    assert gradient(2, spacing_m, C).elements[0].delay_ms == pytest.approx(delay_ms, abs=5e-5)


def test_an_endfire_pair() -> None:
    """Rear |1 + e^(−j2kd)|, front +6.02 dB; table of the closed form."""
    pair = endfire(2, D, C)
    rear = at(pair, [30.0, 40.0, 80.0, 100.0, 120.0], 180.0)
    assert rear == pytest.approx([3.0103, 0.0, 0.0, 4.7712, 6.0206], abs=5e-5)
    assert at(pair, [60.0], 180.0)[0] == -60.0  # a null
    assert at(pair, [20.0, 60.0, 160.0], 0.0) == pytest.approx([6.0206] * 3, abs=5e-5)


@pytest.mark.parametrize("count", range(2, 7))
def test_the_front_of_an_endfire_array_sums_at_every_frequency(count: int) -> None:
    layout = endfire(count, D, C)
    hz = [25.0, 47.0, 60.0, 113.0]
    assert at(layout, hz, 0.0) == pytest.approx([20.0 * math.log10(count)] * 4, abs=1e-9)
    delays = [item.delay_ms for item in layout.elements]
    assert delays == pytest.approx([1000.0 * n * D / C for n in range(count)])
    # Whichever way it grows the array is the same, only elsewhere.
    forward = endfire(count, D, C, grow="forward")
    angles = np.arange(0.0, 360.0, 30.0)
    both = [np.abs(compass(one, np.array(hz), angles)) for one in (layout, forward)]
    assert np.abs(both[0] - both[1]).max() < 1e-9
    assert [item.home for item in layout.elements] == [False] * (count - 1) + [True]
    assert [item.home for item in forward.elements] == [True] + [False] * (count - 1)


def test_four_endfire_boxes_behind() -> None:
    four = endfire(4, D, C)
    assert front_to_back_db(four, np.array([40.0, 80.0])) == pytest.approx([12.041] * 2, abs=5e-4)


def test_a_gradient_pair() -> None:
    """Front 2·|sin kd|; rear null at every frequency; at 60 Hz around the compass."""
    pair = gradient(2, D, C)
    front = at(pair, [30.0, 40.0, 60.0, 80.0, 100.0], 0.0)
    assert front == pytest.approx([3.0103, 4.7712, 6.0206, 4.7712, 0.0], abs=5e-5)
    assert at(pair, [120.0], 0.0)[0] == -60.0
    assert (at(pair, [20.0, 45.0, 60.0, 90.0], 180.0) == -60.0).all()
    angles = [0.0, 45.0, 60.0, 90.0, 120.0, 135.0, 150.0]
    expected = [6.021, 5.789, 5.333, 3.010, -2.323, -6.820, -13.553]
    found = level_db(compass(pair, np.array([60.0]), np.array(angles)))[0]
    assert found == pytest.approx(expected, abs=6e-4)
    mirrored = level_db(compass(pair, np.array([60.0]), -np.array(angles)))[0]
    assert mirrored == pytest.approx(found, abs=1e-9)


def test_two_in_front_and_one_behind() -> None:
    """Driven alike at a quarter wave: 2 + 1 in front, 2 − 1 behind: 20·log10 3 = 9.5424 dB."""
    triple = gradient(3, D, C)
    assert front_to_back_db(triple, np.array([60.0]))[0] == pytest.approx(9.5424, abs=5e-5)
    assert [item.boxes for item in triple.elements] == [1, 2]
    loud = gradient(3, D, C, rear_trim_db=20.0 * math.log10(2.0))
    assert at(loud, [30.0, 60.0], 180.0).tolist() == [-60.0, -60.0]
    assert any("two boxes face one" in note for note in spacing_notes(triple, 90.0, 30.0))


def test_the_second_order_is_the_pair_squared() -> None:
    hz, angles = np.array([35.0, 60.0, 80.0]), np.arange(0.0, 360.0, 15.0)
    second = np.abs(compass(gradient(4, D, C), hz, angles))
    first = np.abs(compass(gradient(2, D, C), hz, angles))
    assert np.abs(second - first**2).max() < 1e-9


def sum_at(layout: Layout, hz: np.ndarray, ahead_m: float) -> np.ndarray:
    """On the axis near the array, re one box at 1 m: each falls with its distance."""
    total = np.zeros(hz.size, dtype=complex)
    for item in layout.elements:
        r_m = abs(ahead_m - item.ahead_m)
        late_m = r_m + layout.speed_m_s * item.delay_ms / 1000.0
        level = 10.0 ** (item.gain_db / 20.0) * item.boxes * (-1.0 if item.inverted else 1.0)
        total += level / r_m * np.exp(-2j * math.pi * hz * late_m / layout.speed_m_s)
    return total


def test_a_trim_puts_the_null_where_somebody_stands() -> None:
    trim_db = rear_trim_for_distance_db(4.0, D)
    assert trim_db == pytest.approx(20.0 * math.log10(4.0 / 5.43), abs=1e-12)
    near = gradient(2, D, C, rear_trim_db=trim_db)
    hz = np.array([40.0, 60.0, 80.0])
    # The home is the front box; 4 m behind the rear one.
    assert np.abs(sum_at(near, hz, -4.0 - D)).max() < 1e-12
    assert np.abs(sum_at(gradient(2, D, C), hz, -4.0 - D)).min() > 0.05


@pytest.mark.parametrize("angle_deg", [30.0, 60.0, 90.0, 120.0])
def test_a_delayed_line_is_a_curved_one_straight_ahead(angle_deg: float) -> None:
    """Far ahead boxes set back by a depth and delayed boxes are the same; elsewhere they differ.

    The arc: ends look ±angle/2 outwards, so R·sin(angle/2) is half the length (geometry).
    """
    layout = arc(7, 1.2, angle_deg, C)
    radius_m = 3.6 / math.sin(math.radians(angle_deg / 2.0))
    for item in layout.elements:
        depth_m = radius_m - math.sqrt(radius_m**2 - item.right_m**2)
        assert item.delay_ms == pytest.approx(1000.0 * depth_m / C, abs=1e-9)
    ahead = compass(layout, np.array([63.0]), np.array([0.0]))[0, 0]
    set_back = sum(
        np.exp(2j * np.pi * 63.0 / C * -(radius_m - math.sqrt(radius_m**2 - item.right_m**2)))
        for item in layout.elements
    )
    assert abs(ahead - set_back) < 1e-9


def test_an_undelayed_line_is_the_sum_of_a_grating() -> None:
    """|sin(Nψ/2)/sin(ψ/2)| with ψ = k·d·sin θ: textbook form of a line of equal sources."""
    layout = arc(8, 1.0, 0.0, C)
    hz, angles = np.array([50.0, 80.0]), np.array([10.0, 33.0, 71.0])
    psi = np.outer(2.0 * np.pi * hz / C, np.sin(np.radians(angles)))
    expected = np.abs(np.sin(4.0 * psi) / np.sin(psi / 2.0))
    assert np.abs(np.abs(compass(layout, hz, angles)) - expected).max() < 1e-9
    assert all(item.delay_ms == 0.0 for item in layout.elements)


def test_delays_widen_a_line() -> None:
    hz = np.array([80.0, 100.0])
    straight = coverage_deg(arc(12, 1.0, 0.0, C), hz)
    wide = coverage_deg(arc(12, 1.0, 90.0, C), hz)
    assert (wide > 2.0 * straight).all()
    # A long curved line covers what its arc spans and a little more.
    assert (np.abs(wide - 90.0) < 36.0).all()


def test_coverage_of_a_pair_by_its_closed_form() -> None:
    """|1 + e^(jψ)| = 2·cos(ψ/2), −6.02 dB at ψ = 120°: sin θ = λ/(3·d)."""
    hz = 300.0
    layout = arc(2, 0.8, 0.0, C)
    theta = math.degrees(math.asin(C / hz / (3.0 * 0.8)))
    assert coverage_deg(layout, np.array([hz]))[0] == pytest.approx(2.0 * theta, abs=1.0)


def test_spacing_is_held_against_the_highest_frequency() -> None:
    wide = endfire(3, 2.0, C)
    (far,) = spacing_notes(wide, 100.0, 30.0)
    assert "more than half a wavelength at 100 Hz (1.72 m)" in far
    assert "from 85.8 Hz on it is as loud behind as in front" in far
    # c/(2d): there the rear sums again, as the closed form says.
    assert front_to_back_db(wide, np.array([C / 4.0]))[0] == pytest.approx(0.0, abs=1e-6)
    (near,) = spacing_notes(endfire(3, 1.3, C), 100.0, 30.0)
    assert "more than a third of the wavelength" in near
    assert spacing_notes(endfire(3, 0.8, C), 100.0, 30.0) == ()
    # Front ≥ +3 dB between c/(8d) and 3c/(8d): 30 to 90 Hz for 1.43 m.
    (band,) = spacing_notes(gradient(2, 1.0, C), 100.0, 30.0)
    assert "between 42.9 Hz and 128.7 Hz" in band


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: endfire(1, 1.0, C), "2 to 6 boxes"),
        (lambda: endfire(7, 1.0, C), "2 to 6 boxes"),
        (lambda: gradient(5, 1.0, C), "2 to 4 boxes"),
        (lambda: arc(33, 1.0, 60.0, C), "2 to 32"),
        (lambda: arc(4, 1.0, 200.0, C), "between 0 and 180"),
        (lambda: endfire(2, 0.0, C), "out of reason"),
        (lambda: rear_trim_for_distance_db(0.0, 1.0), "behind the array"),
    ],
)
def test_refusals(make, words: str) -> None:
    with pytest.raises(Refused, match=words):
        make()


@settings(max_examples=20, deadline=None)
@given(
    count=st.integers(2, 6),
    spacing_m=st.floats(0.3, 3.0),
    hz=st.floats(20.0, 150.0),
    speed=st.floats(320.0, 360.0),
)
def test_warmer_air_is_a_lower_frequency(
    count: int, spacing_m: float, hz: float, speed: float
) -> None:
    """Only f·d/c counts: an array designed in other air is the same at a frequency scaled by c."""
    angles = np.arange(0.0, 360.0, 45.0)
    for make in (endfire, lambda n, d, c: arc(n, d, 60.0, c)):
        here = np.abs(compass(make(count, spacing_m, C), np.array([hz]), angles))
        there = np.abs(compass(make(count, spacing_m, speed), np.array([hz * speed / C]), angles))
        assert np.abs(here - there).max() < 1e-6
