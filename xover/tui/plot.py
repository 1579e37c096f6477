"""The curves on screen: magnitude over phase, group delay or coherence, a cursor, zoom and pan.

Draws once a frame from the newest data and repaints only the rows that changed; holds no more
than what it was shown, its cursor and its zoom.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from xover.model.problems import Refused
from xover.model.units import plain, show_hz, signed
from xover.sheets.curves import MINIMUM_HEIGHT, MINIMUM_WIDTH, plot
from xover.sheets.drawing import AXIS, CURVE, GRID, SHADE, Curve, Drawing, stack
from xover.sheets.palette import colour
from xover.tui.lines import in_row, whole_parts
from xover.tui.listening import LOWER, Lower

LOW_HZ, HIGH_HZ = 20.0, 20_000.0
TALL = 20
"""From this many rows on two panels stand one over the other."""
NARROWEST = 1.2
"""The smallest ratio of the ends that zooming reaches."""
STEP = 2.0 ** (1.0 / 24.0)
COARSE = 2.0 ** (1.0 / 3.0)


@dataclass(frozen=True, eq=False)
class Reading:
    """The arrays behind one curve, for the read-out at the cursor; every shape (n,)."""

    label: str
    frequency_hz: NDArray[np.float64]
    magnitude_db: NDArray[np.float64]
    phase_deg: NDArray[np.float64]
    group_delay_ms: NDArray[np.float64] | None


@dataclass(frozen=True, eq=False)
class PlotData:
    """All that is shown: curves of both panels, bands to shade, what they are."""

    upper: tuple[Curve, ...] = ()
    lower: tuple[Curve, ...] = ()
    lower_unit: str = "deg"
    bands: tuple[tuple[float, float, str], ...] = ()
    title: str = ""
    readings: tuple[Reading, ...] = ()
    problem: str = ""
    """Why there are no curves, as a sentence."""


class CurvePlot(Widget, can_focus=True):
    """Curves over log frequency."""

    DEFAULT_CSS = "CurvePlot { width: 1fr; height: 1fr; min-height: 0; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "cursor", show=False),
        Binding("right", "move(1)", "cursor", show=False),
        Binding("shift+left", "move(-8)", "cursor", show=False),
        Binding("shift+right", "move(8)", "cursor", show=False),
        Binding("up,plus", "zoom(-1)", "zoom in", show=False),
        Binding("down,minus", "zoom(1)", "zoom out", show=False),
        Binding("left_square_bracket", "pan(-1)", "pan", show=False),
        Binding("right_square_bracket", "pan(1)", "pan", show=False),
        Binding("home", "home", "20 Hz to 20 kHz", show=False),
        Binding("escape", "drop_cursor", "no cursor", show=False),
    ]

    class CursorMoved(Message):
        """The cursor stands at another frequency; None: there is none."""

        def __init__(self, frequency_hz: float | None) -> None:
            super().__init__()
            self.frequency_hz = frequency_hz

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.data = PlotData()
        self.low_hz, self.high_hz = LOW_HZ, HIGH_HZ
        self.cursor_hz: float | None = None
        self.panel: Lower | None = "phase"
        """What stands under the magnitude; on few rows, what takes its place."""
        self._instead = False
        self._pending = False
        self._scheduled = False
        self._strips: list[Strip] = []
        self._drawing: Drawing | None = None
        self._range: tuple[float, float] | None = None
        self._dragged_from: tuple[int, float, float] | None = None

    # What is shown

    def show(self, data: PlotData) -> None:
        """Show other curves; drawn once before the next frame, however often this is called."""
        self.data = data
        self._pending = False
        self._soon()

    @property
    def pending(self) -> bool:
        """Whether newer curves are being computed."""
        return self._pending

    @pending.setter
    def pending(self, value: bool) -> None:
        if value != self._pending:
            self._pending = value
            self._soon()

    @property
    def lower(self) -> Lower:
        """What the second panel is computed for."""
        return self.panel or "phase"

    def next_lower_panel(self) -> None:
        """Phase, group delay, coherence, none; on few rows magnitude comes first in the round."""
        if self.size.height < TALL and not self._instead:
            self._instead, self.panel = True, "phase"
        else:
            round_: list[Lower | None] = [*LOWER, None]
            self.panel = round_[(round_.index(self.panel) + 1) % len(round_)]
            if self.panel is None and self.size.height < TALL:
                self._instead = False
        self._soon()

    # Painting

    def _soon(self) -> None:
        if not self._scheduled and self.is_attached:
            self._scheduled = True
            self.call_later(self._redraw)

    def _redraw(self) -> None:
        self._scheduled = False
        old = self._strips
        self._strips = self._painted()
        if len(old) != len(self._strips):
            self.refresh()
            return
        width = self.size.width
        changed = [
            Region(0, y, width, 1)
            for y, (before, after) in enumerate(zip(old, self._strips, strict=True))
            if before != after
        ]
        if changed:
            self.refresh(*changed)

    def on_resize(self, event: events.Resize) -> None:
        """Another size: everything anew."""
        self._strips = []
        self.refresh()

    def notify_style_update(self) -> None:
        """Another theme: other colours."""
        super().notify_style_update()
        self._strips = []

    def render_line(self, y: int) -> Strip:
        """One row, as painted last."""
        if len(self._strips) != self.size.height:
            self._strips = self._painted()
        return self._strips[y] if y < len(self._strips) else Strip.blank(self.size.width)

    def _painted(self) -> list[Strip]:
        width, height = self.size
        if width <= 0 or height <= 0:
            return []
        body = height - 1 if height > MINIMUM_HEIGHT else height
        sentence = self.data.problem
        self._drawing = None
        rows: list[Strip] = []
        if not sentence and width >= MINIMUM_WIDTH and body >= MINIMUM_HEIGHT:
            try:
                self._drawing = drawing = self._drawn(width, body)
            except Refused as refused:
                sentence = str(refused)
            else:
                dark = self.app.current_theme.dark
                plain_ = bool(self.app.no_color)
                rows = [
                    Strip(
                        [
                            Segment(
                                text.replace("░", " ") if shaded and not plain_ else text,
                                _style(style, shaded, dark, plain_),
                            )
                            for text, style, shaded in drawing.runs(y)
                        ],
                        width,
                    )
                    for y in range(drawing.height)
                ]
        blank = Strip.blank(width)
        if sentence and height > 2:
            rows = [blank, Strip([Segment(in_row(f" {sentence}", "", width))], width)]
        rows += [blank] * (height - len(rows))
        if body < height:
            rows[-1] = Strip([Segment(in_row(self.readout(width), "", width))], width)
        return rows[:height]

    def _drawn(self, width: int, height: int) -> Drawing:
        data = self.data
        title = f"{data.title}  (pending …)" if self._pending else data.title
        two = height >= TALL - 1 and self.panel is not None
        alone = self._instead and self.panel is not None and not two
        if alone:
            return self._panel(
                data.lower, width, height, data.lower_unit, title, self._lower_range()
            )
        upper_height = (3 * height + 2) // 5 if two else height
        upper = self._panel(data.upper, width, upper_height, "dB", title, self._kept_range())
        self._range = upper.value_range
        if not two:
            return upper
        lower = plot(
            data.lower,
            width=width,
            height=height - upper_height,
            unit=data.lower_unit,
            low_hz=self.low_hz,
            high_hz=self.high_hz,
            bands=[(low, high, "") for low, high, _ in data.bands],
            value_range=self._lower_range(),
            labels="none",
            margin=upper.width - upper.left - upper.columns,
            cursor_hz=self.cursor_hz,
        )
        return stack(upper, lower)

    def _panel(
        self,
        curves: tuple[Curve, ...],
        width: int,
        height: int,
        unit: str,
        title: str,
        value_range: tuple[float, float] | None,
    ) -> Drawing:
        return plot(
            curves,
            width=width,
            height=height,
            unit=unit,
            low_hz=self.low_hz,
            high_hz=self.high_hz,
            bands=self.data.bands,
            title=title,
            value_range=value_range,
            cursor_hz=self.cursor_hz,
        )

    def _lower_range(self) -> tuple[float, float] | None:
        if self.data.lower_unit == "deg":
            return (-180.0, 180.0)
        return (0.0, 1.0) if self.data.lower_unit == "γ²" else None

    def _kept_range(self) -> tuple[float, float] | None:
        """The scale of before, as long as the loudest point stays in its upper part."""
        if self._range is None:
            return None
        bottom, top = self._range
        highest = max(
            (float(np.nanmax(curve.values, initial=-np.inf, where=np.isfinite(curve.values)))
             for curve in self.data.upper),
            default=-np.inf,
        )  # fmt: skip
        return self._range if top - 0.35 * (top - bottom) < highest <= top else None

    # The read-out

    def readout(self, width: int) -> str:
        """What the curves read at the cursor, as many of them whole as fit."""
        if self.cursor_hz is None:
            return ""
        parts = [f" {show_hz(self.cursor_hz)}"]
        for reading in self.data.readings:
            parts.append(_read(reading, self.cursor_hz))
        return whole_parts(parts, width)

    # Cursor, zoom, pan

    def action_move(self, steps: int) -> None:
        """The cursor by a twenty-fourth of an octave a step."""
        if self.cursor_hz is None:
            self.cursor_hz = float(np.sqrt(self.low_hz * self.high_hz))
        else:
            moved = self.cursor_hz * STEP**steps
            self.cursor_hz = min(self.high_hz, max(self.low_hz, moved))
        self._cursor_moved()

    def action_drop_cursor(self) -> None:
        """No cursor."""
        self.cursor_hz = None
        self._cursor_moved()

    def action_zoom(self, direction: int, about_hz: float | None = None) -> None:
        """Closer (−1) or wider (1), about the cursor or the middle."""
        about = about_hz or self.cursor_hz or float(np.sqrt(self.low_hz * self.high_hz))
        factor = 0.7 if direction < 0 else 1.0 / 0.7
        low = about * (self.low_hz / about) ** factor
        high = about * (self.high_hz / about) ** factor
        if high / low >= NARROWEST:
            self._look(low, high)

    def action_pan(self, direction: int) -> None:
        """A quarter of the width to lower (−1) or higher frequencies."""
        shift = (self.high_hz / self.low_hz) ** (0.25 * direction)
        if self.low_hz * shift >= LOW_HZ and self.high_hz * shift <= HIGH_HZ * 1.0001:
            self._look(self.low_hz * shift, self.high_hz * shift)
        elif direction < 0:
            self._look(LOW_HZ, LOW_HZ * self.high_hz / self.low_hz)
        else:
            self._look(HIGH_HZ * self.low_hz / self.high_hz, HIGH_HZ)

    def action_home(self) -> None:
        """20 Hz to 20 kHz."""
        self._look(LOW_HZ, HIGH_HZ)

    def _look(self, low_hz: float, high_hz: float) -> None:
        self.low_hz, self.high_hz = max(LOW_HZ, low_hz), min(HIGH_HZ, high_hz)
        self._soon()

    def _cursor_moved(self) -> None:
        self._soon()
        self.post_message(self.CursorMoved(self.cursor_hz))

    # Mouse

    def _frequency(self, x: int) -> float | None:
        drawing = self._drawing
        if drawing is None or not drawing.left <= x < drawing.left + drawing.columns:
            return None
        return drawing.frequency_at(x)

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """The cursor comes to the pointer; dragging pans."""
        self.focus()
        frequency_hz = self._frequency(event.x)
        if frequency_hz is not None:
            self.cursor_hz = frequency_hz
            self._dragged_from = (event.x, self.low_hz, self.high_hz)
            self.capture_mouse()
            self._cursor_moved()

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Pan while dragging."""
        if self._dragged_from is None or self._drawing is None:
            return
        start, low, high = self._dragged_from
        if event.x == start:
            return
        shift = (high / low) ** ((start - event.x) / max(1, self._drawing.columns))
        shift = min(max(shift, LOW_HZ / low), HIGH_HZ / high)
        self._look(low * shift, high * shift)

    def on_mouse_up(self, event: events.MouseUp) -> None:
        """Dragging ends."""
        self._dragged_from = None
        self.release_mouse()

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Closer about the pointer."""
        event.stop()
        self.action_zoom(-1, self._frequency(event.x))

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Wider about the pointer."""
        event.stop()
        self.action_zoom(1, self._frequency(event.x))


def _read(reading: Reading, at_hz: float) -> str:
    """`sum 98.2 dB −43° 29.7 ms`: values between points over log frequency."""
    frequency_hz = reading.frequency_hz
    if not frequency_hz[0] <= at_hz <= frequency_hz[-1]:
        return f"{reading.label} –"
    x, at = np.log(frequency_hz), np.log(at_hz)
    level = float(np.interp(at, x, reading.magnitude_db))
    text = f"{reading.label} " + (f"{plain(level, 1)} dB" if np.isfinite(level) else "−∞ dB")
    near = int(np.argmin(np.abs(x - at)))
    phase = float(reading.phase_deg[near])
    if np.isfinite(phase):
        text += f" {signed(phase, 0)}°"
    if reading.group_delay_ms is not None:
        delay = float(np.interp(at, x, reading.group_delay_ms))
        if np.isfinite(delay):
            text += f" {plain(delay, 2)} ms"
    return text


@lru_cache(maxsize=256)
def _style(style: int, shaded: bool, dark: bool, no_color: bool) -> Style:
    if no_color:
        return Style(dim=style in (GRID, SHADE))
    ground = ("#303030" if dark else "#e1e1e1") if shaded else None
    if style >= CURVE:
        red, green, blue = colour(style - CURVE, dark=dark)
        return Style(color=f"#{red:02x}{green:02x}{blue:02x}", bgcolor=ground)
    if style in (AXIS, GRID, SHADE):
        return Style(color="#808080", bgcolor=ground)
    return Style(bgcolor=ground)
