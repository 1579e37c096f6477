"""A preset on a processor, for a screen: what each cell becomes is what adaptation answers."""

from __future__ import annotations

import pytest

import xover
from xover.design.adapting.adaptation import adapt
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
