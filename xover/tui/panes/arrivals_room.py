"""The room from above, in the Arrivals pane: boxes, listeners, a cursor, and levels under them.

What arrives at the cursor and the levels of a band are computed beside the screen, the newest wish
last. Nothing is edited here.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from functools import lru_cache, partial
from typing import ClassVar

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from xover.acoustics.bands import Band
from xover.acoustics.maps import LevelMap, level_map
from xover.model.drive import Drive
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.ranges import PositionM
from xover.model.units import plain, show_db, show_ms, signed
from xover.sheets.cells import fitted, wrapped
from xover.sheets.plan import (
    Plan,
    extent_of,
    ground,
    ink,
    ladder_of,
    ladder_words,
    marks_of,
    plan_of,
    rung,
    scale_words,
    top_of,
)
from xover.tui.computing import Computed, Newest
from xover.tui.panes.arrivals_view import Place, at_temperature, place_at

CURSOR = "┼"
FAR = 5
"""Cells that Shift makes of one."""
BESIDE, GAP = 36, 2
"""Columns that the text takes beside the plan, and between the two."""
_ROOMY = 16


class Laid(Struct, frozen=True):
    """Where the plan's text stands: beside it where that leaves the plan larger, else below."""

    plan: Plan
    text_column: int
    text_row: int
    text_width: int
    text_rows: int


class Levels(Struct, frozen=True):
    """A finished map and the plan that it lies on."""

    plan: Plan
    found: LevelMap


class Spot(Struct, frozen=True):
    """What arrives at the cursor."""

    position_m: PositionM
    place: Place


class Scene(Struct, frozen=True, eq=False):
    """What one painting shows."""

    laid: Laid
    marks: dict[tuple[int, int], str]
    steps: NDArray[np.int64] | None
    cursor: tuple[int, int] | None
    lines: list[str]


@lru_cache(maxsize=32)
def _on_step(step: int) -> Style:
    return Style(color=Color.from_rgb(*ink(step)), bgcolor=Color.from_rgb(*ground(step)))


class RoomView(Widget, can_focus=True):
    """The plan with a cursor; with a band the levels too. Posts `Busy` as work begins and ends."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "go(0,-1)", "left", show=False),
        Binding("right", "go(0,1)", "right", show=False),
        Binding("up", "go(-1,0)", "up", show=False),
        Binding("down", "go(1,0)", "down", show=False),
        Binding("shift+left", f"go(0,-{FAR})", "far left", show=False),
        Binding("shift+right", f"go(0,{FAR})", "far right", show=False),
        Binding("shift+up", f"go(-{FAR},0)", "far up", show=False),
        Binding("shift+down", f"go({FAR},0)", "far down", show=False),
        Binding("space,enter", "next_listener", "next listener", show=False),
        Binding("escape", "stop", "stop computing", show=False),
    ]

    DEFAULT_CSS = """
    RoomView { height: 1fr; width: 1fr; padding: 0 1; }
    """

    class Busy(Message):
        """Whether something is being computed for the room has changed."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._preset: Preset | None = None
        self._drive: Drive | None = None
        self._what_if_c: float | None = None
        self._band: Band | None = None
        self._place_m: tuple[float, float] | None = None
        self._spots, self._maps = Newest(self), Newest(self)
        self._spot: Spot | None = None
        self._levels: Levels | None = None
        self._problem = ""
        self._scene: Scene | None = None
        self._going = threading.Event()
        self._share = 0.0

    # What there is

    @property
    def plan(self) -> Plan | None:
        """The plan at this size; None where there is no room or nothing has a place."""
        return None if self._laid is None else self._laid.plan

    @property
    def _laid(self) -> Laid | None:
        width, height = self.content_size
        ranges = None if self._preset is None else extent_of(self._preset)
        if ranges is None or height < 4 or width < 12:
            return None
        beside = plan_of(ranges[0], ranges[1], width=width - BESIDE - GAP, height=height)
        rows = 2 if height < _ROOMY else 6 if height < 2 * _ROOMY - 4 else 9
        over = plan_of(ranges[0], ranges[1], width=width, height=height - rows)
        if width > 2 * BESIDE and beside.metres_per_column <= over.metres_per_column:
            column = beside.columns + GAP
            return Laid(beside, column, 0, width - column, height)
        start = over.rows + (1 if height - over.rows > rows else 0)
        return Laid(over, 0, start, width, height - start)

    @property
    def spot(self) -> Spot | None:
        """What arrives at the cursor, as last computed."""
        return self._spot

    @property
    def levels(self) -> Levels | None:
        """The map as last computed; None where none is wanted or could be had."""
        return self._levels

    @property
    def is_busy(self) -> bool:
        """Whether something is being computed."""
        return self._spots.is_busy or self._maps.is_busy

    @property
    def height_m(self) -> float:
        """The height of most listeners, in which plan and map lie."""
        heights = (
            sorted(item.position_m[2] for item in self._preset.listeners) if self._preset else []
        )
        return max(heights, key=heights.count) if heights else 1.2

    @property
    def cursor_m(self) -> PositionM | None:
        """Where the cursor is."""
        plan = self.plan
        if plan is None:
            return None
        if self._place_m is None:
            assert self._preset is not None
            seats = self._preset.listeners
            middle = (
                seats[len(seats) // 2].position_m
                if seats
                else plan.at(plan.rows // 2, plan.columns // 2)
            )
            self._place_m = middle[0], middle[1]
        return (*self._place_m, self.height_m)

    # What is asked

    def show(
        self, preset: Preset, drive: Drive, what_if_c: float | None, band: Band | None
    ) -> None:
        """Show the room; with a band the levels in it."""
        same = (preset, drive, what_if_c) == (self._preset, self._drive, self._what_if_c)
        if same and band == self._band and self._spot is not None:
            return
        self._preset, self._drive, self._what_if_c, self._band = preset, drive, what_if_c, band
        if band is None:
            self._levels = None
        self._ask()

    def on_mount(self) -> None:
        """Tell how far a map is while it takes time."""
        self.set_interval(0.2, lambda: self._maps.is_busy and self.refresh())

    def on_resize(self) -> None:
        """Another size is another plan."""
        self._ask()

    def action_go(self, rows: int, columns: int) -> None:
        """Move the cursor by cells."""
        plan, here = self.plan, self.cursor_m
        if plan is None or here is None:
            return
        row, column = plan.cell(here[0], here[1])
        row = min(max(row + rows, 0), plan.rows - 1)
        column = min(max(column + columns, 0), plan.columns - 1)
        self._put(plan.at(row, column))

    def action_next_listener(self) -> None:
        """Put the cursor on the listener after the one it stands on."""
        here = self.cursor_m
        if self._preset is None or here is None or not self._preset.listeners:
            return
        places = [(item.position_m[0], item.position_m[1]) for item in self._preset.listeners]
        at = places.index(here[:2]) if here[:2] in places else -1
        self._put(places[(at + 1) % len(places)])

    def action_stop(self) -> None:
        """Give up the map that is being computed."""
        self._going.clear()

    def on_click(self, event: events.Click) -> None:
        """Put the cursor there."""
        plan = self.plan
        at = event.get_content_offset(self)
        if plan is not None and at is not None and at.y < plan.rows and at.x < plan.columns:
            self._put(plan.at(at.y, at.x))

    def _put(self, place_m: tuple[float, float]) -> None:
        self._place_m = place_m
        self._ask_spot()
        self.refresh()

    def _ask(self) -> None:
        self.refresh()
        plan, preset, drive = self.plan, self._preset, self._drive
        if plan is None or preset is None or drive is None:
            return
        self._ask_spot()
        if self._band is None:
            return
        wanted = preset if self._what_if_c is None else at_temperature(preset, self._what_if_c)
        going = threading.Event()
        going.set()
        self._going.clear()  # what is computed now is of no use any more
        self._going, self._share = going, 0.0
        self._maps.ask(
            partial(_levels, wanted, plan, self.height_m, self._band, drive, self._told(going))
        )
        self.post_message(self.Busy())

    def _told(self, going: threading.Event) -> Callable[[float], bool]:
        def tell(share: float) -> bool:
            if going is self._going:
                self._share = share
            return going.is_set()

        return tell

    def _ask_spot(self) -> None:
        here = self.cursor_m
        if here is None or self._preset is None or self._drive is None:
            return
        self._spots.ask(partial(_spot, self._preset, here, self._drive, self._what_if_c))
        self.post_message(self.Busy())

    def _on_computed(self, message: Computed) -> None:
        problem = "" if message.problem is None else inert(message.problem.faults[0].message)
        if self._spots.ended(message) and isinstance(message.result, Spot):
            self._spot = message.result
        elif self._maps.ended(message):
            self._problem = problem
            self._levels = message.result if isinstance(message.result, Levels) else None
        self.refresh()
        self.post_message(self.Busy())

    # What is painted

    def render_lines(self, crop: Region) -> list[Strip]:
        """All rows of one painting from one scene."""
        self._scene = self._made()
        return super().render_lines(crop)

    def _made(self) -> Scene | None:
        laid = self._laid
        if laid is None or self._preset is None:
            return None
        here, steps = self.cursor_m, None
        if self._levels is not None and self._levels.plan == laid.plan:
            shown = laid.plan.levels(self._levels.found)
            steps = ladder_of(shown, top_of(self._levels.found, self._preset))
        return Scene(
            laid,
            marks_of(self._preset, laid.plan, names=self._band is None),
            steps,
            None if here is None else laid.plan.cell(here[0], here[1]),
            self.text_lines(),
        )

    def render_line(self, y: int) -> Strip:
        """A row of the plan with the text beside or below it."""
        width, base, scene = self.content_size.width, self.rich_style, self._scene
        if scene is None:
            text = "No source and no listener has a place yet." if self._preset and y == 0 else ""
            return Strip([Segment(fitted(text, width), base)], width)
        laid = scene.laid
        pieces: list[Segment] = []
        used = 0
        if y < laid.plan.rows:
            pieces, used = self._row(scene, y, base), laid.plan.columns
        at = y - laid.text_row
        if 0 <= at < laid.text_rows:
            text = scene.lines[at] if at < len(scene.lines) else ""
            pieces.append(Segment(" " * (laid.text_column - used), base))
            pieces.append(Segment(fitted(text, laid.text_width), base))
        return Strip(pieces).crop_extend(0, width, base)

    def _row(self, scene: Scene, row: int, base: Style) -> list[Segment]:
        plain_text = self.app.no_color
        pieces = []
        for column in range(scene.laid.plan.columns):
            step = None if scene.steps is None else int(scene.steps[row, column])
            mark = scene.marks.get((row, column))
            sign = mark or (" " if step is None else rung(step))
            style = base
            if step is not None and not plain_text:
                style += _on_step(step)
            if (row, column) == scene.cursor:
                sign = mark or CURSOR
                style += Style(reverse=True, bold=True)
            pieces.append(Segment(sign, style))
        return pieces

    def text_lines(self) -> list[str]:
        """What is said of the cursor's place, of the map, and of the scale, as room allows."""
        laid, here = self._laid, self.cursor_m
        if laid is None or here is None:
            return []
        width, rows = laid.text_width, laid.text_rows
        arriving = [" …"]
        if self._spot is not None and self._spot.position_m == here:
            arriving = spot_words(self._spot.place)
        of_the_map = [] if self._band is None else [self._of_the_map()]
        if rows <= 2:  # a line for the cursor and one for what else there is
            cursor = ", ".join([f"{self._where(here)}{self._level()}", *arriving])
            if self._band is None:
                return [*wrapped(cursor, width), scale_words(laid.plan)][:2]
            return [wrapped(cursor, width)[0], *wrapped(of_the_map[0], width)][:2]
        items = [self._where(here) + self._level(), *arriving]
        lines = [line for item in items for line in wrapped(item, width, indent="  ", first="")]
        extra = [line for item in (*of_the_map, scale_words(laid.plan))
                 for line in wrapped(item, width, indent="  ", first="")]  # fmt: skip
        room = max(1, rows - len(extra) - 1)
        return [*lines[:room], *([""] if len(lines) <= room else []), *extra][:rows]

    def _where(self, here: PositionM) -> str:
        text = f"x {plain(here[0], 1)}, y {plain(here[1], 1)} m"
        return text if self._what_if_c is None else f"{text}, {plain(self._what_if_c, 1)} °C"

    def _level(self) -> str:
        plan, here = self.plan, self.cursor_m
        if self._levels is None or plan is None or here is None or self._levels.plan != plan:
            return ""
        found = self._levels.found
        shown = plan.levels(found)
        level_db = float(shown[plan.cell(here[0], here[1])])
        unit = "dB SPL" if found.level == "spl" else "dB rel"
        return f": {plain(level_db, 1)} {unit}"

    def _of_the_map(self) -> str:
        assert self._band is not None
        assert self._preset is not None
        if self._maps.is_busy:
            return f"{self._band.words}: computing, {100.0 * self._share:.0f} % (Esc stops)"
        if self._levels is None:
            return self._problem or "stopped"
        return f"{self._band.words}; {ladder_words(self._levels.found, self._preset)}"


def spot_words(place: Place) -> list[str]:
    """Who leads at a place, who follows by how much and how loud, and what crossings lose."""
    if place.problem:
        return [place.problem]
    sounding = [row for row in place.rows if row.level_db != -math.inf]
    if not sounding:
        return ["nothing sounds"]
    first = sounding[0]
    parts = [f"{inert(first.output)} leads at {show_ms(place.first_ms, 1)}"]
    for row in sounding[1:]:
        text = f"{inert(row.output)} {signed(row.relative_ms, 1)} ms"
        if row.level == first.level and math.isfinite(row.level_db - first.level_db):
            text += f" {show_db(row.level_db - first.level_db)}"
        parts.append(text)
    return parts + [
        f"{inert(loss.lower)} × {inert(loss.upper)} loses {plain(loss.loss_db, 1)} dB"
        for loss in place.losses
    ]


def _spot(preset: Preset, here: PositionM, drive: Drive, what_if_c: float | None) -> Spot:
    return Spot(here, place_at(preset, here, drive, what_if_c))


def _levels(
    preset: Preset,
    plan: Plan,
    height_m: float,
    band: Band,
    drive: Drive,
    going: Callable[[float], bool],
) -> Levels:
    return Levels(plan, level_map(preset, plan.area(height_m), band, drive, going=going))
