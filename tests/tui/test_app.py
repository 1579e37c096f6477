"""The whole workbench by its keys: values first, then what stands on the screen.

What is expected is what the workbench promises its users, which has no outside reference, unless a
source is named beside a check.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.tui.desk import Desk, at_desk
from xover.acoustics.air import speed_of_sound_m_s
from xover.model import rules
from xover.model.processing import Crossover
from xover.session.cells import Cell


def test_opens_on_the_shipped_example() -> None:
    async def steps(desk: Desk) -> None:
        assert desk.grid.cursor == Cell(desk.preset.outputs[0].name, "delay")
        assert desk.grid.has_focus
        assert "?" in desk.readout
        assert "type over" in desk.readout
        assert desk.title.startswith("Harbour Hall")
        assert desk.title.endswith("example")
        await desk.keys("down")
        assert "type over" not in desk.readout
        assert desk.readout.startswith("Sub, high-pass")

    at_desk(steps)


def test_typing_over_a_cell_reaches_everything(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.drawn()
        before = desk.curve("sum").values.copy()
        assert desk.title.endswith("saved")
        await desk.keys("3", ".", "5")
        assert desk.grid.typing == "3.5"
        assert desk.value("Sub", "delay") != 3.5
        await desk.keys("enter")
        assert desk.value("Sub", "delay") == 3.5
        assert desk.shown("Sub", "delay") == "3.50"
        assert desk.title.endswith("1 step unsaved")
        await desk.drawn()
        after = desk.curve("sum").values
        assert after.shape == before.shape
        assert np.nanmax(np.abs(after - before)) > 0.5
        # A delay leaves the magnitude of the moved output alone.
        await desk.keys("escape")
        assert not rules.faults(desk.preset)

    at_desk(steps, hall_path)


def test_a_gain_moves_its_curve_by_itself(hall_path: str) -> None:
    """dB are 20·log10 of the amplitude ratio (definition, ISO 80000-8)."""

    async def steps(desk: Desk) -> None:
        await desk.drawn()
        before = desk.curve("Top L").values.copy()
        old = desk.value("Top L", "gain")
        await desk.enter("Top L", "gain", "-4.5")
        await desk.drawn()
        moved = desk.curve("Top L").values - before
        assert np.nanmax(np.abs(moved - (-4.5 - old))) < 1e-9

    at_desk(steps, hall_path)


@pytest.mark.parametrize(
    ("row", "text", "shown"),
    [
        ("delay", "1.2 m", None), ("gain", "-4", "−4.0"), ("polarity", "inv", "inverted"),
        ("low_pass", "lr48 110", "LR48 110"), ("high_pass", "bw18 32", "BW18 32"),
        (("eq", 0), "peak 46 -3 q2", "peak 46 −3.0 q2"), ("rms", "+7", "+7.0 dBu"),
    ],
)  # fmt: skip
def test_spellings(hall_path: str, row, text: str, shown: str | None) -> None:
    async def steps(desk: Desk) -> None:
        was = desk.value("Sub", row)
        await desk.enter("Sub", row, text)
        assert desk.grid.sentence == ""
        assert desk.value("Sub", row) != was
        if shown is None:
            metres = desk.value("Sub", row) / 1000.0 * speed_of_sound_m_s(desk.preset.air)
            assert metres == pytest.approx(1.2, abs=1e-9)
        else:
            assert desk.shown("Sub", row).startswith(shown)

    at_desk(steps, hall_path)


def test_what_is_not_understood_stays_marked_and_changes_nothing(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        was = desk.preset
        await desk.enter("Sub", "delay", "three and a bit")
        assert desk.preset is was
        assert desk.title.endswith("saved")
        assert "is not a delay" in desk.readout
        assert desk.grid._refused[Cell("Sub", "delay")][0] == "three and a bit"
        assert "three" in desk.text()
        await desk.keys("up", "down")
        assert "is not a delay" in desk.readout
        await desk.keys("escape")
        assert "three" not in desk.text()
        assert "is not a delay" not in desk.readout

    at_desk(steps, hall_path)


def test_a_value_out_of_range_is_refused_with_its_limit(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        was = desk.preset
        await desk.enter("Sub", "gain", "200")
        assert desk.preset is was
        assert "60" in desk.readout

    at_desk(steps, hall_path)


def test_groups_follow(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.enter("Top L", "delay", "7.25")
        assert desk.value("Top R", "delay") == 7.25
        assert desk.shown("Top R", "delay") == "7.25"
        assert desk.title.endswith("1 step unsaved")
        await desk.keys("ctrl+z")
        assert desk.value("Top R", "delay") == desk.app._saved.output("Top R").delay_ms

    at_desk(steps, hall_path)


def test_undo_and_redo_by_keys(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        first = desk.preset
        await desk.enter("Sub", "delay", "2")
        await desk.enter("Sub", "gain", "-6")
        last = desk.preset
        assert desk.title.endswith("2 steps unsaved")
        await desk.keys("ctrl+z")
        assert desk.readout.startswith("undone: Sub, gain")
        await desk.keys("ctrl+z")
        assert desk.preset == first
        assert desk.title.endswith("saved")
        await desk.keys("ctrl+z")
        assert desk.readout == "nothing to undo"
        await desk.keys("ctrl+y", "ctrl+y")
        assert desk.preset == last
        assert desk.readout.startswith("again: Sub, gain")
        await desk.keys("ctrl+y")
        assert desk.readout == "nothing to redo"

    at_desk(steps, hall_path)


def test_nudges(hall_path: str) -> None:
    """Steps as the workbench states them: 0.1 ms, 0.5 dB, 1/24 octave."""

    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "delay", "2")
        await desk.keys("]", "]", "]")
        assert desk.value("Sub", "delay") == pytest.approx(2.3)
        await desk.keys("[")
        assert desk.value("Sub", "delay") == pytest.approx(2.2)
        await desk.keys("}")
        assert desk.value("Sub", "delay") > 2.3
        await desk.enter("Sub", "gain", "0")
        await desk.keys("[")
        assert desk.value("Sub", "gain") == -0.5
        await desk.enter("Sub", "low_pass", "lr24 100")
        await desk.keys("]")
        found = desk.value("Sub", "low_pass")
        assert isinstance(found, Crossover)
        assert found.frequency_hz == pytest.approx(100.0 * 2.0 ** (1.0 / 24.0), rel=5e-3)
        await desk.go("Sub", ("eq", len(desk.preset.output("Sub").eq)))
        was = desk.preset
        await desk.keys("]")
        assert desk.preset is was
        assert "nothing to nudge" in desk.readout

    at_desk(steps, hall_path)


def test_copy_paste_and_swap(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Sub", "delay")
        await desk.keys("ctrl+v")
        assert "nothing has been copied" in desk.readout
        await desk.keys("ctrl+c")
        assert desk.readout == f"copied {desk.shown('Sub', 'delay')}"
        await desk.go("Delay L", "delay")
        await desk.keys("ctrl+v")
        assert desk.value("Delay L", "delay") == desk.value("Sub", "delay")
        await desk.go("Delay L", "gain")
        was = desk.preset
        await desk.keys("ctrl+v")
        assert desk.preset is was
        assert "does not fit" in desk.readout
        await desk.keys("ctrl+z")

    at_desk(steps, hall_path)


def test_swap_columns(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        left, right = desk.preset.output("Delay L"), desk.preset.output("Delay R")
        await desk.enter("Delay L", "gain", "-7")
        changed = desk.preset.output("Delay L").gain_db
        await desk.go("Delay L", "delay")
        await desk.keys("ctrl+right")
        if desk.readout.startswith("swap") or desk.preset.output("Delay R").gain_db == changed:
            assert desk.preset.output("Delay R").gain_db == -7.0
        assert {left.name, right.name} <= {item.name for item in desk.preset.outputs}
        await desk.go("Delay R", "delay")
        was = desk.preset
        await desk.keys("ctrl+right")
        assert desk.preset is was
        assert "no output to the right" in desk.readout
        await desk.go(desk.preset.inputs[0].name, "delay", "input")
        await desk.keys("ctrl+right")
        assert "Only outputs are swapped" in desk.readout

    at_desk(steps, hall_path)
