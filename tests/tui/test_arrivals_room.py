"""Plan, level map and table of places in the Arrivals pane: figures first.

Times are held against ways over c (ISO 9613-1), levels against the inverse distance law; what keys
do is what the workbench promises and has no outside reference.
"""

from __future__ import annotations

import math
import threading

import pytest
from msgspec.structs import replace
from textual.pilot import Pilot

from tests.acoustics.rigs import STILL_AIR, rig
from tests.tui.desk import Desk, at_desk
from tests.tui.hosting import Host, paste, run, type_in, until
from tests.tui.test_panes import Opened
from xover.acoustics.bands import Band
from xover.model.changes import with_output
from xover.model.drive import drive_of
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.rig import Listener
from xover.tui.panes import arrivals_room
from xover.tui.panes.arrivals import VIEWS, ArrivalsPane, View
from xover.tui.panes.arrivals_places import PlacesTable, read_coordinate
from xover.tui.panes.arrivals_room import RoomView, spot_words
from xover.tui.panes.arrivals_view import place_at
from xover.tui.panes.band_field import BandField, band_text, read_band, step_band

HOSTILE = "[b]x[/b] \u202e"


def barn() -> Preset:
    """Near at 10 m, Far at 20 m and 5 ms later, both ahead; two seats."""
    preset = rig({"Near": (0.0, 10.0, 0.0), "Far": (0.0, 20.0, 0.0)}, air=STILL_AIR)
    preset = with_output(preset, "Far", delay_ms=5.0)
    seats = (Listener(name="Seat", position_m=(0.0, 0.0, 0.0)),
             Listener(name="Side", position_m=(6.0, 12.0, 0.0)))  # fmt: skip
    return replace(preset, listeners=seats)


def show_view(app: Host, view: View) -> ArrivalsPane:
    pane: ArrivalsPane = app.held
    pane.show(Opened(barn()))
    pane.choose_view(view)
    return pane


class TestSpot:
    def test_who_leads_anywhere_is_by_ways_over_c(self) -> None:
        """At y = 18 the far box is 2 m away, the near one 8 m; c = 343.2 m/s at 20 °C."""
        place = place_at(barn(), (0.0, 18.0, 0.0), drive_of(barn()))
        assert place.first == "Far"
        assert place.first_ms == pytest.approx(2_000.0 / 343.2 + 5.0, abs=1e-9)
        late = place.rows[1]
        assert late.relative_ms == pytest.approx(6_000.0 / 343.2 - 5.0, abs=1e-9)
        # Four times the way: 12.04 dB less, and a little air.
        assert place.rows[0].level_db - late.level_db == pytest.approx(12.04, abs=0.3)
        words = spot_words(place)
        assert words[0] == "Far leads at 10.8 ms"
        assert words[1].startswith("Near +12.5 ms −12.")

    def test_captures_say_nothing_between_seats(self) -> None:
        import xover

        hall = xover.load(xover.default_example())
        seat = hall.listener("Row 8").position_m
        there = place_at(hall, seat, drive_of(hall))
        bare = replace(hall, measurements=())
        assert there.rows == place_at(bare, seat, drive_of(hall)).rows

    def test_silence_and_problems_are_said(self) -> None:
        muted = with_output(with_output(barn(), "Near", muted=True), "Far", muted=True)
        assert spot_words(place_at(muted, (0.0, 1.0, 0.0), drive_of(muted))) == ["nothing sounds"]
        bare = replace(barn(), sources=())
        (problem,) = spot_words(place_at(bare, (0.0, 1.0, 0.0), drive_of(bare)))
        assert problem == "no output has a source with a position"


class TestPlan:
    def test_the_cursor_moves_by_keys_and_tells_what_arrives(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            room = show_view(app, "plan").room
            await until(pilot, lambda: room.spot is not None and not room.is_busy)
            assert room.cursor_m == (6.0, 12.0, 0.0)  # the middle one of the listeners
            app.set_focus(room)
            await pilot.press("space")
            await until(pilot, lambda: not room.is_busy)
            assert room.spot is not None
            assert room.spot.position_m == (0.0, 0.0, 0.0)
            assert room.spot.place.first == "Near"
            assert "Near leads at 29.1 ms" in app.text()  # 10 m at 343.2 m/s
            plan = room.plan
            assert plan is not None
            assert plan.turned
            await pilot.press("right", "shift+right")  # y lies to the right
            await until(pilot, lambda: not room.is_busy)
            x_m, y_m, _ = room.cursor_m
            row, column = plan.cell(0.0, 0.0)
            assert (x_m, y_m) == plan.at(row, column + 6)
            assert room.spot.position_m == room.cursor_m
            await pilot.press(*["shift+left"] * 7)
            assert plan.cell(*room.cursor_m[:2])[1] == 0  # never off the plan
            text = app.text()
            assert "■ Near" in text
            assert "○ Side" in text

        run(ArrivalsPane, steps)

    def test_the_temperature_asked_about_counts_here_too(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane = show_view(app, "times")
            app.set_focus(pane.query_one("#temperature"))
            await pilot.press("right_curly_bracket", "right_curly_bracket")
            pane.choose_view("plan")
            room = pane.room
            app.set_focus(room)
            await pilot.press("space")
            await until(
                pilot, lambda: not room.is_busy and room.spot is not None
                and room.spot.position_m == (0.0, 0.0, 0.0),
            )  # fmt: skip
            speed = 343.2 * math.sqrt((30.0 + 273.15) / 293.15)
            assert room.spot is not None
            assert room.spot.place.first_ms == pytest.approx(10_000.0 / speed, abs=1e-9)
            assert "30.0 °C" in app.text()

        run(ArrivalsPane, steps)

    @pytest.mark.parametrize("size", [(80, 11), (46, 30), (11, 3)])
    def test_no_size_breaks_it(self, size: tuple[int, int]) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane = show_view(app, "plan")
            for view in VIEWS:
                pane.choose_view(view)
                await until(pilot, lambda: not pane.is_pending)
                await pilot.pause()
                assert all(len(line) <= size[0] for line in app.text().split("\n"))

        run(ArrivalsPane, steps, size=size)

    def test_hostile_names_and_empty_rooms(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: ArrivalsPane = app.held
            seats = (Listener(name=HOSTILE, position_m=(0.0, 0.0, 0.0)),)
            pane.show(Opened(replace(barn(), listeners=seats)))
            pane.choose_view("plan")
            await until(pilot, lambda: not pane.is_pending)
            await pilot.pause()
            assert "[b]x[/b] \\u202e" in app.text()
            assert "\u202e" not in app.text()
            pane.show(Opened(replace(barn(), listeners=(), sources=())))
            await until(pilot, lambda: not pane.is_pending)
            await pilot.pause()
            assert "No source and no listener has a place yet." in app.text()

        run(ArrivalsPane, steps)


class TestLevelMap:
    def test_opens_in_a_band_that_is_played(self) -> None:
        """Boxes that end at 90 Hz are no matter of 63 Hz: the map would show what nobody hears."""

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane: ArrivalsPane = app.held
            high = tuple(replace(box, passband_hz=(90.0, 17_000.0)) for box in barn().loudspeakers)
            pane.show(Opened(replace(barn(), loudspeakers=high)))
            pane.choose_view("map")
            room = pane.room
            await until(pilot, lambda: room.levels is not None and not pane.is_pending)
            assert room.levels is not None
            assert room.levels.found.band == Band.near(1000.0, 3)
            assert pane.query_one("#middle", BandField).value.startswith("1 kHz")

        run(ArrivalsPane, steps)

    def test_levels_under_the_cursor_are_those_of_the_engine(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane = show_view(app, "map")
            room = pane.room
            await until(pilot, lambda: room.levels is not None and not pane.is_pending)
            assert room.levels is not None
            found, plan = room.levels.found, room.levels.plan
            assert found.band == Band.near(63.0, 3)
            assert plan == room.plan
            # Beside the near box, far from the other: 1/r, 100 dB at 1 m for 2.83 V, 0 dBu.
            row, column = plan.cell(0.0, 10.0)
            x_m, y_m = plan.at(row, column)
            level = float(plan.levels(found)[row, column])
            alone = 100.0 + 20.0 * math.log10(0.7745967 / 2.83 / math.hypot(x_m, y_m - 10.0))
            assert level == pytest.approx(alone, abs=1.5)
            text = app.text()
            assert "63 Hz third-octave band" in text
            assert "dB SPL" in text
            app.set_focus(pane.query_one("#middle"))
            await pilot.press("right_square_bracket")
            await until(
                pilot, lambda: not pane.is_pending and room.levels is not None
                and room.levels.found.band == Band.near(80.0, 3),
            )  # fmt: skip
            field = pane.query_one("#middle")
            assert field.value == "80 Hz"
            field.value = "1k oct"
            await pilot.press("enter")
            await until(
                pilot, lambda: not pane.is_pending and room.levels is not None
                and room.levels.found.band == Band.near(1000.0, 1),
            )  # fmt: skip
            field.value = "[b]loud[/b]"
            await pilot.press("enter")
            assert "is no band; type its middle" in app.text()

        run(ArrivalsPane, steps)

    def test_escape_gives_a_map_up_and_the_screen_goes_on(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        begun, free = threading.Event(), threading.Event()
        whole = arrivals_room.level_map

        def slow(*arguments: object, going: object, **more: object) -> object:
            begun.set()
            free.wait(10.0)
            return whole(*arguments, going=going, **more)  # type: ignore[arg-type]

        monkeypatch.setattr(arrivals_room, "level_map", slow)

        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane = show_view(app, "map")
            room = pane.room
            await until(pilot, begun.is_set)
            assert pane.is_pending
            assert "pending" in app.text()
            assert "Esc stops" in app.text()
            app.set_focus(room)
            await pilot.press("space", "escape")
            assert room.cursor_m == (0.0, 0.0, 0.0)  # the keys are obeyed meanwhile
            free.set()
            await until(pilot, lambda: not pane.is_pending)
            assert room.levels is None
            assert "stopped before it was done" in app.text()

        run(ArrivalsPane, steps)

    @pytest.mark.parametrize(
        ("text", "band"),
        [("63", Band.near(63.0, 3)), ("1k", Band.near(1000.0, 3)), ("125 oct", Band.near(125.0, 1)),
         ("31,5 Hz", Band.near(31.5, 3)), ("80 1/3", Band.near(80.0, 3))],
    )  # fmt: skip
    def test_bands_are_read_as_people_type_them(self, text: str, band: Band) -> None:
        assert read_band(text) == band
        assert read_band(band_text(band)) == band

    def test_bands_step_through_the_standard_ones(self) -> None:
        """IEC 61260-1: ten thirds a decade."""
        band = Band.near(20.0, 3)
        seen = [band_text(band)]
        for _ in range(10):
            band = step_band(band, 1)
            seen.append(band_text(band))
        assert seen == ["20 Hz", "25 Hz", "31.5 Hz", "40 Hz", "50 Hz", "63 Hz", "80 Hz", "100 Hz",
                        "125 Hz", "160 Hz", "200 Hz"]  # fmt: skip
        assert step_band(Band.near(20.0, 3), -1) == Band.near(20.0, 3)
        with pytest.raises(Refused, match="is no band"):
            read_band("9")


class TestPlaces:
    def test_a_coordinate_typed_in_feet_is_asked_for_in_metres(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            table = show_view(app, "places").places
            assert [thing.name for thing in table.things] == ["Near box", "Far box", "Seat", "Side"]
            app.set_focus(table)
            await pilot.press("down", "right")
            await type_in(pilot, "50")
            await pilot.press("apostrophe", "enter")
            (asked,) = app.of(ArrivalsPane.SetPosition)
            assert asked.thing.name == "Far box"
            assert asked.position_m == pytest.approx((0.0, 15.24, 0.0))
            assert table.cursor is not None
            assert table.cursor[1] == 2  # on to the next axis

        run(ArrivalsPane, steps)

    def test_nudges_and_what_is_not_understood(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane = show_view(app, "places")
            table = pane.places
            app.set_focus(table)
            await pilot.press("end", "right_square_bracket", "left_curly_bracket")
            asked = [message.position_m[0] for message in app.of(ArrivalsPane.SetPosition)]
            assert asked == [6.1, 5.1]
            await type_in(pilot, "3x")
            await pilot.press("enter")
            assert "is not a length" in table.sentence
            assert "is not a length" in app.text()
            assert table.typing == "3x"
            await pilot.press("escape")
            assert table.typing is None
            await paste(app, pilot, "1\x1b[31m")
            assert "control character" in app.text()
            await paste(app, pilot, "9" * 50_000)
            assert "50000 characters are too many" in app.text()
            assert len(app.of(ArrivalsPane.SetPosition)) == 2

        run(ArrivalsPane, steps)

    def test_the_mouse_does_as_well(self) -> None:
        async def steps(app: Host, pilot: Pilot[None]) -> None:
            pane = show_view(app, "times")
            await pilot.click("#views", offset=(27, 0))
            assert pane.view == "places"
            await pilot.click("#places", offset=(25, 3))
            assert pane.places.cursor is not None
            assert (pane.places.cursor[0].name, pane.places.cursor[1]) == ("Seat", 1)
            await pilot.click("#views", offset=(9, 0))
            await until(pilot, lambda: not pane.is_pending)
            await pilot.click("#room", offset=(5, 3))
            plan = pane.room.plan
            assert plan is not None
            assert pane.room.cursor_m == (*plan.at(3, 4), 0.0)

        run(ArrivalsPane, steps)

    def test_coordinates_out_of_range_are_refused(self) -> None:
        assert read_coordinate("-2 m") == -2.0
        with pytest.raises(Refused, match="a coordinate of"):
            read_coordinate("10001")


def test_ctrl_g_goes_through_the_views_and_the_keys_go_with_it() -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        pane = show_view(app, "times")
        app.set_focus(pane.query_one("#temperature"))
        seen = []
        for _ in range(5):
            seen.append((pane.view, type(app.focused).__name__))
            await pilot.press("ctrl+g")
        assert seen == [
            ("times", "TemperatureField"),
            ("plan", "RoomView"),
            ("map", "RoomView"),
            ("places", "PlacesTable"),
            ("times", "TemperatureField"),
        ]
        assert "[plan]" in app.text()

    run(ArrivalsPane, steps)


def test_ctrl_g_turns_the_views_while_the_keys_are_on_the_sheet() -> None:
    """The pane shows the key whoever has the focus; it must not lead to the archive."""

    async def steps(desk: Desk) -> None:
        await desk.keys("f3")
        await desk.until(lambda: desk.app.query(ArrivalsPane))
        pane = desk.app.query_one(ArrivalsPane)
        assert desk.grid.has_focus
        await desk.keys("ctrl+g")
        await desk.until(lambda: pane.view == "plan")
        assert desk.app.query(ArrivalsPane)
        assert desk.grid.has_focus

    at_desk(steps)


def test_a_place_typed_in_the_workbench_is_a_step_that_can_be_undone() -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("f3")
        await desk.until(lambda: desk.app.query(ArrivalsPane))
        pane = desk.app.query_one(ArrivalsPane)
        pane.choose_view("places")
        desk.app.set_focus(desk.app.query_one(PlacesTable))
        await desk.until(lambda: pane.places.things)
        before = desk.preset.sources[0].position_m
        await desk.type("1.5", "enter")
        assert desk.preset.sources[0].position_m == (1.5, *before[1:])
        session = desk.app.session
        assert session is not None
        assert session.next_undo == "position of Subs"
        assert "1.50" in desk.text()
        await desk.keys("ctrl+z")
        assert desk.preset.sources[0].position_m == before
        await desk.until(lambda: pane.places.things[0].position_m == before)
        # What is shown of the room follows the preset.
        await desk.keys("ctrl+y")
        pane.choose_view("plan")
        room = desk.app.query_one(RoomView)
        await desk.until(lambda: room.spot is not None and not pane.is_pending)
        assert "■ Top L" in desk.text()

    at_desk(steps)


def test_a_preset_that_cannot_be_edited_keeps_its_places(monkeypatch: pytest.MonkeyPatch) -> None:
    async def steps(desk: Desk) -> None:
        session = desk.app.session
        assert session is not None
        session._read_only = "somebody else edits it"
        await desk.keys("f3")
        await desk.until(lambda: desk.app.query(ArrivalsPane))
        pane = desk.app.query_one(ArrivalsPane)
        pane.choose_view("places")
        desk.app.set_focus(pane.places)
        await desk.until(lambda: pane.places.things)
        before = pane.places.things
        await desk.keys("]")
        assert pane.places.things == before
        assert "somebody else edits it" in desk.readout

    at_desk(steps)
