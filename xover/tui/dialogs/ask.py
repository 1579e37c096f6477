"""One line of text, or the weather: small questions with typed answers."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.app import ComposeResult
from textual.widgets import Input

from xover.model.problems import Refused
from xover.model.processing import Air
from xover.model.units import short
from xover.tui.dialogs.base import Dialog, button, button_row, labelled, line
from xover.tui.field import Field


class AskDialog(Dialog[str]):
    """Answers one line of text."""

    keys: ClassVar[str] = "Enter takes it   Esc leaves"

    def __init__(
        self,
        heading: str,
        label: str,
        value: str = "",
        *,
        hint: str = "",
        check: Callable[[str], object] | None = None,
    ) -> None:
        """`value` stands in the line at first; `check` raises `Refused` for what is no answer."""
        super().__init__()
        self.heading = heading
        self._label = label
        self._value = value
        self._hint = hint
        self._check = check

    def body(self) -> ComposeResult:
        """The line."""
        if self._hint:
            yield line(self._hint, muted=True)
        with labelled(self._label):
            yield Field(self._value, id="text")

    def on_mount(self) -> None:
        """Ready to be typed over."""
        super().on_mount()
        field = self.query_one("#text", Field)
        field.focus()
        field.action_end()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter answers."""
        self.action_go()

    def action_go(self) -> None:
        """Answer with what stands there; what is no answer stays, with what is wrong with it."""
        text = self.query_one("#text", Field).value
        try:
            if self._check is not None:
                self._check(text)
        except Refused as refused:
            self.say(refused)
            return
        self.dismiss(text)


class AirDialog(Dialog[Air]):
    """Answers the weather between box and ear."""

    heading = "Air between box and ear"
    keys: ClassVar[str] = "Tab moves on   Ctrl+G takes it   Esc leaves"

    def __init__(self, air: Air) -> None:
        """The present air stands in the lines."""
        super().__init__()
        self._air = air

    def body(self) -> ComposeResult:
        """Three lines with their units."""
        with labelled("temperature °C"):
            yield Field(short(self._air.temperature_c), id="temperature")
        with labelled("humidity %"):
            yield Field(short(self._air.relative_humidity_percent), id="humidity")
        with labelled("pressure kPa"):
            yield Field(short(self._air.pressure_kpa), id="pressure")
        with button_row():
            yield button("Take it", "go")
            yield button("Leave", "leave")

    def on_mount(self) -> None:
        """The temperature first."""
        super().on_mount()
        self.query_one("#temperature", Field).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter answers."""
        self.action_go()

    def action_go(self) -> None:
        """Answer, or say what is out of range."""
        try:
            air = Air(
                temperature_c=self._figure("temperature", -30.0, 60.0, "°C"),
                relative_humidity_percent=self._figure("humidity", 0.0, 100.0, "%"),
                pressure_kpa=self._figure("pressure", 50.0, 120.0, "kPa"),
            )
        except Refused as refused:
            self.say(refused)
            return
        self.dismiss(air)

    def _figure(self, name: str, low: float, high: float, unit: str) -> float:
        text = self.query_one(f"#{name}", Field).value
        try:
            value = float(text.strip().replace("−", "-").replace(",", "."))
        except ValueError:
            raise Refused.at("", f"{name}: “{text}” is not a number") from None
        if not low <= value <= high:
            raise Refused.at("", f"{name} lies between {short(low)} and {short(high)} {unit}")
        return value
