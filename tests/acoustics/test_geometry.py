"""Distances and angles that can be checked with a ruler and a set square."""

from __future__ import annotations

import pytest

from tests.acoustics.rigs import POINT
from xover.acoustics.geometry import distance_m, is_outside_coverage, nearest, off_axis_deg
from xover.model.rig import Aim, Listener, Source


def test_distance_is_three_dimensional_and_never_below_ten_centimetres() -> None:
    """2, 3, 6 has the diagonal 7 (Pythagoras)."""
    assert distance_m((1.0, 1.0, 1.0), (3.0, 4.0, 7.0)) == pytest.approx(7.0)
    assert distance_m((0.0, 0.0, 0.0), (0.0, 0.01, 0.0)) == 0.1


@pytest.mark.parametrize(
    ("aim", "listener_m", "horizontal", "vertical"),
    [
        (Aim(), (0, 10, 0), 0, 0),
        (Aim(), (10, 10, 0), 45, 0),
        (Aim(), (-10, 10, 0), -45, 0),
        (Aim(azimuth=45), (10, 10, 0), 0, 0),
        (Aim(azimuth=-30), (0, 10, 0), 30, 0),
        (Aim(), (0, 10, 10), 0, 45),
        (Aim(elevation=45), (0, 10, 10), 0, 0),
        (Aim(elevation=-10), (0, 10, 0), 0, 10),
        (Aim(), (0, -10, 0), 180, 0),
    ],
)
def test_off_axis_angles(
    aim: Aim, listener_m: tuple[float, float, float], horizontal: float, vertical: float
) -> None:
    """Set-square angles; azimuth turns to the right, elevation upwards."""
    got = off_axis_deg(aim, (0.0, 0.0, 0.0), listener_m)
    assert got == pytest.approx((horizontal, vertical), abs=1e-9)


def test_coverage_counts_half_on_each_side() -> None:
    from msgspec.structs import replace

    box = replace(POINT, coverage_deg=(90.0, 40.0))
    source = Source(name="L", output="Top", loudspeaker="Point", position_m=(0.0, 0.0, 0.0))
    edge = Listener(name="Edge", position_m=(10.0, 10.0, 0.0))
    beyond = Listener(name="Beyond", position_m=(10.2, 10.0, 0.0))
    balcony = Listener(name="Balcony", position_m=(0.0, 10.0, 4.0))
    assert not is_outside_coverage(source, box, edge)
    assert is_outside_coverage(source, box, beyond)
    assert is_outside_coverage(source, box, balcony)
    assert not is_outside_coverage(source, POINT, balcony)


def test_nearest_then_and_now() -> None:
    left = Source(name="L", output="Top", loudspeaker="Point", position_m=(-3.0, 0.0, 0.0))
    right = Source(name="R", output="Top", loudspeaker="Point", position_m=(3.0, 0.0, 0.0))
    seat = (1.0, 5.0, 0.0)
    assert nearest([left, right], seat) is right
    assert nearest([left, right], seat, {"L": (0.0, 4.0, 0.0)}) is left
    assert nearest([left, right], seat, {"gone": (0.0, 4.0, 0.0)}) is None
    assert nearest([], seat) is None
