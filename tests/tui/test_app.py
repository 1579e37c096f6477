"""The whole workbench by its keys: values first, then what stands on the screen.

What is expected is what the workbench promises its users, which has no outside reference, unless a
source is named beside a check.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace
from textual.widgets import OptionList

import xover
from tests.tui.desk import Desk, at_desk
from xover.files.preset_json import dumps
from xover.model import rules
from xover.model.processing import Crossover
from xover.session.cells import Cell
from xover.tui.dialogs.align import AlignDialog
from xover.tui.dialogs.ask import AirDialog, AskDialog
from xover.tui.dialogs.import_trace import ImportDialog
from xover.tui.dialogs.picking import NameList, Tick
from xover.tui.dialogs.stimulus import ListenDialog
from xover.tui.field import Field
from xover.tui.panes.advice import AdvicePane
from xover.tui.panes.archive import ArchivePane
from xover.tui.panes.arrivals import ArrivalsPane
from xover.tui.panes.base import Pane
from xover.tui.panes.notes import NotesArea, NotesPane
from xover.tui.panes.power import PowerPane
from xover.tui.panes.processor import ProcessorPane
from xover.tui.readout import cell_at


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
        assert desk.title.endswith(" saved")
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
    """DB are 20·log10 of the amplitude ratio (definition, ISO 80000-8)."""

    async def steps(desk: Desk) -> None:
        await desk.drawn()
        before = desk.curve("Top L").values.copy()
        old = desk.value("Top L", "gain")
        await desk.enter("Top L", "gain", "-4.5")
        await desk.drawn()
        moved = desk.curve("Top L").values - before
        assert np.nanmax(np.abs(moved - (-4.5 - old))) < 1e-9

    at_desk(steps, hall_path)


def test_spellings(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        for row, text, shown in (
            ("gain", "-4", "−4.0"), ("polarity", "inv", "inverted"),
            ("low_pass", "lr48 110", "LR48 110"), ("high_pass", "bw18 32", "BW18 32"),
            (("eq", 0), "peak 46 -3 q2", "peak 46 −3.0 q2"), ("rms", "+7", "+7.0 dBu 150/600 ms"),
            ("peak", "off", "–"), ("route", "left -3", "Left −3.0"),
        ):  # fmt: skip
            was = desk.value("Sub", row)
            await desk.enter("Sub", row, text)
            assert desk.grid.sentence == ""
            assert desk.value("Sub", row) != was
            assert desk.shown("Sub", row) == shown
        await desk.enter("Sub", "delay", "1.2 m")
        # The definition: length over the speed of sound; 344.7 m/s at 22.5 °C by ISO 9613-1.
        assert desk.value("Sub", "delay") == pytest.approx(1200.0 / 344.66, rel=1e-4)

    at_desk(steps, hall_path)


def test_what_is_not_understood_stays_marked_and_changes_nothing(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        was = desk.preset
        await desk.enter("Sub", "delay", "three and a bit")
        assert desk.preset is was
        assert desk.title.endswith(" saved")
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
        assert desk.title.endswith(" saved")
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
    free = replace(xover.load(hall_path), groups=())
    Path(hall_path).write_bytes(dumps(free))

    async def steps(desk: Desk) -> None:
        left, right = desk.preset.output("Top L"), desk.preset.output("Top R")
        assert left.inputs != right.inputs
        await desk.enter("Top L", "gain", "-7")
        await desk.keys("ctrl+right")
        assert desk.preset.output("Top R").gain_db == -7.0
        assert desk.preset.output("Top R").inputs == left.inputs
        assert desk.preset.output("Top L").inputs == right.inputs
        assert desk.title.endswith("2 steps unsaved")
        await desk.go("Delay R", "delay")
        was = desk.preset
        await desk.keys("ctrl+right")
        assert desk.preset is was
        assert "no output to the right" in desk.readout
        await desk.go(desk.preset.inputs[0].name, "delay", "input")
        await desk.keys("ctrl+right")
        assert desk.preset is was
        assert "Only outputs are swapped" in desk.readout

    at_desk(steps, hall_path)


def test_several_columns_of_one_row_together(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        await desk.go("Sub", "gain")
        await desk.keys("shift+right", "shift+right", "shift+right")
        await desk.type("-2", "enter")
        gains = {item.name: item.gain_db for item in desk.preset.outputs}
        assert gains == {
            "Sub": -2.0,
            "Top L": -2.0,
            "Top R": -2.0,
            "Delay L": -2.0,
            "Delay R": -2.0,
        }
        assert desk.title.endswith("1 step unsaved")
        await desk.keys("ctrl+z")
        assert desk.preset == desk.app._saved

    at_desk(steps, hall_path)


def test_locked_cells_refuse_with_a_sentence() -> None:
    async def steps(desk: Desk) -> None:
        column, row, cell = next(
            (column.name, cell_row, cell)
            for column in desk.grid._view.columns
            for cell_row, cell in column.cells.items()
            if cell.locked and cell.value is not None
        )
        was = desk.preset
        for keys in (("off", "enter"), ("delete",), ("]",)):
            await desk.go(column, row)
            await desk.keys(*(keys[0] if len(keys) > 1 else ()), keys[-1])
            assert desk.preset is was
            assert "is locked" in desk.readout, keys
            assert "unlock" in desk.readout
        assert desk.shown(column, row) == cell.text

    at_desk(steps, "presets/hillside-chapel.json")


def test_mute_bypass_rename_air(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        await desk.keys("ctrl+k")
        assert desk.preset.output("Sub").muted
        await desk.drawn()
        assert "Sub" not in [each.label for each in app.plot.data.upper]
        await desk.keys("ctrl+k")
        assert not desk.preset.output("Sub").muted

        await desk.keys("ctrl+b")
        assert "EQ section" in desk.readout
        await desk.go("Sub", ("eq", 0))
        await desk.keys("ctrl+b")
        assert desk.value("Sub", ("eq", 0)).bypassed
        assert desk.shown("Sub", ("eq", 0)).endswith("bypassed")

        await desk.keys("ctrl+r")
        await desk.dialog(AskDialog)
        await desk.keys("ctrl+u")
        await desk.type("Floor", "enter")
        await desk.until(lambda: len(app.screen_stack) == 1)
        assert next(item.name for item in desk.preset.outputs) == "Floor"
        assert all(item.output != "Sub" for item in desk.preset.measurements)
        assert desk.grid.cursor == Cell("Floor", ("eq", 0))
        await desk.drawn()
        assert "Floor" in [each.label for each in app.plot.data.upper]

        await desk.keys("ctrl+r")
        await desk.dialog(AskDialog)
        await desk.keys("ctrl+u")
        await desk.type("top l", "enter")
        await desk.until(lambda: len(app.screen_stack) == 1)
        assert "already a name" in desk.readout

        await desk.keys("ctrl+e")
        await desk.dialog(AirDialog)
        await desk.keys("ctrl+u")
        await desk.type("31", "enter")
        await desk.until(lambda: len(app.screen_stack) == 1)
        assert desk.preset.air.temperature_c == 31.0
        assert "31.0 °C" in desk.title

    at_desk(steps, hall_path)


def test_what_stands_under_the_curves_and_which_curves(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        await desk.drawn()
        units = []
        for _ in range(4):
            units.append(app.plot.data.lower_unit)
            await desk.keys("f6")
            await desk.drawn()
        assert set(units) == {"deg", "ms", "γ²"}
        assert "at Row 8" in app.plot.data.title
        seen = {app.listening.what: app.plot.data.title}
        captured = False
        for _ in range(3):
            await desk.keys("f7")
            await desk.drawn()
            seen[app.listening.what] = app.plot.data.title
            captured |= any("captured" in each.label for each in app.plot.data.upper)
        assert seen["outputs"].startswith("electrical responses")
        assert captured
        assert app.listening.what == "sum"

    at_desk(steps, hall_path, size=(120, 40))


def test_a_figure_typed_over_an_array_says_whose_difference_is_lost(hall_path: str) -> None:
    """A gradient pair is a group: 5 ms typed into its front would make one box of the two."""
    pair = xover.gradient(2, 1.0, 343.2)
    array = xover.array_preset(xover.load(hall_path), "Sub", pair)
    Path(hall_path).write_bytes(dumps(array.preset))

    async def steps(desk: Desk) -> None:
        rear = desk.preset.groups[-1].outputs[1]
        apart_ms = desk.value(rear, "delay") - desk.value("Sub", "delay")  # type: ignore[operator]
        assert apart_ms > 2.0
        await desk.enter("Sub", "delay", "5")
        said = " ".join(desk.readout.split())
        assert f"“{rear}” follows, differed before and now reads the same" in said
        assert "^Z takes it back" in said
        await desk.keys("ctrl+z")
        await desk.keys("]")
        assert desk.value(rear, "delay") - desk.value("Sub", "delay") == pytest.approx(apart_ms)  # type: ignore[operator]
        assert "differed" not in desk.readout

    at_desk(steps, hall_path)


def test_the_curves_key_never_does_nothing(hall_path: str) -> None:
    """Without captures the next stop is the outputs; without listeners a sentence says why."""

    async def uncaptured(desk: Desk) -> None:
        seen = []
        for _ in range(3):
            await desk.keys("f7")
            await desk.drawn()
            seen.append(desk.app.listening.what)
        assert seen == ["outputs", "sum", "outputs"]

    async def unheard(desk: Desk) -> None:
        await desk.keys("f7")
        assert "nobody sits in this preset yet" in " ".join(desk.readout.split())

    bare = replace(xover.load(hall_path), measurements=())
    for preset, steps in ((bare, uncaptured), (replace(bare, listeners=()), unheard)):
        Path(hall_path).write_bytes(dumps(preset))
        at_desk(steps, hall_path)


def test_choosing_where_to_listen_and_what_is_played(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        await desk.drawn()
        before = desk.curve("Sub").values
        await desk.keys("ctrl+l")
        dialog = await desk.dialog(ListenDialog)
        dialog.query_one("#listener", NameList).choose(["Row 16"])
        await desk.keys("ctrl+g")
        await desk.until(lambda: len(app.screen_stack) == 1)
        await desk.drawn()
        assert app.listening.listener == "Row 16"
        assert "at Row 16" in app.plot.data.title
        assert not np.array_equal(desk.curve("Sub").values, before)
        assert desk.title.endswith(" saved")  # where one listens is no edit

        await desk.keys("ctrl+l")
        dialog = await desk.dialog(ListenDialog)
        dialog.query_one("#keep", Tick).action_tick()
        await desk.keys("ctrl+g")
        await desk.until(lambda: len(app.screen_stack) == 1)
        assert desk.preset.stimulus is not None
        await desk.keys("escape")
        assert not rules.faults(desk.preset)

    at_desk(steps, hall_path)


def test_panes(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        for key, kind in (
            ("f3", ArrivalsPane),
            ("f10", PowerPane),
            ("f4", AdvicePane),
            ("f5", NotesPane),
            ("ctrl+d", ArchivePane),
            ("f11", ProcessorPane),
        ):
            await desk.keys(key)
            await desk.until(
                lambda kind=kind: app.query(kind) and not app.query_one(kind).is_pending
            )
            assert len(app.query(Pane)) == 1
            await desk.until(lambda: app.query_one(Pane).region.height > 5)
            await desk.keys(key)
            await desk.until(lambda: not app.query(Pane) and desk.grid.has_focus)
        for kind in (ArrivalsPane, PowerPane, AdvicePane, NotesPane, ArchivePane, ProcessorPane):
            await desk.keys("f2")
            await desk.until(lambda kind=kind: bool(app.query(kind)))
        await desk.keys("f2")
        await desk.until(lambda: not app.query(Pane))

        # Advice: Enter goes to the cell.
        await desk.enter("Sub", "high_pass", "off")
        await desk.go("Delay L", "gain")
        await desk.keys("f4")
        await desk.until(lambda: any(pane.findings for pane in app.query(AdvicePane)))
        pane = app.query_one(AdvicePane)
        places = [finding.where for finding in pane.findings]
        at = next(n for n, place in enumerate(places) if place.startswith("outputs[0]"))
        pane.query_one(OptionList).focus()
        pane.query_one(OptionList).highlighted = at
        await desk.settle()
        await desk.keys("enter")
        await desk.until(lambda: desk.grid.has_focus)
        assert desk.grid.cursor == cell_at(desk.preset, places[at])
        assert desk.grid.cursor.column == "Sub"

        # Notes: what is typed becomes one step when the pane is left.
        await desk.keys("f5")
        await desk.until(lambda: bool(app.query(NotesPane)))
        area = app.query_one(NotesArea)
        area.focus()
        await desk.settle()
        steps_before = app.session.steps_unsaved
        await desk.type("Fuse! ")
        await desk.keys("f5")
        await desk.until(lambda: not app.query(Pane))
        await desk.until(lambda: desk.preset.notes.startswith("Fuse! Tops on the stage wings"))
        assert app.session.steps_unsaved == steps_before + 1
        assert app.session.next_undo == "notes"

    at_desk(steps, hall_path, size=(120, 40))


def test_aligning_end_to_end(hall_path: str) -> None:
    """The sub is put 3 ms late; the search finds where it stood within 0.05 ms, in one step."""
    before = xover.load(hall_path)

    async def steps(desk: Desk) -> None:
        app = desk.app
        late_ms = before.output("Sub").delay_ms + 3.0
        await desk.enter("Sub", "delay", f"{late_ms}")
        late = desk.preset
        await desk.keys("ctrl+a")
        dialog = await desk.dialog(AlignDialog)
        assert dialog.query_one("#move", NameList).chosen == ("Sub",)
        dialog.query_one("#to", NameList).choose(["Top L"])
        dialog.query_one("#at", NameList).choose(["Row 8", "Row 16"])
        await desk.keys("ctrl+g")
        await desk.until(lambda: dialog.found is not None)
        assert desk.preset is late
        curves = dialog.found.curves
        assert [curve.label for curve in curves] == ["before", "after"]
        await desk.keys("ctrl+g")
        await desk.until(lambda: len(app.screen_stack) == 1)
        await desk.settle()
        assert app.session.steps_unsaved == 2
        assert app.session.next_undo.startswith("align to Top L: Sub")
        moved = desk.preset.output("Sub").delay_ms - desk.preset.output("Top L").delay_ms
        was = before.output("Sub").delay_ms - before.output("Top L").delay_ms
        assert moved == pytest.approx(was, abs=0.05)
        assert desk.preset.output("Sub").polarity == before.output("Sub").polarity
        await desk.keys("ctrl+z")
        assert desk.preset == late

    at_desk(steps, hall_path, size=(100, 32))


def test_importing_a_capture_end_to_end(hall_path: str) -> None:
    async def steps(desk: Desk) -> None:
        app = desk.app
        count = len(desk.preset.measurements)
        await desk.keys("ctrl+t")
        dialog = await desk.dialog(ImportDialog)
        dialog.query_one("#path", Field).value = str(Path("docs/tour/sub.wav").resolve())
        await desk.settle()
        await desk.keys("enter")
        await desk.until(lambda: dialog.capture is not None)
        await desk.settle()
        await desk.keys("ctrl+g")
        await desk.keys("ctrl+g")  # nothing is assumed
        await desk.until(lambda: dialog.query_one("#problem").display)
        dialog.query_one("#output", NameList).choose(["Sub"])
        dialog.query_one("#listener", NameList).choose(["Row 24"])
        dialog.query_one("#captured", NameList).choose(["flat"])
        dialog.query_one("#session", Field).value = "Sunday"
        await desk.settle()
        await desk.keys("ctrl+g")
        await desk.until(lambda: len(app.screen_stack) == 1)
        await desk.settle()
        assert len(desk.preset.measurements) == count + 1
        new = desk.preset.measurements[-1]
        assert (new.output, new.listener, new.trace.session) == ("Sub", "Row 24", "Sunday")
        assert desk.title.endswith("1 step unsaved")
        assert not rules.faults(desk.preset)

    at_desk(steps, hall_path, size=(100, 32))
