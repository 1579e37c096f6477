"""Where boxes and listeners stand, as a table to type into, in the Arrivals pane.

What is typed is read here and asked for; the app makes it a step. Text that is not understood
stays in the cell with a sentence.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from xover.model.entry_figures import parse_length
from xover.model.entry_text import Context
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.ranges import CoordinateM, PositionM
from xover.model.units import plain
from xover.model.walk import number_problem
from xover.sheets.cells import fitted, width_of, wrapped
from xover.sheets.plan import LISTENER, SOURCE
from xover.tui.field import paste_problem
from xover.tui.line_editor import LineEditor
from xover.tui.lines import whole_parts

Kind = Literal["sources", "listeners"]
AXES = ("x right", "y ahead", "z up")
STEP_M, COARSE_M = 0.1, 1.0
CELL = 9
MOST = 40
_BEGIN = "0123456789+-.,−'"
_HINTS = ("type metres or feet", "[ ] 0.1 m", "{ } 1 m", "Enter edits", "Esc leaves")
_NUDGES = {"[": -STEP_M, "]": STEP_M, "{": -COARSE_M, "}": COARSE_M}


class Thing(Struct, frozen=True):
    """A row: one source or listener."""

    kind: Kind
    index: int
    name: str
    shown: str
    position_m: PositionM


def things_of(preset: Preset) -> tuple[Thing, ...]:
    """Every source, then every listener, in file order."""
    found = [
        Thing("sources", index, item.name, f"{SOURCE} {inert(item.name)}", item.position_m)
        for index, item in enumerate(preset.sources)
    ]
    found += [
        Thing("listeners", index, item.name, f"{LISTENER} {inert(item.name)}", item.position_m)
        for index, item in enumerate(preset.listeners)
    ]
    return tuple(found)


class PlacesTable(Widget, can_focus=True):
    """The table; posts `Moved` when a coordinate was typed or nudged."""

    DEFAULT_CSS = """
    PlacesTable { height: 1fr; width: 1fr; padding: 0 1; }
    """

    class Moved(Message):
        """A source or listener shall stand at this position."""

        def __init__(self, thing: Thing, position_m: PositionM) -> None:
            super().__init__()
            self.thing = thing
            self.position_m = position_m

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._things: tuple[Thing, ...] = ()
        self._row = self._axis = self._top = 0
        self._editor: LineEditor | None = None
        self._sentence = ""

    # What there is

    @property
    def things(self) -> tuple[Thing, ...]:
        """The rows."""
        return self._things

    @property
    def cursor(self) -> tuple[Thing, int] | None:
        """The row and the axis under the cursor."""
        return (self._things[self._row], self._axis) if self._things else None

    @property
    def typing(self) -> str | None:
        """The text being typed."""
        return None if self._editor is None else self._editor.text

    @property
    def sentence(self) -> str:
        """What is wrong with it."""
        return self._sentence

    def show(self, preset: Preset) -> None:
        """Show the places of a preset; text being typed stays."""
        things = things_of(preset)
        if things != self._things:
            self._things = things
            self._row = min(self._row, max(0, len(things) - 1))
            self.refresh()

    # What is done

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Whether a key would be typed here."""
        if character is None or not character.isprintable():
            return False
        return self._editor is not None or character in _BEGIN or character in _NUDGES

    def on_key(self, event: events.Key) -> None:
        """Move, type, nudge; other keys go on to the app."""
        if not self._things:
            return
        done = self._edit(event) if self._editor is not None else self._command(event)
        if done:
            event.stop()
            event.prevent_default()
            self.refresh()

    def on_blur(self) -> None:
        """What was being typed is taken, as in the sheet's cells when the cursor leaves."""
        if self._editor is not None:
            self._take()

    def on_paste(self, event: events.Paste) -> None:
        """Put text into the cell; what cannot be kept is turned down."""
        event.stop()
        text = event.text.strip("\r\n")
        problem = paste_problem(text, MOST)
        if problem or not self._things:
            self._sentence = problem
        else:
            if self._editor is None:
                self._editor = LineEditor()
            self._editor.insert(text)
        self.refresh()

    def on_click(self, event: events.Click) -> None:
        """Put the cursor there."""
        at = event.get_content_offset(self)
        if at is None or self._editor is not None or at.y < 1:
            return
        row, axis = self._top + at.y - 1, (at.x - self._label - 1) // (CELL + 1)
        if row < len(self._things):
            self._row, self._axis = row, min(max(axis, 0), 2)
            self.refresh()

    def _on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        self._roll(event, 1)

    def _on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        self._roll(event, -1)

    def _roll(self, event: events.MouseEvent, rows: int) -> None:
        """The wheel moves the cursor, unless something is being typed."""
        event.stop()
        if self._things and self._editor is None:
            self._row = min(max(self._row + rows, 0), len(self._things) - 1)
            self.refresh()

    def _command(self, event: events.Key) -> bool:
        key, character = event.key, event.character
        if key in ("up", "down"):
            step = -1 if key == "up" else 1
            self._row = min(max(self._row + step, 0), len(self._things) - 1)
        elif key in ("left", "right"):
            self._axis = min(max(self._axis + (-1 if key == "left" else 1), 0), 2)
        elif key in ("home", "end"):
            self._row = 0 if key == "home" else len(self._things) - 1
        elif key in ("pageup", "pagedown"):
            step = max(1, self._rows - 1) * (-1 if key == "pageup" else 1)
            self._row = min(max(self._row + step, 0), len(self._things) - 1)
        elif key == "enter":
            self._editor = LineEditor(_figure(self._things[self._row].position_m[self._axis]))
        elif character is not None and character in _NUDGES:
            self._nudge(_NUDGES[character])
        elif character is not None and character in _BEGIN:
            self._editor = LineEditor()
            self._editor.insert(character)
        else:
            return False
        self._sentence = ""
        return True

    def _edit(self, event: events.Key) -> bool:
        assert self._editor is not None
        if event.key == "escape":
            self._editor, self._sentence = None, ""
        elif event.key in ("enter", "tab", "up", "down"):
            taken = self._take()
            if taken and event.key in ("tab", "enter"):
                self._onward()
            elif taken:
                self._command(event)
        elif self._editor.press(event.key):
            self._sentence = ""
        elif event.character is not None and event.is_printable:
            if len(self._editor.text) < MOST:
                self._editor.insert(event.character)
        else:
            return False
        return True

    def _onward(self) -> None:
        """To the next axis, and from the last to the next row."""
        if self._axis < 2:
            self._axis += 1
        elif self._row < len(self._things) - 1:
            self._axis, self._row = 0, self._row + 1

    def _take(self) -> bool:
        assert self._editor is not None
        try:
            value = read_coordinate(self._editor.text)
        except Refused as refused:
            self._sentence = refused.faults[0].message
            return False
        self._editor, self._sentence = None, ""
        self._move(value)
        return True

    def _nudge(self, by_m: float) -> None:
        present = self._things[self._row].position_m[self._axis]
        value = round(present + by_m, 6)
        problem = number_problem(value, CoordinateM)
        self._sentence = f"a coordinate of {problem}" if problem else ""
        if not problem:
            self._move(value)

    def _move(self, value_m: float) -> None:
        thing = self._things[self._row]
        place = list(thing.position_m)
        if place[self._axis] == value_m:
            return
        place[self._axis] = value_m
        moved = (place[0], place[1], place[2])
        self._things = (
            *self._things[: self._row],
            Thing(thing.kind, thing.index, thing.name, thing.shown, moved),
            *self._things[self._row + 1 :],
        )
        self.post_message(self.Moved(thing, moved))

    # What is painted

    @property
    def _label(self) -> int:
        inner = self.content_size.width
        widest = max((width_of(thing.shown) for thing in self._things), default=4)
        return max(4, min(widest, inner - 3 * (CELL + 1)))

    @property
    def _rows(self) -> int:
        """Rows for things: a heading above, sentences below."""
        return max(1, self.content_size.height - 1 - len(self._said()))

    def render_line(self, y: int) -> Strip:
        """The heading, a row, or the sentence at the end."""
        width, base = self.content_size.width, self.rich_style
        self._top = min(self._top, self._row)
        self._top = max(self._top, self._row - self._rows + 1)
        pieces: list[Segment] = []
        said = self._said()
        at = y - (self.content_size.height - len(said))
        if at >= 0:
            pieces.append(Segment(fitted(said[at], width), base))
        elif y == 0:
            heads = "".join(f" {head:>{CELL}}" for head in AXES)
            text = fitted(fitted("m", self._label) + heads, width)
            pieces.append(Segment(text, base + Style(dim=True)))
        elif self._top + y - 1 < len(self._things):
            pieces += self._line(self._top + y - 1, base)
        return Strip(pieces).crop_extend(0, width, base)

    def _said(self) -> list[str]:
        """What is wrong, or what may be done, in as many rows as it takes, three at most."""
        width = max(1, self.content_size.width)
        if self._sentence:
            return wrapped(self._sentence, width)[:3]
        if not self._things:
            return ["No source and no listener yet."]
        return [whole_parts(list(_HINTS), width, gap=", ")]

    def _line(self, row: int, base: Style) -> list[Segment]:
        thing = self._things[row]
        pieces = [Segment(fitted(thing.shown, self._label), base)]
        for axis in range(3):
            pieces.append(Segment(" ", base))
            here = (row, axis) == (self._row, self._axis)
            if here and self._editor is not None:
                before, under, after = self._editor.in_sight(CELL)
                pieces += [
                    Segment(before, base + Style(underline=True)),
                    Segment(under, base + Style(reverse=True)),
                    Segment(after, base + Style(underline=True)),
                ]
                continue
            style = base + Style(reverse=True, bold=True) if here and self.has_focus else base
            pieces.append(Segment(f"{_figure(thing.position_m[axis]):>{CELL}}", style))
        return pieces


def _figure(metres: float) -> str:
    """Two decimals, or as many as it has."""
    text = plain(metres, 2)
    return text if round(metres, 2) == metres else plain(metres, 4).rstrip("0")


def read_coordinate(text: str) -> float:
    """Metres typed as `3.5`, `-2 m` or `12'6"`, within ±10 km. Raises `Refused`."""
    value = parse_length(text, Context(sample_rate_hz=48_000.0, speed_of_sound_m_s=343.2))
    problem = number_problem(value, CoordinateM)
    if problem:
        raise Refused.at("", f"a coordinate of {problem}")
    return value
