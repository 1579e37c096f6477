"""Maps, delays and arrays of whatever preset is legal: an answer, or a refusal in a sentence."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tests import strategies
from tests.acoustics.rigs import rig
from xover.acoustics.area import area_of
from xover.acoustics.bands import Band
from xover.acoustics.maps import level_map
from xover.design.array_preset import array_preset, speed_m_s
from xover.design.arrays import arc, endfire, gradient
from xover.design.distance import apply_distance, delay_by_distance
from xover.files.preset_json import dumps, loads
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.rig import Listener
from xover.sheets.distance_text import distance_text
from xover.sheets.plan import map_csv, plan_of, summary, terminal_map


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(preset=strategies.presets())
def test_any_preset(preset: Preset) -> None:
    _mapped(preset)
    _delayed(preset)
    _arrayed(preset)


def test_a_preset_with_everything() -> None:
    _mapped(strategies.everything())
    _delayed(strategies.everything())
    _arrayed(strategies.everything())


PLACE = st.tuples(*(st.sampled_from([-10_000.0, -1.0, 0.0, 0.05, 3.0, 10_000.0]) for _ in "xyz"))


@settings(max_examples=6, deadline=None)
@given(places=st.lists(PLACE, min_size=4, max_size=4), gain_db=st.sampled_from([-60.0, 0.0, 60.0]))
def test_odd_places_and_levels(places: list[tuple[float, float, float]], gain_db: float) -> None:
    """Coincident and far places: whoever stands in a box is refused, the rest is computed."""
    preset = rig(
        {"A": places[0], "B": places[1], "C": places[2]},
        listener_m=places[3],
        outputs={"A": {"gain_db": gain_db}, "C": {"gain_db": -gain_db}},
    )
    second = Listener(name="Second", position_m=places[2])
    preset = replace(preset, listeners=(*preset.listeners, second))
    _mapped(preset)
    _delayed(preset)
    _arrayed(preset)


def _mapped(preset: Preset) -> None:
    try:
        area = area_of(preset, most=60)
        plan = plan_of(area.x_m, area.y_m, width=12, height=6)
        found = level_map(preset, plan.area(area.z_m), Band.near(250.0, 3), drive_of(preset))
    except Refused:
        return
    assert found.level_db.shape == (found.area.rows, found.area.columns)
    assert not np.isnan(found.level_db).any()
    assert terminal_map(found, preset, plan, colour=False)
    assert map_csv(found)
    assert summary(found)


def _delayed(preset: Preset) -> None:
    names = [item.name for item in preset.outputs]
    for move, to in pairwise(names):
        for place in preset.listeners[:1]:
            try:
                answer = delay_by_distance(
                    preset, move=[move], to=to, listener=place.name, show_temperature_c=30.0
                )
            except Refused:
                continue
            assert all(math.isfinite(row.ms) for row in answer.results[0].arrivals)
            assert distance_text(preset, answer, points=True)
            assert loads(dumps(apply_distance(preset, answer)))


def _arrayed(preset: Preset) -> None:
    speed = speed_m_s(preset)
    for item in preset.outputs[:2]:
        for layout in (endfire(3, 1.0, speed), gradient(2, 1.0, speed), arc(4, 1.0, 60.0, speed)):
            try:
                answer = array_preset(preset, item.name, layout)
            except Refused:
                continue
            assert loads(dumps(answer.preset)) == answer.preset
