"""The curves on screen: magnitude over phase, group delay or coherence, a cursor, zoom and pan.

Shows what it is given and asks nothing of a preset; its own are only the cursor, the span and the
choice of panels. Drawn once a frame from the newest content, and only rows that changed are
painted again.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.filter import LineFilter
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip

from xover.tui.listening import LOWER, Lower
from xover.tui.painting import Direct, Run
from xover.tui.plot_content import PlotData, Reading
from xover.tui.plot_paint import Looks, strip_of
from xover.tui.plot_scene import TALL, Scene, Wish, scene
from xover.tui.plot_span import Span, home

__all__ = ["CurvePlot", "PlotData", "Reading"]

ZOOM = 0.7
"""What one step closer makes of the width."""
PAN = 0.25
"""The share of the width of one step aside, by key."""
WHEEL_PAN = 0.08
POINTS_A_COLUMN = 4
"""Two for each of a column's two dots."""
Part = tuple[int, int, int]
COARSE = 8
"""Columns of a coarse step of the cursor."""


class CurvePlot(Direct, can_focus=True):
    """Curves over log frequency; it takes neither border nor padding."""

    DEFAULT_CSS = "CurvePlot { width: 1fr; height: 1fr; min-height: 0; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "cursor_by(-1)", "cursor", show=False),
        Binding("right", "cursor_by(1)", "cursor", show=False),
        Binding("shift+left", f"cursor_by({-COARSE})", "cursor, coarse", show=False),
        Binding("shift+right", f"cursor_by({COARSE})", "cursor, coarse", show=False),
        Binding("escape", "hide_cursor", "no cursor", show=False),
        Binding("up,plus,equals_sign", "zoom_in", "closer", show=False),
        Binding("down,minus", "zoom_out", "wider", show=False),
        Binding("left_square_bracket", "pan(-1)", "lower", show=False),
        Binding("right_square_bracket", "pan(1)", "higher", show=False),
        Binding("home", "home", "20 Hz to 20 kHz", show=False),
    ]

    class CursorMoved(Message):
        """The cursor stands at another frequency in Hz; None: there is none."""

        def __init__(self, frequency_hz: float | None) -> None:
            super().__init__()
            self.frequency_hz = frequency_hz

    class GivenBack(Message):
        """The keys shall go to the sheet again."""

    class SpanMoved(Message):
        """Other frequencies are looked at, from `low_hz` to `high_hz`."""

        def __init__(self, low_hz: float, high_hz: float) -> None:
            super().__init__()
            self.low_hz, self.high_hz = low_hz, high_hz

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.data = PlotData(problem="no curves yet")
        self.span = Span()
        self._pinned_hz: float | None = None
        self._hover_hz: float | None = None
        self._kind: Lower = "phase"
        self._under: bool | None = None
        """Whether the lower panel is wanted; None: where there is room for both."""
        self._pending = False
        self._stale = True
        self._scene: Scene | None = None
        self._strips: dict[int, Strip] = {}
        self._parts: list[Part] = []
        """What has changed and is to be painted: row, first column, column after it."""
        self._told: set[Region] = set()
        """What was asked to be painted for it."""
        self._seen_through: list[LineFilter] = []
        self._looks: Looks | None = None
        self._drag: tuple[int, Span] | None = None
        self._dragged = False

    # What is shown

    def show(self, data: PlotData) -> None:
        """Show other curves; drawn once before the next frame, however often this is called."""
        self.data = data
        self._pending = False
        self.span = self.span.within(data.limit_hz)
        self._soon()

    @property
    def pending(self) -> bool:
        """Whether newer curves are being computed; what is shown stays until they are there."""
        return self._pending

    @pending.setter
    def pending(self, value: bool) -> None:
        if value != self._pending:
            self._pending = value
            self._soon()

    @property
    def lower(self) -> Lower:
        """What the lower panel is to be given, seen or not."""
        return self._kind

    @property
    def lower_shown(self) -> bool:
        """Whether there is a lower panel now: under the magnitude, or on few rows in its place."""
        return self.size.height >= TALL if self._under is None else self._under

    @property
    def cursor_hz(self) -> float | None:
        """Where the cursor stands: under the pointer, else where it was put; None: nowhere."""
        return self._pinned_hz if self._hover_hz is None else self._hover_hz

    @property
    def scene(self) -> Scene | None:
        """What is on the screen; None before the first frame."""
        return self._scene

    def next_lower_panel(self) -> None:
        """Phase, group delay, coherence, none, and round again."""
        shown = self.lower_shown
        at = LOWER.index(self._kind)
        if not shown:
            self._kind, self._under = "phase", True
        elif at + 1 < len(LOWER):
            self._kind, self._under = LOWER[at + 1], True
        else:
            self._kind, self._under = "phase", False
        self._soon()

    def window(self) -> tuple[float, float, int] | None:
        """Low and high Hz looked at, with points for every dot; None: 20 Hz to 20 kHz."""
        if self.span == home(self.data.limit_hz):
            return None
        drawing = self._scene.drawing if self._scene is not None else None
        columns = drawing.columns if drawing is not None else self.size.width
        return self.span.low_hz, self.span.high_hz, POINTS_A_COLUMN * max(columns, 16)

    # Cursor, zoom, pan

    def cursor_to(self, frequency_hz: float) -> None:
        """The cursor to a frequency in Hz; the span follows it."""
        limit_hz = self.data.limit_hz
        frequency_hz = min(max(frequency_hz, 1.0), limit_hz)
        if not self.span.holds(frequency_hz):
            edge_hz = self.span.low_hz if frequency_hz < self.span.low_hz else self.span.high_hz
            self._look(self.span.moved(frequency_hz / edge_hz, limit_hz))
        self._set_cursor(pinned=frequency_hz, hover=None)

    def zoom_in(self, about_hz: float | None = None) -> None:
        """Closer, about a frequency, the cursor, or the middle."""
        self._zoom(ZOOM, about_hz)

    def zoom_out(self, about_hz: float | None = None) -> None:
        """Wider, about a frequency, the cursor, or the middle."""
        self._zoom(1.0 / ZOOM, about_hz)

    def pan(self, steps: float) -> None:
        """Quarters of the width up (or, where negative, down)."""
        self._look(self.span.panned(PAN * steps, self.data.limit_hz))

    def home(self) -> None:
        """20 Hz to 20 kHz."""
        self._look(home(self.data.limit_hz))

    def hide_cursor(self) -> None:
        """No cursor."""
        self._set_cursor(pinned=None, hover=None)

    def action_cursor_by(self, columns: int) -> None:
        """The cursor by columns; the first time it comes to the middle."""
        drawing = self._scene.drawing if self._scene is not None else None
        if self.cursor_hz is None or drawing is None:
            self.cursor_to(self.span.middle_hz)
        else:
            share = 2.0 * columns / (2 * drawing.columns - 1)
            ratio = (drawing.high_hz / drawing.low_hz) ** share
            self.cursor_to(self.cursor_hz * ratio)

    def action_hide_cursor(self) -> None:
        """No cursor; where there is none, the keys go back to the sheet."""
        if self.cursor_hz is None:
            self.post_message(self.GivenBack())
        self.hide_cursor()

    action_home = home
    action_pan = pan
    action_zoom_in = zoom_in
    action_zoom_out = zoom_out

    def _zoom(self, factor: float, about_hz: float | None) -> None:
        cursor_hz = self.cursor_hz
        if about_hz is None:
            about_hz = self.span.middle_hz
            if cursor_hz is not None and self.span.holds(cursor_hz):
                about_hz = cursor_hz
        self._look(self.span.zoomed(factor, about_hz, self.data.limit_hz))

    def _look(self, span: Span) -> None:
        if span != self.span:
            self.span = span
            self._soon()
            self.post_message(self.SpanMoved(span.low_hz, span.high_hz))

    def _set_cursor(self, *, pinned: float | None, hover: float | None) -> None:
        before = self.cursor_hz
        self._pinned_hz, self._hover_hz = pinned, hover
        if self.cursor_hz != before:
            self._soon()
            self.post_message(self.CursorMoved(self.cursor_hz))

    # Mouse

    def _frequency(self, x: int) -> float | None:
        return self._scene.frequency_at(x) if self._scene is not None else None

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """A drag may begin here."""
        self._drag, self._dragged = (event.x, self.span), False
        self.capture_mouse()

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """The cursor is under the pointer; while a button is held the curves move with it."""
        drawing = self._scene.drawing if self._scene is not None else None
        if self._drag is not None and drawing is not None:
            start, span = self._drag
            self._dragged |= event.x != start
            self._look(span.panned((start - event.x) / drawing.columns, self.data.limit_hz))
        elif self._drag is None:
            self._set_cursor(pinned=self._pinned_hz, hover=self._frequency(event.x))

    def on_mouse_up(self, event: events.MouseUp) -> None:
        """Where nothing was dragged the cursor stays here."""
        begun, self._drag = self._drag, None
        self.release_mouse()
        frequency_hz = self._frequency(event.x)
        if begun is not None and not self._dragged and frequency_hz is not None:
            self._set_cursor(pinned=frequency_hz, hover=frequency_hz)

    def on_leave(self, event: events.Leave) -> None:
        """The cursor is where it was put."""
        self._set_cursor(pinned=self._pinned_hz, hover=None)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Closer about the pointer; with Shift, towards lower frequencies."""
        self._wheel(event, -1)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Wider about the pointer; with Shift, towards higher frequencies."""
        self._wheel(event, 1)

    def on_mouse_scroll_left(self, event: events.MouseScrollLeft) -> None:
        """Towards lower frequencies."""
        self._wheel(event, -1, aside=True)

    def on_mouse_scroll_right(self, event: events.MouseScrollRight) -> None:
        """Towards higher frequencies."""
        self._wheel(event, 1, aside=True)

    def _wheel(self, event: events.MouseEvent, step: int, *, aside: bool = False) -> None:
        event.stop()
        if aside or event.shift:
            self._look(self.span.panned(WHEEL_PAN * step, self.data.limit_hz))
        else:
            self._zoom(ZOOM ** (-0.5 * step), self._frequency(event.x))

    # Painting

    def _soon(self) -> None:
        self._stale = True
        self.check_idle()

    def on_idle(self) -> None:
        """All that was asked for is there."""
        self.freshen()

    def freshen(self) -> None:
        """Draw what was asked for, once, and ask for what changed to be painted."""
        if not self._stale or not self.size or not self.is_attached:
            return
        parts = self._draw()
        for y, _, _ in parts:
            self._strips.pop(y, None)
        if parts:
            self._parts += parts
            top, end = parts[0][0], parts[-1][0] + 1
            rows = Region(0, top, self.size.width, end - top)
            self._told.add(rows)
            self.refresh(rows)

    def _draw(self) -> list[Part]:
        """Make the scene anew; what is not as it was, as rows and their columns."""
        self._stale = False
        before = self._scene
        width, height = self.size
        wish = Wish(
            width=width,
            height=height,
            span=self.span,
            cursor_hz=self.cursor_hz,
            lower=self.lower_shown,
            pending=self._pending,
        )
        self._scene = scene(self.data, wish, before)
        if before is None:
            return [(y, 0, width) for y in range(height)]
        return self._scene.parts_unlike(before)

    def on_resize(self) -> None:
        """Another size: everything anew."""
        self._stale = True
        self._strips.clear()

    def notify_style_update(self) -> None:
        """Another theme: every row is painted anew."""
        super().notify_style_update()
        self._looks = None
        self._strips.clear()

    def render_line(self, y: int) -> Strip:
        """One row, `y` counted from the top."""
        return self._strip(y)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Rows as painted, those that did not change as they were."""
        filters = list(self.get_line_filters())
        if filters != self._seen_through:
            self._seen_through, self._looks = filters, None
            self._strips.clear()
        strips = [self._strip(y) for y in crop.line_range]
        if crop.column_span != (0, self.size.width):
            strips = [strip.crop(*crop.column_span) for strip in strips]
        return strips

    def runs(self, regions: Collection[Region]) -> list[Run]:
        """Just the cells that changed where nothing else was asked for, else whole rows."""
        told, parts = self._told, self._parts
        self._told, self._parts = set(), []
        drawn, looks = self._scene, self._looks
        if (
            not told.issuperset(regions)
            or looks is None
            or drawn is None
            or drawn.drawing is None
            or self._size_differs(drawn)
            or self.get_line_filters() != self._seen_through
        ):
            return super().runs(regions)
        drawing = drawn.drawing
        return [
            (start, y, looks.segments(*drawing.cut(y, start, stop)))
            if y < drawing.height and drawing.is_simple(y) and stop - start < drawing.width
            else (0, y, self._strip(y))
            for y, start, stop in parts
        ]

    def _strip(self, y: int) -> Strip:
        if self._scene is None or self._size_differs(self._scene):
            self._draw()
            self._strips.clear()
        if self._looks is None:
            self._looks = Looks(
                self.rich_style,
                dark=self.app.current_theme.dark,
                no_color=self.app.no_color,
                filters=self._seen_through,
                ground=self.background_colors[1],
            )
        strip = self._strips.get(y)
        if strip is None:
            assert self._scene is not None
            strip = self._strips[y] = strip_of(self._scene, y, self._looks)
        return strip

    def _size_differs(self, drawn: Scene) -> bool:
        return (drawn.wish.width, drawn.wish.height) != tuple(self.size)
