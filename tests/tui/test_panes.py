"""The companion panes in a small host: figures first, then what they ask for.

Arrival times are held against the closed formula of ISO 9613-1 (c = 343.2·√(T/293.15 K)); how
panes behave is what the workbench promises its users, and has no outside reference.
"""

from __future__ import annotations

import asyncio
import math
from dataclasses import dataclass
from pathlib import Path

import pytest
from msgspec.structs import replace
from textual.pilot import Pilot
from textual.widgets import OptionList

import xover
from tests.acoustics.rigs import rig
from tests.tui.hosting import Host, idle, paste, run, type_in, until
from xover.design.advice import advise
from xover.model.changes import with_output
from xover.model.drive import Drive, drive_of
from xover.model.preset import Preset
from xover.model.problems import Finding, Refused
from xover.model.rig import Listener
from xover.sheets.cells import width_of
from xover.tui.app import Workbench
from xover.tui.panes.advice import AdvicePane, finding_content
from xover.tui.panes.arrivals import ArrivalsPane, read_temperature
from xover.tui.panes.arrivals_view import (
    Place,
    Row,
    arrivals_table,
    bar_of,
    scale_line,
    scale_of,
    table_lines,
)
from xover.tui.panes.base import Pane
from xover.tui.panes.notes import STAND_IN, NotesArea, NotesPane, visible
from xover.tui.readout import cell_at
from xover.tui.reflow import Reflowed

HOSTILE = "[b]evil[/b] \u202e\u0301"


@dataclass(frozen=True)
class Opened:
    """What a pane reads of a session."""

    preset: Preset
    read_only: str = ""


def hall() -> Preset:
    return xover.load(xover.default_example())


def barn() -> Preset:
    """Two boxes 10 m and 20 m from the listener, the far one delayed by 5 ms more."""
    preset = rig({"Near": (0.0, 10.0, 0.0), "Far": (0.0, 20.0, 0.0)})
    return with_output(preset, "Far", delay_ms=5.0)


def speed_m_s(temperature_c: float) -> float:
    """ISO 9613-1: 343.2 m/s at 293.15 K, growing with the root of the temperature."""
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


class TestArrivalsTable:
    def test_times_are_flight_and_delay_after_the_first(self) -> None:
        table = arrivals_table(barn(), drive_of(barn()))
        (place,) = table.places
        assert place.first == "Near"
        assert place.first_ms == pytest.approx(10_000.0 / 343.2, abs=1e-9)  # ISO 9613-1 at 20 °C
        far = place.rows[1]
        assert (far.output, far.distance_m, far.delay_ms) == ("Far", 20.0, 5.0)
        assert far.relative_ms == pytest.approx(10_000.0 / 343.2 + 5.0, abs=1e-9)
        assert far.flight_ms == pytest.approx(20_000.0 / 343.2, abs=1e-9)
        assert far.drift_ms is None

    def test_warmer_air_brings_the_far_box_nearer_by_the_formula(self) -> None:
        table = arrivals_table(barn(), drive_of(barn()), 35.0)
        (place,) = table.places
        near, far = place.rows
        assert table.is_what_if
        assert near.drift_ms == pytest.approx(0.0, abs=1e-12)
        expected = 10_000.0 / speed_m_s(35.0) - 10_000.0 / speed_m_s(20.0)
        assert expected < -0.5
        assert far.drift_ms == pytest.approx(expected, abs=1e-9)
        assert far.delay_ms == 5.0

    def test_twice_the_distance_is_6_db_less(self) -> None:
        """The inverse-square law: 20·log10 2 = 6.02 dB, air absorption aside."""
        (place,) = arrivals_table(barn(), drive_of(barn())).places
        near, far = place.rows
        assert near.level_db - far.level_db == pytest.approx(6.02, abs=0.5)

    def test_a_silent_output_is_never_the_first(self) -> None:
        muted = with_output(barn(), "Near", muted=True)
        (place,) = arrivals_table(muted, drive_of(muted)).places
        assert place.first == "Far"
        assert place.rows[0].output == "Near"
        assert place.rows[0].relative_ms < 0.0
        assert "silent" in "\n".join(one.plain for one in table_lines(
            arrivals_table(muted, drive_of(muted)), 70))  # fmt: skip

    def test_crossings_say_what_they_lose_before_and_after(self) -> None:
        preset = hall()
        drive = drive_of(preset)
        (today,) = [p for p in arrivals_table(preset, drive).places if p.listener == "Row 8"]
        (warm,) = [p for p in arrivals_table(preset, drive, 40.0).places if p.listener == "Row 8"]
        assert [loss.before_db for loss in today.losses] == [None]
        assert warm.losses[0].before_db == today.losses[0].loss_db
        assert warm.losses[0].loss_db != today.losses[0].loss_db

    def test_a_preset_without_listeners_or_sources_says_so(self) -> None:
        bare = replace(hall(), listeners=(), measurements=())
        assert "no listeners" in table_lines(arrivals_table(bare, drive_of(bare)), 60)[-1].plain
        unplaced = replace(hall(), sources=(), measurements=())
        text = "\n".join(
            one.plain for one in table_lines(arrivals_table(unplaced, drive_of(unplaced)), 60)
        )
        assert "no output has a source with a position" in text


class TestTimeline:
    @pytest.mark.parametrize(
        ("latest_ms", "scale_ms"),
        [(0.0, 1.0), (1.0, 1.0), (1.01, 2.0), (2.0, 2.0), (3.0, 5.0), (7.0, 10.0), (76.3, 100.0)],
    )
    def test_the_scale_is_the_next_round_figure(self, latest_ms: float, scale_ms: float) -> None:
        assert scale_of(latest_ms) == scale_ms

    @pytest.mark.parametrize(
        ("relative_ms", "column"), [(0.0, 0), (25.0, 10), (50.0, 20), (100.0, 40), (-3.0, 0)]
    )
    def test_marks_stand_to_scale(self, relative_ms: float, column: int) -> None:
        row = Row("A", relative_ms, None, -12.0, "relative", 1.0, 1.0, 0.0)
        loud = Row("B", 0.0, None, 0.0, "relative", 1.0, 1.0, 0.0)
        bar = bar_of(row, Place("Seat", "B", 0.0, (loud, row), ()), 100.0, 41)
        assert len(bar) == 41
        assert bar.rstrip() == "·" * column + "▄"  # 12 dB down: four eighths less than full
        assert bar_of(loud, Place("Seat", "B", 0.0, (loud, row), ()), 100.0, 41)[0] == "█"

    def test_the_axis_is_as_wide_as_the_timeline(self) -> None:
        for width in (16, 20, 61):
            assert len(scale_line(100.0, width)) == width

    @pytest.mark.parametrize("width", [1, 7, 20, 30, 38, 46, 51, 52, 60, 80, 118])
    def test_no_line_is_wider_than_the_pane(self, width: int) -> None:
        preset = hall()
        for temperature_c in (None, 33.0):
            table = arrivals_table(preset, drive_of(preset), temperature_c)
            lines = "\n".join(one.plain for one in table_lines(table, width)).split("\n")
            if width >= 30:
                assert max(width_of(one) for one in lines) <= width
            assert "Row 24" in "".join(lines) or width < 20


def test_temperatures_are_read_as_people_type_them() -> None:
    assert read_temperature("28") == 28.0
    assert read_temperature(" −3,5 °C ") == -3.5
    with pytest.raises(Refused, match="is no temperature; type degrees such as 28"):
        read_temperature("[b]warm[/b]")
    for text in ("100", "nan", "inf", "-31"):
        with pytest.raises(Refused, match=r"^a temperature of "):
            read_temperature(text)


class TestArrivalsPane:
    def test_a_nudge_is_a_what_if_and_enter_applies_it(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: ArrivalsPane = app.held
            pane.show(Opened(barn()))
            await until(pilot, lambda: pane.table is not None)
            assert "20.0 °C" in app.text()
            app.set_focus(pane.query_one("#temperature"))
            await pilot.press("right_square_bracket", "right_curly_bracket")
            await until(pilot, lambda: not pane.is_pending)
            assert pane.what_if_c == 25.5
            assert pane.table is not None
            assert pane.table.temperature_c == 25.5
            assert "the preset says 20.0 °C" in " ".join(app.text().split())
            assert app.of(ArrivalsPane.SetTemperature) == []
            await pilot.press("enter")
            await pilot.pause()
            (asked,) = app.of(ArrivalsPane.SetTemperature)
            assert asked.temperature_c == 25.5
            applied = replace(barn(), air=replace(barn().air, temperature_c=25.5))
            pane.show(Opened(applied))
            await until(pilot, lambda: pane.table is not None and not pane.table.is_what_if)
            assert pane.what_if_c is None

        run(ArrivalsPane, steps)

    def test_escape_leaves_the_what_if(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: ArrivalsPane = app.held
            pane.show(Opened(barn()))
            app.set_focus(pane.query_one("#temperature"))
            await pilot.press("left_square_bracket")
            assert pane.what_if_c == 19.5
            await pilot.press("escape")
            assert pane.what_if_c is None
            await until(pilot, lambda: not pane.is_pending)
            assert pane.table is not None
            assert pane.table.temperature_c == 20.0

        run(ArrivalsPane, steps)

    def test_what_is_no_temperature_is_said_and_changes_nothing(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: ArrivalsPane = app.held
            pane.show(Opened(barn()))
            field = pane.query_one("#temperature")
            app.set_focus(field)
            await pilot.press("end", "x", "enter")
            assert pane.what_if_c is None
            assert "is no temperature" in app.text()
            await paste(app, pilot, "1\x1b[31m")
            assert "control character" in app.text()
            await paste(app, pilot, "9" * 2_000_000)
            assert "2000000 characters are too many" in app.text()

        run(ArrivalsPane, steps, size=(100, 24))

    def test_held_keys_never_queue_up(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: ArrivalsPane = app.held
            preset = hall()
            for step in range(50):
                preset = with_output(preset, "Sub", delay_ms=float(step))
                pane.show(Opened(preset))
            await until(pilot, lambda: not pane.is_pending)
            assert pane.table is not None
            place = pane.table.places[1]
            (sub,) = [row for row in place.rows if row.output == "Sub"]
            assert sub.delay_ms == 49.0
            started = [worker for worker in app.workers if worker.node is pane]
            assert len(started) <= 2

        run(ArrivalsPane, steps)

    def test_hostile_names_show_as_themselves(self) -> None:
        preset = replace(barn(), listeners=(Listener(name=HOSTILE, position_m=(0.0, 0.0, 0.0)),))

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            app.held.show(Opened(preset))
            await until(pilot, lambda: app.held.table is not None)
            await pilot.pause()
            assert "[b]evil[/b] \\u202e" in app.text()
            assert "\u202e" not in app.text()

        run(ArrivalsPane, steps)

    def test_the_played_drive_counts(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: ArrivalsPane = app.held
            pane.show(Opened(hall()), drive=Drive({"Right": 0.0}))
            await until(pilot, lambda: pane.table is not None)
            assert pane.table is not None
            rows = {row.output: row.level_db for row in pane.table.places[0].rows}
            assert rows["Top L"] == -math.inf
            assert rows["Top R"] > 0.0

        run(ArrivalsPane, steps)

    def test_what_is_shown_before_mounting_is_computed_then(self) -> None:
        def make() -> ArrivalsPane:
            pane = ArrivalsPane()
            pane.show(Opened(barn()))
            return pane

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            await until(pilot, lambda: app.held.table is not None)
            assert app.held.query_one("#temperature").value == "20.0"

        run(make, steps)


class TestAdvicePane:
    def test_findings_are_those_of_the_engine_and_enter_jumps(self) -> None:
        preset = with_output(
            hall(), "Top L", high_pass=None, muted=False
        )  # a top without its high-pass is always worth a word
        expected = advise(preset)
        assert len(expected) >= 2

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: AdvicePane = app.held
            pane.show(Opened(preset))
            await until(pilot, lambda: pane.findings == expected)
            app.set_focus(pane.query_one("#findings"))
            await pilot.press("home", "down", "enter")
            await pilot.pause()
            assert [message.where for message in app.of(Pane.JumpTo)] == [expected[1].where]
            counts = app.of(AdvicePane.Counted)[-1].counts
            assert sum(counts.values()) == len(expected)

        run(AdvicePane, steps)

    def test_enter_goes_from_place_to_place_of_one_finding(self) -> None:
        warm = hall()
        warm = replace(warm, air=replace(warm.air, temperature_c=40.0))
        stale = next(one for one in advise(warm) if one.code == "capture-stale")
        places = [stale.where, *stale.also]
        assert len(places) > 2

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: AdvicePane = app.held
            pane.show(Opened(warm))
            await until(pilot, lambda: bool(pane.findings))
            choices = pane.query_one("#findings", OptionList)
            choices.highlighted = [one.code for one in pane.findings].index("capture-stale")
            app.set_focus(choices)
            await pilot.press(*["enter"] * (len(places) + 1))
            await pilot.pause()
            assert [message.where for message in app.of(Pane.JumpTo)] == [*places, places[0]]
            cells = [cell_at(warm, where) for where in places]
            assert [cell.column for cell in cells if cell] == [
                warm.measurements[at].output for at in range(len(places))
            ]

        run(AdvicePane, steps)

    def test_the_highlight_stays_on_its_finding(self) -> None:
        before = hall()
        after = with_output(before, "Top L", high_pass=None)
        last = advise(before)[-1]
        assert [(one.code, one.where) for one in advise(after)].index((last.code, last.where)) > 0

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: AdvicePane = app.held
            pane.show(Opened(before))
            await until(pilot, lambda: bool(pane.findings))
            choices = pane.query_one("#findings", OptionList)
            choices.highlighted = len(pane.findings) - 1
            held = pane.findings[-1]
            pane.show(Opened(after))
            await until(pilot, lambda: pane.findings == advise(after))
            assert choices.highlighted is not None
            now = pane.findings[choices.highlighted]
            assert (now.code, now.where) == (held.code, held.where)

        run(AdvicePane, steps)

    def test_nothing_to_report_is_said(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("xover.design.advice.RULES", ())

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            app.held.show(Opened(hall()))
            await until(pilot, lambda: not app.held.is_pending)
            await pilot.pause()
            assert "Nothing to report about this preset." in app.text()

        run(AdvicePane, steps)

    def test_cautions_and_hostile_names_are_shown(self) -> None:
        finding = Finding("x", "warning", "outputs[0]", f"“{HOSTILE}” is loud", "Mind your ears.")
        text = finding_content(finding, "Sub").plain
        assert "[b]evil[/b] \\u202e" in text
        assert "Caution: Mind your ears." in text


class TestNotesPane:
    def test_what_was_typed_is_asked_for_after_leaving(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: NotesPane = app.held
            pane.show(Opened(replace(hall(), notes="one\ntwo")))
            area = pane.query_one(NotesArea)
            app.set_focus(area)
            await pilot.press("end")
            await type_in(pilot, "x")
            assert app.of(NotesPane.Changed) == []
            app.set_focus(None)
            await pilot.pause()
            (asked,) = app.of(NotesPane.Changed)
            assert asked.text == "onex\ntwo"
            pane.hand_over()
            await pilot.pause()
            assert len(app.of(NotesPane.Changed)) == 1

        run(NotesPane, steps)

    def test_a_pause_is_enough(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("xover.tui.panes.notes.PAUSE_S", 0.05)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: NotesPane = app.held
            pane.show(Opened(replace(hall(), notes="")))
            app.set_focus(pane.query_one(NotesArea))
            await type_in(pilot, "ab")
            await until(pilot, lambda: bool(app.of(NotesPane.Changed)))
            assert app.of(NotesPane.Changed)[-1].text == "ab"

        run(NotesPane, steps)

    def test_taking_the_pane_away_loses_nothing(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: NotesPane = app.held
            pane.show(Opened(replace(hall(), notes="")))
            app.set_focus(pane.query_one(NotesArea))
            await type_in(pilot, "kept")
            await pane.remove()
            await until(pilot, lambda: bool(app.of(NotesPane.Changed)))
            assert app.of(NotesPane.Changed)[-1].text == "kept"

        run(NotesPane, steps)

    def test_other_edits_leave_typing_alone_and_undo_shows(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: NotesPane = app.held
            first = replace(hall(), notes="first")
            pane.show(Opened(first))
            area = pane.query_one(NotesArea)
            app.set_focus(area)
            await type_in(pilot, "a")
            pane.show(Opened(with_output(first, "Sub", delay_ms=3.0)))
            assert area.text == "afirst"
            pane.hand_over()
            pane.show(Opened(replace(first, notes="afirst")))
            pane.show(Opened(first))
            assert area.text == "first"

        run(NotesPane, steps)

    def test_read_only_takes_no_typing(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: NotesPane = app.held
            pane.show(Opened(replace(hall(), notes="as it is"), read_only="held elsewhere"))
            app.set_focus(pane.query_one(NotesArea))
            await type_in(pilot, "x")
            assert pane.query_one(NotesArea).text == "as it is"

        run(NotesPane, steps)

    def test_saving_takes_what_was_typed_a_moment_ago(self, tmp_path: Path) -> None:
        path = tmp_path / "hall.json"
        xover.save(replace(hall(), notes="one"), path, overwrite=False)

        async def main() -> None:
            app = Workbench(str(path))
            async with app.run_test(size=(120, 40)) as pilot:
                await until(pilot, lambda: app.session is not None and bool(app.query("#grid")))
                await pilot.press("f5")
                await until(pilot, lambda: bool(app.query(NotesArea)))
                app.query_one(NotesArea).focus()
                await pilot.press("x", "ctrl+s")
                await until(pilot, lambda: xover.load(path).notes == "xone")
                await until(pilot, lambda: app.session is not None)
                assert app.session is not None
                assert app.session.steps_unsaved == 0
                await pilot.press("y", "ctrl+z")
                await until(pilot, lambda: app.query_one(NotesArea).text == "xone")

        asyncio.run(main())

    def test_unseen_marks_are_shown_and_kept(self) -> None:
        notes = "a\u202eb\u200bc"

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: NotesPane = app.held
            pane.show(Opened(replace(hall(), notes=notes)))
            await pilot.pause()
            assert f"a{STAND_IN}b{STAND_IN}c" in app.text()
            assert "\u202e" not in app.text()
            assert pane.query_one(NotesArea).text == notes
            app.set_focus(pane.query_one(NotesArea))
            await paste(app, pilot, "x\x1b[2Jy")
            assert "control character" in app.text()
            await paste(app, pilot, "z" * 1_100_000)
            assert "1100000 characters" in app.text()
            assert pane.query_one(NotesArea).text == notes

        run(NotesPane, steps)

    def test_visible_keeps_the_length(self) -> None:
        assert visible("plain é 漢") == "plain é 漢"
        line = "a\x1b\u2028\ud800\tz"
        assert len(visible(line)) == len(line)
        assert visible(line) == f"a{STAND_IN}{STAND_IN}{STAND_IN}\tz"


@pytest.mark.parametrize("size", [(2, 40), (40, 2), (160, 48)])
def test_every_pane_bears_every_size(size: tuple[int, int]) -> None:
    for make in (ArrivalsPane, AdvicePane, NotesPane):

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            app.held.show(Opened(with_output(hall(), "Top L", high_pass=None)))
            await until(pilot, lambda: not app.held.is_pending)
            await pilot.press("tab", "down", "x", "pagedown", "up")
            await pilot.resize_terminal(1, 1)
            await idle()
            await pilot.resize_terminal(*size)
            await pilot.pause()

        run(make, steps, size=size)


def test_reflowed_text_follows_the_width() -> None:
    from textual.content import Content

    async def steps(app: Host, pilot: Pilot[None]) -> None:
        app.held.show(lambda width: [Content(f"width {width}"), Content("[b]literal[/b]")])
        await pilot.pause()
        assert "width 40" in app.text()
        assert "[b]literal[/b]" in app.text()
        await pilot.resize_terminal(50, 10)
        await pilot.pause()
        assert "width 50" in app.text()

    run(Reflowed, steps, size=(40, 10))
