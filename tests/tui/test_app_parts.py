"""Parts of a cell nudged one by one, typing taken back, and the cursor kept in sight.

How far a part moves is checked in tests/model/test_entry_nudge.py; here, that the keys reach it.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.tui.desk import Desk, at_desk
from xover.model.processing import Crossover, EqSection, Limit
from xover.tui.dialogs.find import FindDialog
from xover.tui.dialogs.recover import RecoverDialog
from xover.tui.line_editor import LineEditor
from xover.tui.panes.advice import AdvicePane


def test_every_part_of_every_cell_is_nudged_by_keys() -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Top L", ("eq", 0))
        assert desk.value("Top L", ("eq", 0)) == peak(315.0, -2.5, 2.0)
        assert "[ ] frequency 1/24 octave   ^N gain" in desk.readout
        await desk.keys("ctrl+n")
        assert "[ ] gain 0.5 dB   ^N Q" in desk.readout
        await desk.keys("]")
        assert desk.value("Top L", ("eq", 0)) == peak(315.0, -2.0, 2.0)
        await desk.keys("{")
        assert desk.value("Top L", ("eq", 0)) == peak(315.0, -5.0, 2.0)
        assert desk.value("Top R", ("eq", 0)) == peak(315.0, -5.0, 2.0), "a group follows"
        await desk.keys("alt+right", "]")
        assert desk.value("Top L", ("eq", 0)) == peak(315.0, -5.0, 2.245)
        await desk.keys("alt+right", "]")
        assert desk.value("Top L", ("eq", 0)) == peak(324.0, -5.0, 2.245)
        await desk.keys("alt+left", "down", "[")  # Q stays the part in the next section
        held = desk.value("Top L", ("eq", 1))
        assert isinstance(held, EqSection)
        assert (held.frequency_hz, held.q) == (2500.0, 2.227)

        await desk.go("Top L", "high_pass")
        await desk.keys("ctrl+n", "]")
        assert desk.value("Top L", "high_pass") == xover("linkwitz-riley", 36, 95.0)
        assert "[ ] slope   ^N family" in desk.readout
        await desk.keys("ctrl+n", "]")
        assert desk.value("Top L", "high_pass") == xover("bessel", 36, 95.0)

        await desk.go("Sub", "rms")
        before = desk.value("Sub", "rms")
        assert isinstance(before, Limit)
        await desk.keys("ctrl+n", "}", "ctrl+n", "}", "ctrl+n", "]")
        after = desk.value("Sub", "rms")
        assert isinstance(after, Limit)
        assert after.attack_ms == 2.0 * before.attack_ms
        assert after.release_ms == 2.0 * before.release_ms
        assert after.threshold_dbu == pytest.approx(before.threshold_dbu + 0.5)

        await desk.go("Sub", "delay")
        await desk.keys("ctrl+n")
        assert "no parts" in desk.readout
        await desk.keys("ctrl+z")
        assert desk.value("Sub", "rms") != after

    at_desk(steps)


def test_one_input_of_a_route_is_nudged() -> None:
    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "route", "Left 0, Aux -3")
        await desk.keys("ctrl+n", "ctrl+n")
        assert "[ ] Aux 0.5 dB   ^N all gains" in desk.readout
        await desk.keys("]")
        assert desk.value("Sub", "route") == {"Left": 0.0, "Aux": -2.5}

    at_desk(steps)


def test_the_part_is_set_off_in_the_cell() -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Top L", ("eq", 0))
        for text in ("315", "−2.5", "q2"):
            style = desk.grid._scene().looks.part
            strips = [desk.grid.render_line(y) for y in range(desk.grid.size.height)]
            marked = [each.text for strip in strips for each in strip if each.style == style]
            assert marked == [text]
            await desk.keys("ctrl+n")

    at_desk(steps)


def test_typing_is_taken_back_before_a_step_is() -> None:
    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-7")
        await desk.go("Sub", "delay")
        await desk.keys(*"12", "backspace", *"34")
        assert desk.grid.typing == "134"
        await desk.keys("ctrl+z")
        assert desk.grid.typing == "1"
        await desk.keys("ctrl+y")
        assert desk.grid.typing == "134"
        await desk.keys("ctrl+z", "ctrl+z", "ctrl+z")
        assert not desk.grid.editing
        assert "the old value stands" in desk.readout
        assert desk.value("Sub", "gain") == -7.0
        await desk.keys("enter", "ctrl+z")  # opened and nothing typed
        assert not desk.grid.editing
        assert desk.value("Sub", "gain") == -7.0
        await desk.keys("ctrl+z")
        assert desk.value("Sub", "gain") == -3.0

    at_desk(steps)


def test_changes_of_a_line_are_taken_back_by_runs() -> None:
    line = LineEditor("old")
    for letter in "ab c":
        line.insert(letter)
    line.press("left")
    line.press("backspace")
    line.press("backspace")
    seen = [line.text]
    while line.undo():
        seen.append(line.text)
    assert seen == ["oldac", "oldab c", "oldab ", "oldab", "old"]
    while line.redo():
        seen.append(line.text)
    assert seen[-1] == "oldac"
    line.undo()
    line.insert("x")
    assert not line.redo()


def test_the_cursor_is_in_sight_after_every_resize() -> None:
    async def steps(desk: Desk) -> None:
        choose = random.Random(7)
        columns, rows = len(desk.grid._view.columns), len(desk.grid._view.rows)
        for _ in range(12):
            row = desk.grid._view.rows[choose.randrange(rows)].id
            column = desk.grid._view.columns[choose.randrange(columns)]
            if row not in column.cells:
                continue
            await desk.go(column.name, row, column.side)
            for size in ((choose.randrange(1, 100), choose.randrange(1, 30)), (80, 24)):
                await desk.pilot.resize_terminal(*size)
                await desk.settle()
                await desk.settle()
                grid = desk.grid
                if grid.size.height >= 2 and grid.size.width > grid._plan.label_width + 1:
                    assert grid._top_row <= grid._row < grid._top_row + grid._rows_in_sight()
                    assert grid._column in grid._plan.by_column, size

    at_desk(steps)


def peak(frequency_hz: float, gain_db: float, q: float) -> EqSection:
    return EqSection(kind="peak", frequency_hz=frequency_hz, gain_db=gain_db, q=q)


def xover(family: str, slope: int, frequency_hz: float) -> Crossover:
    return Crossover(family=family, slope_db_per_octave=slope, frequency_hz=frequency_hz)  # type: ignore[arg-type]


def test_an_action_is_of_the_place_where_its_key_was_pressed() -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Sub", "gain")
        await desk.keys("right", "ctrl+k", "right", "right")
        assert [item.name for item in desk.preset.outputs if item.muted] == ["Top L"]
        await desk.go("Top L", ("eq", 0))
        await desk.keys("ctrl+b", "down", "left")
        assert desk.preset.output("Top L").eq[0].bypassed
        assert not desk.preset.output("Top L").eq[1].bypassed
        await desk.go("Sub", "delay")
        await desk.keys(*"77", "ctrl+z", *"5", "enter")
        assert desk.value("Sub", "delay") == 5.0
        assert desk.preset.output("Top L").eq[0].bypassed, "the typing was taken back, no step"

    at_desk(steps)


def test_a_choice_in_the_palette_is_of_the_place_it_was_made_for() -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Sub", "gain")
        await desk.keys("/")
        await desk.dialog(FindDialog)
        await desk.keys(*"mute", "enter", "right", "right", "down")
        await desk.until(lambda: any(item.muted for item in desk.preset.outputs))
        assert [item.name for item in desk.preset.outputs if item.muted] == ["Sub"]

    at_desk(steps)


def test_keys_go_to_a_pane_that_is_read_and_come_back() -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        await desk.keys("f4")
        await desk.until(lambda: app.focused is not None and app.focused.id == "findings")
        await desk.until(lambda: app.query_one(AdvicePane).findings)
        await desk.keys("enter")
        await desk.until(lambda: "listener “Row 3” has no cell" in desk.readout)
        await desk.keys("escape")
        await desk.until(lambda: desk.grid.has_focus)
        assert app._pane == "advice", "the pane stays"
        await desk.keys("f5")
        await desk.until(lambda: app.focused is not None and app.focused.id == "notes")
        await desk.keys("escape")
        await desk.until(lambda: desk.grid.has_focus)
        await desk.keys("f3")  # arrivals are watched while the sheet is typed into
        await desk.until(lambda: app._pane == "arrivals")
        await desk.settle()
        assert desk.grid.has_focus

    at_desk(steps, size=(120, 40))


def test_keys_go_to_the_curves_and_come_back() -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("f8")
        assert desk.app.focused is desk.app.plot
        assert "curves: ← → cursor" in desk.readout
        await desk.keys("right", "escape")
        assert desk.app.plot.cursor_hz is None
        assert desk.app.focused is desk.app.plot
        await desk.keys("escape")
        assert desk.grid.has_focus
        assert "Sub, delay" in desk.readout

    at_desk(steps)


def test_nothing_is_shown_where_nothing_stands_yet(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.enter("Sub", "gain", "-7")
        desk.app.session._journal.flush()
        kept = Path(hall_path).with_name(".hall.json.journal").read_bytes()
        Path(hall_path).with_name("kept").write_bytes(kept)

    at_desk(steps, hall_path)
    journal = Path(hall_path).with_name(".hall.json.journal")
    journal.write_bytes(Path(hall_path).with_name("kept").read_bytes())

    async def offered(desk: Desk) -> None:
        await desk.dialog(RecoverDialog)
        assert "Column" not in desk.text()
        assert "less than a minute ago" in " ".join(desk.text().split())
        await desk.keys("enter")
        await desk.until(lambda: desk.app.session is not None)
        await desk.until(lambda: "1 step recovered; ^S saves" in desk.readout)
        assert desk.value("Sub", "gain") == -7.0

    at_desk(offered, hall_path)


def test_the_line_below_counts_the_columns_edited_together() -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("shift+right", "shift+right")
        assert desk.readout.startswith("3 columns together   Top R, delay  0.00 ms")
        await desk.keys(*"+1", "enter")
        assert [desk.value(name, "delay") for name in ("Sub", "Top L", "Top R")] == [1.0] * 3
        await desk.keys("left")
        assert desk.readout.startswith("Top L, delay")

    at_desk(steps)
