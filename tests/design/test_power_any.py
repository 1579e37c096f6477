"""Any legal preset has limits, levels and tables: figures or sentences, never an exception."""

from __future__ import annotations

import datetime

import numpy as np
from hypothesis import HealthCheck, given, settings

from tests.strategies import everything, presets
from xover.design.level import level
from xover.design.limits import apply_limits, limits
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.rules import faults
from xover.sheets.level_text import level_text
from xover.sheets.limits_text import limits_text
from xover.sheets.wiring import FORMATS, wiring_bytes, wiring_of


def check(preset: Preset) -> None:
    answer = limits(preset)
    assert limits_text(answer)
    assert [each.output for each in answer.outputs] == [each.name for each in preset.outputs]
    applied = apply_limits(preset, answer)
    assert faults(applied) == []
    again = limits(applied)
    assert [each.rms.dbu for each in again.outputs] == [each.rms.dbu for each in answer.outputs]
    for format in FORMATS:
        assert wiring_bytes(wiring_of(preset, answer, date=str(datetime.date.min)), format)
    for place in preset.listeners[:1]:
        try:
            found = level(preset, place.name, input_level_dbu=-10.0)
        except Refused:
            continue
        assert level_text([found])
        assert found.unweighted_db is None or np.isfinite(found.unweighted_db)


def test_a_preset_with_everything() -> None:
    check(everything())


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(presets())
def test_any_preset(preset: Preset) -> None:
    check(preset)
