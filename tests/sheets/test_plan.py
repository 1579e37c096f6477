"""Plans and level maps as people read them: places to scale, steps of 3 dB, no mirror."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest
from msgspec.structs import replace

from tests.acoustics.rigs import STILL_AIR, rig
from xover.acoustics.area import Area
from xover.acoustics.bands import Band
from xover.acoustics.maps import level_map
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.rig import Listener
from xover.sheets.plan import (
    Plan,
    extent_of,
    ladder_of,
    map_csv,
    marks_of,
    plan_of,
    summary,
    terminal_map,
)
from xover.sheets.room_figures import map_figure

HOSTILE = "[b]x[/b] \u202e"


def barn() -> Preset:
    """One box at the origin, listeners 4 m away at the right and 16 m away in front."""
    preset = rig({"One": (0.0, 0.0, 0.0)}, air=STILL_AIR)
    seats = (Listener(name="Right", position_m=(4.0, 0.0, 0.0)),
             Listener(name="Ahead", position_m=(0.0, 16.0, 0.0)))  # fmt: skip
    return replace(preset, listeners=seats)


@pytest.mark.parametrize(("width", "height", "turned"), [(41, 41, False), (80, 10, True)])
def test_a_plan_takes_the_larger_way_and_keeps_its_scale(
    width: int, height: int, turned: bool
) -> None:
    plan = plan_of((-2.0, 6.0), (-2.0, 18.0), width=width, height=height)
    assert plan.turned is turned
    assert plan.columns <= width
    assert plan.rows <= height
    across, down = (20.0, 8.0) if turned else (8.0, 20.0)
    # A row is twice as high as a column is wide, as far as whole rows and columns allow.
    ratio = (down / (plan.rows - 1)) / (across / (plan.columns - 1))
    assert ratio == pytest.approx(2.0, rel=0.15)
    right, ahead, box = plan.cell(4.0, 0.0), plan.cell(0.0, 16.0), plan.cell(0.0, 0.0)
    # Seen from above with y ahead, x is on the right hand: turning keeps that, mirroring would not.
    x_way = np.subtract(right, box)
    y_way = np.subtract(ahead, box)
    assert np.sign(x_way[1] * -y_way[0] - -x_way[0] * y_way[1]) == 1
    for row, column in ((0, 0), (plan.rows - 1, plan.columns - 1), box):
        assert plan.cell(*plan.at(row, column)) == (row, column)


def test_levels_lie_where_their_points_are() -> None:
    preset = barn()
    for size in ((30, 30), (60, 8)):
        plan = plan_of((-2.0, 6.0), (-2.0, 18.0), width=size[0], height=size[1])
        found = level_map(preset, plan.area(0.0), Band.near(250.0, 3), drive_of(preset))
        levels = plan.levels(found)
        assert levels.shape == (plan.rows, plan.columns)
        loudest = np.unravel_index(np.argmax(levels), levels.shape)
        x_m, y_m = plan.at(int(loudest[0]), int(loudest[1]))
        assert np.hypot(x_m, y_m) < 2.0 * plan.metres_per_column
        row, column = plan.cell(4.0, 0.0)
        x_m, y_m = plan.at(row, column)
        # 100 dB sensitivity less 2.83 V → 0.7746 V, inverse distance law.
        expected = 100.0 + 20.0 * np.log10(0.7745967 / 2.83 / np.hypot(x_m, y_m))
        assert levels[row, column] == pytest.approx(expected, abs=0.01)


def test_steps_of_three_decibels() -> None:
    steps = ladder_of(np.array([90.0, 87.1, 87.0, 86.9, 59.0, -np.inf]), 90.0)
    assert steps.tolist() == [0, 0, 1, 1, 10, -1]


def test_the_terminal_map_in_whole() -> None:
    """Golden: a box at the left end, 6 dB a doubling outwards from 1 m, where steps begin."""
    preset = barn()
    plan = Plan((-1.0, 1.0), (0.5, 8.5), 33, 5, True)
    found = level_map(preset, plan.area(0.0), Band.near(250.0, 3), drive_of(preset))
    assert terminal_map(found, preset, plan, colour=False).split("\n") == [
        "001112222333334444444555555555666",
        "000011222233334444444555555555666",
        "000011222233334444444555555555666",
        "000011222233334444444555555555666",
        "001112222333334444444555555555666",
        "■ source  ○ listener   0: 85.7 dB SPL and more, each figure more 3 dB less",
        "audience to the right, x downwards; a column is 0.25 m",
    ]
    coloured = terminal_map(found, preset, plan, colour=True)
    assert coloured.count("\x1b[0m") == 5
    assert "\x1b[48;2;254;232;56m" in coloured
    assert summary(found) == [
        "loudest  94.8 dB SPL at x 0.0 m, y 0.5 m",
        "quietest 70.1 dB SPL at x −1.0 m, y 8.5 m",
        "between  24.7 dB",
    ]


def test_names_stand_beside_their_marks_and_are_inert() -> None:
    preset = barn()
    seats = (Listener(name=HOSTILE, position_m=(0.0, 5.0, 0.0)),
             Listener(name="席", position_m=(3.0, 9.0, 0.0)))  # fmt: skip
    preset = replace(preset, listeners=seats)
    ranges = extent_of(preset)
    assert ranges == ((-1.0, 4.0), (-1.0, 10.0))
    plan = plan_of(*ranges, width=70, height=20)
    marks = marks_of(preset, plan, names=True)
    text = "".join(sign for _, sign in sorted(marks.items()))
    assert "[b]x[/b] \\u202e" in text
    assert text.count("○") == 2
    assert "席" not in text  # a wide sign would shift its row


def test_csv_and_figures() -> None:
    preset = barn()
    area = Area((0.0, 1.0), (4.0, 5.0), 0.0, 2, 2)
    found = level_map(preset, area, Band.near(250.0, 3), drive_of(preset))
    lines = map_csv(found).splitlines()
    assert lines[0] == "x_m,y_m,level_db"
    assert [line.split(",")[:2] for line in lines[1:]] == [
        ["0.0", "4.0"], ["1.0", "4.0"], ["0.0", "5.0"], ["1.0", "5.0"]]  # fmt: skip
    assert float(lines[2].split(",")[2]) == found.level_db[0, 1]
    svg = map_figure(found, preset, format="svg", title=f"{HOSTILE} map")
    assert svg == map_figure(found, preset, format="svg", title=f"{HOSTILE} map")
    words = [text for text in ElementTree.fromstring(svg).itertext() if text.strip()]
    assert "One" in words
    assert "Level in dB SPL" in words
    assert any("[b]x[/b] \\u202e map" in word for word in words)
    with pytest.raises(Refused, match="a figure cannot be gif"):
        map_figure(found, preset, format="gif")
