"""Level maps: the listener's sum at every point, two-source sums, bands of IEC 61260-1."""

from __future__ import annotations

import math

import numpy as np
import pyfar as pf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

import xover
from tests.acoustics.rigs import STILL_AIR, rig
from xover.acoustics.area import Area, area_of
from xover.acoustics.bands import Band
from xover.acoustics.field import listener_response
from xover.acoustics.maps import band_power, level_map, rig_of
from xover.dsp.axis import Axis
from xover.model.changes import with_output
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.rig import Listener


def hall() -> Preset:
    return xover.load(xover.default_example())


def point_by_point(preset: Preset, band: Band, drive: Drive, area: Area) -> np.ndarray:
    """The same by asking the listener's sum at one seat after the other, without captures."""
    frequency_hz, weights = band.frequencies(24)
    axis = Axis(frequency_hz, preset.sample_rate_hz)
    levels = []
    for place in area.points_m.tolist():
        seat = Listener(name="Here", position_m=tuple(place))
        there = replace(preset, listeners=(seat,), measurements=())
        total = listener_response(there, "Here", axis, drive).total
        levels.append(10.0 * math.log10(float(weights @ np.square(np.abs(total)))))
    return np.array(levels).reshape(area.rows, area.columns)


@pytest.mark.parametrize("typed_hz", [63.0, 8000.0])
@pytest.mark.parametrize(
    "drive",
    [
        Drive({"Left": 0.0, "Aux": -3.0, "Right": 2.0}),
        Drive({"Left": 0.0, "Aux": 0.0, "Right": 0.0}, False),
    ],
)
def test_a_map_is_the_listeners_sum_at_every_point(typed_hz: float, drive: Drive) -> None:
    preset, area = hall(), Area((-6.0, 5.0), (2.0, 27.0), 1.2, 3, 4)
    band = Band.near(typed_hz, 3)
    rig = rig_of(preset, band, drive, frequencies=24)
    assert rig.level == "spl"
    shown_db = 10.0 * np.log10(band_power(rig, area.points_m)).reshape(4, 3)
    assert np.abs(shown_db - point_by_point(preset, band, drive, area)).max() < 1e-9


def test_one_point_source_falls_by_6_db_a_doubling() -> None:
    """Inverse distance law: 20·log10 2 = 6.0206 dB; at 63 Hz the air takes 0.0001 dB/m."""
    preset = rig({"One": (0.0, 0.0, 0.0)}, air=STILL_AIR)
    area = Area((10.0, 20.0), (0.0, 1e-9), 0.0, 2, 2)
    level_db = level_map(preset, area, Band.near(63.0, 3), drive_of(preset)).level_db
    assert level_db[0, 0] - level_db[0, 1] == pytest.approx(6.0206, abs=2e-3)


@pytest.mark.parametrize(
    ("phase_deg", "gain_db"),
    # Two equal sources: 20·log10(2·|cos φ/2|), tabulated in handbooks of acoustics.
    [(0.0, 6.0206), (60.0, 4.7712), (90.0, 3.0103), (120.0, 0.0), (150.0, -5.7195)],
)
def test_two_equal_sources_sum_by_their_phase(phase_deg: float, gain_db: float) -> None:
    band = Band(1000.0, 48)  # so narrow that its middle stands for it
    delay_ms = phase_deg / 360.0
    preset = rig(
        {"A": (-1.0, 0.0, 0.0), "B": (1.0, 0.0, 0.0)}, outputs={"B": {"delay_ms": delay_ms}}
    )
    area = Area((-1e-9, 1e-9), (8.0, 9.0), 0.0, 2, 2)
    drive = drive_of(preset)
    both = level_map(preset, area, band, drive).level_db[0, 0]
    alone = level_map(preset, area, band, drive, only=["A"]).level_db[0, 0]
    assert both - alone == pytest.approx(gain_db, abs=6e-3)


def test_a_null_is_averaged_over_the_band() -> None:
    """|1 + e^(−jωτ)|² = 2 + 2·cos ωτ; its mean over log frequency by Simpson's rule (mpmath)."""
    import mpmath

    delay_ms = 20.0
    preset = rig(
        {"A": (-1.0, 0.0, 0.0), "B": (1.0, 0.0, 0.0)}, outputs={"B": {"delay_ms": delay_ms}}
    )
    band = Band.near(1000.0, 1)
    low, high = band.edges_hz
    mean = mpmath.quad(
        lambda x: 2 + 2 * mpmath.cos(2 * mpmath.pi * mpmath.exp(x) * delay_ms / 1000),
        mpmath.linspace(mpmath.log(low), mpmath.log(high), 60),
    ) / mpmath.log(high / low)
    area = Area((-1e-9, 1e-9), (8.0, 9.0), 0.0, 2, 2)
    both = level_map(preset, area, band, drive_of(preset)).level_db[0, 0]
    alone = level_map(preset, area, band, drive_of(preset), only=["A"]).level_db[0, 0]
    assert both - alone == pytest.approx(10.0 * math.log10(float(mean)), abs=0.02)


def test_bands_are_those_of_the_standard() -> None:
    """IEC 61260-1 through pyfar: exact mid-bands and edges."""
    for fraction in (1, 3):
        middle, low, high = pf.constants.fractional_octave_frequencies_exact(
            fraction, frequency_range=(20, 16_000)
        )
        for exact, lower, upper in zip(middle, low, high, strict=True):
            band = Band.near(float(f"{exact:.2g}"), fraction)
            if abs(float(f"{exact:.2g}") / exact - 1.0) <= 0.02:
                assert band.centre_hz == pytest.approx(exact, rel=1e-12)
                assert band.edges_hz == pytest.approx((lower, upper), rel=1e-12)
    assert Band.near(8000.0, 1).centre_hz == pytest.approx(7943.28, abs=0.005)
    assert Band.near(70.0, 3).centre_hz == 70.0


PLACE = st.tuples(*(st.floats(-8.0, 8.0) for _ in range(3)))


@settings(max_examples=15, deadline=None)
@given(a=PLACE, b=PLACE, by=PLACE, turn=st.floats(0.0, 6.28))
def test_moving_or_turning_everything_changes_nothing(
    a: tuple[float, ...], b: tuple[float, ...], by: tuple[float, ...], turn: float
) -> None:
    def moved(place: tuple[float, ...]) -> tuple[float, float, float]:
        x, y, z = place
        cos, sin = math.cos(turn), math.sin(turn)
        return (x * cos - y * sin + by[0], x * sin + y * cos + by[1], z + by[2])

    band, seat = Band.near(125.0, 3), (3.0, 12.0, 1.0)
    levels = []
    for change in (lambda place: place, moved):
        preset = rig({"A": change(a), "B": change(b)})
        there = rig_of(preset, band, drive_of(preset), frequencies=24)
        levels.append(10.0 * np.log10(band_power(there, np.array([change(seat)])))[0])
    assert levels[0] == pytest.approx(levels[1], abs=1e-6)


def test_the_area_is_where_people_sit() -> None:
    preset = hall()
    area = area_of(preset)
    assert area.x_m == (-6.0, 6.0)  # as wide as the boxes stand
    assert area.y_m == (2.0, 28.0)  # the seats and 2 m more
    assert area.z_m == 1.2
    assert area.columns * area.rows <= 20_000
    with pytest.raises(Refused, match="has no listeners"):
        area_of(replace(preset, listeners=(), measurements=()))
    with pytest.raises(Refused, match="from X 3 to 3 m has no width"):
        area_of(preset, x_m=(3.0, 3.0))
    with pytest.raises(Refused, match="more than a million"):
        area_of(preset, step_m=0.001)


def test_places_are_printed_without_noise() -> None:
    area = Area((-3.2, 3.2), (0.0, 32.1), 1.2, 65, 322)
    for places in (area.xs_m, area.ys_m):
        assert max(len(f"{abs(place)!r}") for place in places.tolist()) <= 4
    assert (area.xs_m[0], area.ys_m[-1]) == (-3.2, 32.1)


def test_what_is_not_in_the_map_is_said() -> None:
    preset = with_output(hall(), "Sub", muted=True)
    area = area_of(preset, step_m=4.0)
    found = level_map(preset, area, Band.near(250.0, 3), Drive({"Left": 0.0, "Aux": 0.0}))
    text = "\n".join(found.notes)
    assert found.outputs == ("Top L", "Delay L")
    assert "“Sub” contributes nothing: it is muted" in text
    assert "“Top R” contributes nothing: no driven input is routed to it" in text
    assert "“Top L”, “Delay L” were captured at listeners" in text
    assert "coverage of boxes is not in the level" in text
    with pytest.raises(Refused, match="nothing sounds here"):
        level_map(preset, area, Band.near(250.0, 3), Drive({"Aux": 0.0}))
    with pytest.raises(Refused, match="bands lie between"):
        level_map(preset, area, Band.near(25_000.0, 3), drive_of(preset))
    with pytest.raises(Refused, match="stopped"):
        level_map(preset, area, Band.near(250.0, 3), drive_of(preset), going=lambda share: False)


def test_levels_of_two_kinds_are_not_mixed() -> None:
    preset = rig({"A": (-1.0, 0.0, 0.0), "B": (1.0, 0.0, 0.0)},
                 sources={"B": {"amplifier_channel": None}})  # fmt: skip
    area = Area((0.0, 1.0), (4.0, 5.0), 0.0, 2, 2)
    with pytest.raises(Refused, match="a map would mix absolute levels"):
        level_map(preset, area, Band.near(250.0, 3), drive_of(preset))
    alone = level_map(preset, area, Band.near(250.0, 3), drive_of(preset), only=["B"])
    assert alone.level == "relative"
