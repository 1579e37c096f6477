"""Lifts, combs and the bound of precedence: handbook tables, and Haas' ten decibels."""

from __future__ import annotations

import math

import pytest

from xover.design.precedence import (
    bound_db,
    difference_for_lift_db,
    lift_db,
    notches_hz,
    precedence,
    ripple_db,
)


@pytest.mark.parametrize(
    ("difference_db", "sum_db", "ripple"),
    # Two sources ΔL apart: incoherent sum over the louder, comb ripple peak to peak. Closed forms
    # 10·log10(1 + 10^(−ΔL/10)) and 20·log10((1 + g)/(1 − g)), tabulated in handbooks.
    [(1.0, 2.5390, 24.807), (3.0, 1.7643, 15.340), (6.0, 0.9732, 9.570), (10.0, 0.4139, 5.688),
     (15.0, 0.1352, 3.122), (20.0, 0.0432, 1.743)],
)  # fmt: skip
def test_two_sources_apart(difference_db: float, sum_db: float, ripple: float) -> None:
    assert lift_db(-difference_db) == pytest.approx(sum_db, abs=5e-5)
    assert ripple_db(difference_db) == pytest.approx(ripple, abs=6e-4)
    assert ripple_db(-difference_db) == ripple_db(difference_db)
    assert difference_for_lift_db(lift_db(-difference_db)) == pytest.approx(-difference_db)


def test_equal_levels_lift_by_three_decibels_and_comb_most() -> None:
    assert lift_db(0.0) == pytest.approx(3.0103, abs=5e-5)
    assert ripple_db(0.0) == 40.0


@pytest.mark.parametrize(
    ("late_ms", "first_hz", "spacing_hz"),
    # Notches (2k + 1)/(2τ): the usual comb table.
    [(0.5, 1000.0, 2000.0), (1.0, 500.0, 1000.0), (2.0, 250.0, 500.0), (5.0, 100.0, 200.0),
     (10.0, 50.0, 100.0)],
)  # fmt: skip
def test_notches_of_a_comb(late_ms: float, first_hz: float, spacing_hz: float) -> None:
    assert notches_hz(late_ms) == pytest.approx((first_hz, spacing_hz))
    assert notches_hz(late_ms, inverted=True) == pytest.approx((spacing_hz, spacing_hz))
    assert notches_hz(0.0) is None


def test_ten_decibels_between_five_and_thirty_milliseconds() -> None:
    """H. Haas, Acustica 1, 1951 (second copy): an echo 5–30 ms late may be some 10 dB louder."""
    for late_ms in (5.0, 12.0, 30.0):
        assert bound_db(late_ms) == 10.0
    assert bound_db(0.0) == 0.0
    assert bound_db(2.5) == pytest.approx(5.0)
    assert bound_db(50.0) == 0.0
    assert bound_db(70.0) < 0.0
    steps = [bound_db(k / 4.0) for k in range(20)]
    assert steps == sorted(steps)


def test_whoever_leads_keeps_the_image_up_to_the_bound() -> None:
    assert precedence("Top", "Delay", 10.0, 9.9).image == "Top"
    assert precedence("Top", "Delay", 10.0, 10.1).image == "Delay"
    early = precedence("Top", "Delay", -10.0, -3.0)
    assert (early.first, early.later, early.later_db) == ("Delay", "Top", 3.0)
    assert early.image == "Delay"
    assert precedence("Top", "Delay", -10.0, -10.5).image == "Top"
    assert precedence("Top", "Delay", 10.0, math.nan).image is None
