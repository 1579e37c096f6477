"""A preset on a processor, for a screen: what each cell becomes is what adaptation answers."""

from __future__ import annotations

import numpy as np
import pytest

import xover
from xover.design.adapting.adaptation import adapt
from xover.dsp.axis import Axis
from xover.dsp.response import output_stage
from xover.model.preset import Preset
from xover.session import processors
from xover.session.cells import Cell

FERRY = "Old Ferry 2×6 (invented)"
EXAMPLES = ("harbour-hall", "hillside-chapel", "lantern-cafe")


def example(name: str) -> Preset:
    return xover.load(xover.default_example().with_name(f"{name}.json"))


def ferry() -> object:
    profile = processors.profile_named(FERRY.upper())
    assert profile is not None
    return profile


def test_profiles_are_found_by_name_and_none_is_invented() -> None:
    assert len(processors.shipped_profiles()) == 3
    assert processors.profile_named("no such processor") is None


@pytest.mark.parametrize("name", EXAMPLES)
def test_cells_become_what_the_adaptation_changes(name: str) -> None:
    preset, profile = example(name), ferry()
    fitted = processors.fit(preset, profile)
    answer = adapt(preset, profile)
    for item, held in zip(preset.outputs, answer.preset.outputs, strict=True):
        gain = fitted.becomes.get(Cell(item.name, "gain"))
        assert (gain is not None) == (abs(item.gain_db - held.gain_db) > 0.05)
        delay = fitted.becomes.get(Cell(item.name, "delay"))
        if delay is not None:
            assert float(delay.replace("−", "-")) == pytest.approx(held.delay_ms, abs=0.005)
    touched = {(cell.side, cell.column) for cell in fitted.becomes}
    for side, adapted in (("input", answer.inputs), ("output", answer.outputs)):
        for one in adapted:
            if not one.changes and not one.cannot:
                assert (side, one.name) not in touched


def test_sections_that_find_no_band_become_nothing() -> None:
    """The Old Ferry has no bands at its inputs: the chapel's are lost, or stand at outputs."""
    preset, profile = example("hillside-chapel"), ferry()
    fitted = processors.fit(preset, profile)
    for side, items, adapted in (
        ("input", preset.inputs, fitted.answer.inputs),
        ("output", preset.outputs, fitted.answer.outputs),
    ):
        for item, one in zip(items, adapted, strict=True):
            entered = {setting.where for setting in one.settings}
            for at, section in enumerate(item.eq):
                cell = Cell(item.name, ("eq", at), side)
                if not section.bypassed and not any(f".eq[{at}]" in where for where in entered):
                    assert fitted.becomes[cell] == "–"


def test_differences_are_those_of_the_two_presets() -> None:
    """At the corner: both outputs by themselves, evaluated by `dsp.response`."""
    preset = example("harbour-hall")
    fitted = processors.fit(preset, ferry())
    course = fitted.courses["Sub"]
    at = int(np.argmin(np.abs(course.frequency_hz - 60.0)))
    axis = Axis(course.frequency_hz[at : at + 1], preset.sample_rate_hz)
    one, other = (
        abs(output_stage(p.output("Sub"), axis)[0]) for p in (preset, fitted.answer.preset)
    )
    assert course.difference_db[at] == pytest.approx(20.0 * np.log10(other / one), abs=1e-9)
    # Far above its low-pass the sub is not compared.
    assert np.isnan(course.difference_db[-1])
    assert np.nanmax(np.abs(course.difference_db)) == pytest.approx(
        fitted.answer.outputs[0].largest_db, abs=0.15
    )
