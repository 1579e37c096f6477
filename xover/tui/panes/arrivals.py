"""Arrivals: when and how loud each output arrives, at every listener and anywhere in the room.

A temperature typed or nudged here is a what-if: the sheet changes only when it is applied. Places
typed here are asked for at once.
"""

from __future__ import annotations

from functools import partial
from typing import ClassVar, Literal

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Button, Input, Static

from xover.acoustics.bands import Band
from xover.model.drive import Drive
from xover.model.names import quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import PositionM, TemperatureC
from xover.model.units import plain
from xover.model.walk import number_problem
from xover.tui.field import Field
from xover.tui.panes.arrivals_places import PlacesTable, Thing
from xover.tui.panes.arrivals_room import RoomView
from xover.tui.panes.arrivals_view import Table, arrivals_table, table_lines
from xover.tui.panes.band_field import BandField, band_text, read_band, step_band
from xover.tui.panes.base import Opened, Pane
from xover.tui.reflow import Reflowed

STEP_C, COARSE_C = 0.5, 5.0
View = Literal["times", "plan", "map", "places"]
VIEWS: dict[View, str] = {"times": "times", "plan": "plan", "map": "level map", "places": "places"}
"""The views in their order, with the words that name them."""


class TemperatureField(Field):
    """The temperature of the what-if; brackets nudge it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left_square_bracket", "nudge(-1)", "cooler", show=False, priority=True),
        Binding("right_square_bracket", "nudge(1)", "warmer", show=False, priority=True),
        Binding("left_curly_bracket", "nudge(-10)", "much cooler", show=False, priority=True),
        Binding("right_curly_bracket", "nudge(10)", "much warmer", show=False, priority=True),
        Binding("escape", "own", "the preset's own", show=False),
    ]

    class Nudged(Message):
        """Warmer or cooler by so many steps of 0.5 °C."""

        def __init__(self, steps: int) -> None:
            super().__init__()
            self.steps = steps

    class Left(Message):
        """Back to the preset's own temperature."""

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Brackets are steps here, not text."""
        return character not in ("[", "]", "{", "}") and super().check_consume_key(key, character)

    def action_nudge(self, steps: int) -> None:
        """Ask for another temperature."""
        self.post_message(self.Nudged(steps))

    def action_own(self) -> None:
        """Ask for the preset's own temperature."""
        self.post_message(self.Left())


class Views(Widget, can_focus=True):
    """The pane's views by name, the one that is shown marked; arrows and clicks choose."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "turn(-1)", "before", show=False),
        Binding("right", "turn(1)", "next", show=False),
    ]

    DEFAULT_CSS = """
    Views { height: 1; width: 1fr; background: $boost; padding: 0 1; }
    Views:focus { background: $primary 40%; }
    """

    class Chosen(Message):
        """A view was chosen."""

        def __init__(self, view: View) -> None:
            super().__init__()
            self.view = view

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.view: View = "times"

    def render(self) -> Content:
        """The names, the chosen one in brackets, so that it reads without colour."""
        names = [f"[{VIEWS[one]}]" if one == self.view else f" {VIEWS[one]} " for one in VIEWS]
        text = "".join(names)
        if len(text) > self.content_size.width:
            return Content(f"[{VIEWS[self.view]}] ^G")
        return Content(text + "  ^G next" if self.size.width > len(text) + 12 else text)

    def action_turn(self, steps: int) -> None:
        """The next view, or the one before."""
        names = list(VIEWS)
        self.post_message(self.Chosen(names[(names.index(self.view) + steps) % len(names)]))

    def on_click(self, event: events.Click) -> None:
        """The view under the pointer."""
        at = event.get_content_offset(self)
        start = 0
        for one, name in VIEWS.items():
            if at is not None and start <= at.x < start + len(name) + 2:
                self.post_message(self.Chosen(one))
            start += len(name) + 2


LOW_BAND_HZ = 63.0
SPEECH_BAND_HZ = 1000.0


class ArrivalsPane(Pane):
    """Arrivals as timelines, on a plan, over the audience; where everything stands.

    Posts `SetTemperature` when a what-if is applied and `SetPosition` when something was moved.
    """

    title: ClassVar[str] = "Arrivals"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+g", "next_view", "next view", show=False),
        Binding("up", "scroll_lines(-1)", "up", show=False),
        Binding("down", "scroll_lines(1)", "down", show=False),
        Binding("pageup", "scroll_pages(-1)", "page up", show=False),
        Binding("pagedown", "scroll_pages(1)", "page down", show=False),
    ]

    DEFAULT_CSS = """
    ArrivalsPane > #head { height: 1; width: 100%; background: $boost; }
    ArrivalsPane > #head > .pane-title { height: 1; width: auto; padding: 0 1; text-style: bold;
        background: $boost; }
    ArrivalsPane > #air, ArrivalsPane > #band { height: 1; padding: 0 1; }
    ArrivalsPane > #air > #air-label, ArrivalsPane > #band > #band-label { width: auto; }
    ArrivalsPane > #air > TemperatureField { width: 9; }
    ArrivalsPane > #band > BandField { width: 14; }
    ArrivalsPane > #air > #air-unit, ArrivalsPane > #band > #band-unit { width: 1fr; }
    ArrivalsPane > #air > Button { min-width: 7; width: auto; }
    ArrivalsPane > #said { height: auto; padding: 0 1; color: $text-warning; }
    """

    class SetTemperature(Message):
        """The preset's air shall have this temperature in °C."""

        def __init__(self, temperature_c: float) -> None:
            super().__init__()
            self.temperature_c = temperature_c

    class SetPosition(Message):
        """A source or listener shall stand at this position."""

        def __init__(self, thing: Thing, position_m: PositionM) -> None:
            super().__init__()
            self.thing = thing
            self.position_m = position_m

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._what_if_c: float | None = None
        self._table: Table | None = None
        self._view: View = "times"
        self._band = Band.near(LOW_BAND_HZ, 3)
        self._opened = False

    def compose(self) -> ComposeResult:
        """The title with the views beside it, then what the pane is made of."""
        with Horizontal(id="head"):
            yield Static(self.title, classes="pane-title", markup=False)
            yield Views(id="views")
        yield from self.body()

    def body(self) -> ComposeResult:
        """A row for the air or the band, a line for what has to be said, and the views."""
        with Horizontal(id="air"):
            yield Static("Air ", id="air-label", markup=False)
            yield TemperatureField(id="temperature", most=20)
            yield Static(" °C   [ ] nudge", id="air-unit", markup=False)
            yield Button(" Apply ", id="apply", disabled=True, compact=True)
        with Horizontal(id="band"):
            yield Static("Band ", id="band-label", markup=False)
            yield BandField(band_text(self._band), id="middle", most=20)
            yield Static("  [ ] next, or 125 oct", id="band-unit", markup=False)
        yield Static("", id="said", markup=False)
        with VerticalScroll(can_focus=False, id="times"):
            yield Reflowed(id="table")
        yield RoomView(id="room")
        yield PlacesTable(id="places")

    @property
    def table(self) -> Table | None:
        """The table shown."""
        return self._table

    @property
    def what_if_c(self) -> float | None:
        """The temperature asked about, None for the preset's own."""
        return self._what_if_c

    @property
    def view(self) -> View:
        """Which view is shown."""
        return self._view

    @property
    def room(self) -> RoomView:
        """The plan and the map."""
        return self.query_one(RoomView)

    @property
    def places(self) -> PlacesTable:
        """The table of places."""
        return self.query_one(PlacesTable)

    @property
    def is_pending(self) -> bool:
        """Whether what is shown is not yet that of the newest preset."""
        return super().is_pending or (self.is_mounted and self.room.is_busy)

    def show(self, session: Opened, *, drive: Drive | None = None) -> None:
        """Show the session's preset; a what-if stays until it is applied or left."""
        before = self._preset
        super().show(session, drive=drive)
        now_c = session.preset.air.temperature_c
        if before is None or before.air.temperature_c != now_c:
            self._what_if_c = None
            if self.is_mounted:
                self._write_temperature(now_c)
                self._show_room()

    def on_mount(self) -> None:
        """Write the temperature that was shown before there was a place for it."""
        if self._preset is not None:
            self._write_temperature(self._preset.air.temperature_c)
        self.choose_view(self._view)

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Have the table computed anew, and what the room shows."""
        if not self._opened:
            self._opened = True
            self._open_band(preset)
        self.compute(partial(arrivals_table, preset, drive, self._what_if_c))
        self.places.show(preset)
        self._show_room()

    def choose_view(self, view: View) -> None:
        """Show another view, and give it the keys where the pane had them."""
        had_focus = self.has_focus_within
        self._view = view
        views = self.query_one(Views)
        views.view = view
        views.refresh(layout=True)
        self.query_one("#air").display = view == "times"
        self.query_one("#band").display = view == "map"
        self.query_one("#times").display = view == "times"
        self.room.display = view in ("plan", "map")
        self.places.display = view == "places"
        self._say("")
        self._show_room()
        if had_focus and self.app.focused is not views:
            aim = {"times": "#temperature", "plan": "#room", "map": "#room", "places": "#places"}
            self.query_one(aim[view]).focus()

    def action_next_view(self) -> None:
        """The next view."""
        for views in self.query(Views):  # none while panes change
            views.action_turn(1)

    def _show_room(self) -> None:
        if self._preset is None or self._drive is None or self._view not in ("plan", "map"):
            return
        band = self._band if self._view == "map" else None
        self.room.show(self._preset, self._drive, self._what_if_c, band)

    def _on_views_chosen(self, message: Views.Chosen) -> None:
        message.stop()
        self.choose_view(message.view)

    def _on_room_view_busy(self, message: RoomView.Busy) -> None:
        message.stop()
        self._mark()

    def _on_places_table_moved(self, message: PlacesTable.Moved) -> None:
        message.stop()
        self.post_message(self.SetPosition(message.thing, message.position_m))

    def _on_band_field_stepped(self, message: BandField.Stepped) -> None:
        message.stop()
        self._choose_band(step_band(self._band, message.steps))

    def _open_band(self, preset: Preset) -> None:
        """The map opens where subwoofers are judged, or where speech is if no box goes that low."""
        used = {source.loudspeaker for source in preset.sources}
        lows = [box.passband_hz[0] for box in preset.loudspeakers if box.name in used]
        if lows and min(lows) > LOW_BAND_HZ:
            self._choose_band(Band.near(SPEECH_BAND_HZ, 3))

    def _choose_band(self, band: Band) -> None:
        self._band = band
        field = self.query_one(BandField)
        field.value = band_text(band)
        field.cursor_position = len(field.value)
        self._say("")
        self._show_room()

    def result_ready(self, result: object, sentence: str) -> None:
        """Show the table computed last."""
        if isinstance(result, Table):
            self._table = result
            self.query_one(Reflowed).show(partial(table_lines, result))
        self._say(sentence)

    def action_scroll_lines(self, lines: int) -> None:
        """Scroll the timelines."""
        self.query_one("#times", VerticalScroll).scroll_relative(y=lines, animate=False)

    def action_scroll_pages(self, pages: int) -> None:
        """Scroll the timelines by pages."""
        scroll = self.query_one("#times", VerticalScroll)
        scroll.scroll_relative(y=pages * max(1, scroll.size.height - 1), animate=False)

    def _on_temperature_field_nudged(self, message: TemperatureField.Nudged) -> None:
        message.stop()
        if self._preset is None:
            return
        present = self._what_if_c
        if present is None:
            present = self._preset.air.temperature_c
        step = STEP_C if abs(message.steps) == 1 else COARSE_C
        wanted = round(present + (1 if message.steps > 0 else -1) * step, 6)
        self._ask(wanted)

    def _on_temperature_field_left(self, message: TemperatureField.Left) -> None:
        message.stop()
        if self._preset is not None:
            self._ask(self._preset.air.temperature_c)

    def _on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        if self._preset is None:
            return
        if event.input.id == "middle":
            try:
                self._choose_band(read_band(event.value))
            except Refused as refused:
                self._say(str(refused))
            return
        try:
            wanted = read_temperature(event.value)
        except Refused as refused:
            self._say(str(refused))
            return
        if wanted == self._what_if_c:
            self._apply()
        else:
            self._ask(wanted)

    def _on_button_pressed(self, event: Button.Pressed) -> None:
        event.stop()
        self._apply()

    def _on_field_turned_down(self, message: Field.TurnedDown) -> None:
        message.stop()
        self._say(message.sentence)

    def _ask(self, temperature_c: float) -> None:
        problem = temperature_problem(temperature_c)
        if problem:
            self._say(problem)
            return
        if self._preset is None or self._drive is None:
            return
        own_c = self._preset.air.temperature_c
        self._what_if_c = None if temperature_c == own_c else temperature_c
        self._write_temperature(temperature_c)
        self._say(
            "" if self._what_if_c is None else "What if: Enter again applies it, Escape leaves it."
        )
        self.refresh_content(self._preset, self._drive)

    def _apply(self) -> None:
        if self._what_if_c is not None:
            self.post_message(self.SetTemperature(self._what_if_c))

    def _write_temperature(self, temperature_c: float) -> None:
        field = self.query_one(TemperatureField)
        field.value = plain(temperature_c, 1 if round(temperature_c, 1) == temperature_c else 3)
        field.cursor_position = len(field.value)
        self.query_one("#apply", Button).disabled = self._what_if_c is None

    def _say(self, sentence: str) -> None:
        said = self.query_one("#said", Static)
        text = sentence
        if not sentence and self._what_if_c is not None and self._view == "times":
            text = "What if: Enter again applies it, Escape leaves it."
        said.update(Content(text))
        said.display = bool(text)


def read_temperature(text: str) -> float:
    """Degrees Celsius typed as `28`, `−3,5` or `28.5 °C`. Raises `Refused`."""
    typed = text.strip().replace("−", "-").replace(",", ".")
    for ending in ("°C", "°c", "C", "c", "°"):
        typed = typed.removesuffix(ending)
    try:
        value = float(typed)
    except ValueError:
        raise Refused.at("", f"{quoted(text)} is no temperature; type degrees such as 28") from None
    problem = temperature_problem(value)
    if problem:
        raise Refused.at("", problem)
    return value


def temperature_problem(temperature_c: float) -> str:
    """What is wrong with a temperature, as a sentence; "" where nothing is."""
    problem = number_problem(temperature_c, TemperatureC)
    return f"a temperature of {problem}" if problem else ""
