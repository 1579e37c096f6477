"""Arrivals: when and how loud each output arrives at every listener, and how the air moves that.

A temperature typed or nudged here is a what-if: the sheet changes only when it is applied.
"""

from __future__ import annotations

from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.widgets import Button, Input, Static

from xover.model.drive import Drive
from xover.model.names import quoted
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import TemperatureC
from xover.model.units import plain
from xover.model.walk import number_problem
from xover.tui.field import Field
from xover.tui.panes.arrivals_view import Table, arrivals_table, table_lines
from xover.tui.panes.base import Opened, Pane
from xover.tui.reflow import Reflowed

STEP_C, COARSE_C = 0.5, 5.0


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


class ArrivalsPane(Pane):
    """Every listener's arrivals as timelines; posts `SetTemperature` when a what-if is applied."""

    title: ClassVar[str] = "Arrivals"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "scroll_lines(-1)", "up", show=False),
        Binding("down", "scroll_lines(1)", "down", show=False),
        Binding("pageup", "scroll_pages(-1)", "page up", show=False),
        Binding("pagedown", "scroll_pages(1)", "page down", show=False),
    ]

    DEFAULT_CSS = """
    ArrivalsPane > #air { height: 1; padding: 0 1; }
    ArrivalsPane > #air > #air-label { width: auto; }
    ArrivalsPane > #air > TemperatureField { width: 9; }
    ArrivalsPane > #air > #air-unit { width: 1fr; }
    ArrivalsPane > #air > Button { min-width: 7; width: auto; }
    ArrivalsPane > #said { height: auto; padding: 0 1; color: $text-warning; }
    """

    class SetTemperature(Message):
        """The preset's air shall have this temperature in °C."""

        def __init__(self, temperature_c: float) -> None:
            super().__init__()
            self.temperature_c = temperature_c

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._what_if_c: float | None = None
        self._table: Table | None = None

    def body(self) -> ComposeResult:
        """The temperature, a line for what has to be said, and the timelines."""
        with Horizontal(id="air"):
            yield Static("Air ", id="air-label", markup=False)
            yield TemperatureField(id="temperature", most=20)
            yield Static(" °C   [ ] nudge", id="air-unit", markup=False)
            yield Button(" Apply ", id="apply", disabled=True, compact=True)
        yield Static("", id="said", markup=False)
        with VerticalScroll(can_focus=False):
            yield Reflowed(id="table")

    @property
    def table(self) -> Table | None:
        """The table shown."""
        return self._table

    @property
    def what_if_c(self) -> float | None:
        """The temperature asked about, None for the preset's own."""
        return self._what_if_c

    def show(self, session: Opened, *, drive: Drive | None = None) -> None:
        """Show the session's preset; a what-if stays until it is applied or left."""
        before = self._preset
        super().show(session, drive=drive)
        now_c = session.preset.air.temperature_c
        if before is None or before.air.temperature_c != now_c:
            self._what_if_c = None
            if self.is_mounted:
                self._write_temperature(now_c)

    def on_mount(self) -> None:
        """Write the temperature that was shown before there was a place for it."""
        if self._preset is not None:
            self._write_temperature(self._preset.air.temperature_c)

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Have the table computed anew."""
        self.compute(partial(arrivals_table, preset, drive, self._what_if_c))

    def result_ready(self, result: object, sentence: str) -> None:
        """Show the table computed last."""
        if isinstance(result, Table):
            self._table = result
            self.query_one(Reflowed).show(partial(table_lines, result))
        self._say(sentence)

    def action_scroll_lines(self, lines: int) -> None:
        """Scroll the timelines."""
        self.query_one(VerticalScroll).scroll_relative(y=lines, animate=False)

    def action_scroll_pages(self, pages: int) -> None:
        """Scroll the timelines by pages."""
        scroll = self.query_one(VerticalScroll)
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
        text = sentence if sentence or self._what_if_c is None else (
            "What if: Enter again applies it, Escape leaves it."
        )  # fmt: skip
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
