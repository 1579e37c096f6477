"""The settings sheet: a widget that shows a `SheetView` and says what people do with it.

It holds a cursor, a selection, a scroll position and the text being typed, nothing else; what is
typed is posted, never applied.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from textual import events

from xover.session.cells import row_words
from xover.tui import sheet_messages as says
from xover.tui.line_editor import LONGEST, LineEditor
from xover.tui.painting import has_more
from xover.tui.sheet_surface import SheetSurface

CLEARED = "off"
"""What Delete asks for, in the words a person would type."""


class SheetKey(NamedTuple):
    """A key of the sheet, for the help: how people read it, and what it does."""

    shown: str
    help: str


SHEET_KEYS: tuple[SheetKey, ...] = (
    SheetKey("any character", "Type over the cell; Enter takes it, Esc leaves the old value"),
    SheetKey("Enter", "Edit the cell in place"),
    SheetKey("Del", "Clear the cell"),
    SheetKey("[ ]", "Nudge by a musical step; { } coarse"),
    SheetKey("Alt+← →", "Choose the part that is nudged: frequency, gain, Q; slope; attack"),
    SheetKey("← → ↑ ↓", "Move; Home, End, PgUp, PgDn, Tab; Ctrl+Home and Ctrl+End to the corners"),
    SheetKey("Shift+← →", "Select columns of one row to edit together"),
    SheetKey("Ctrl+C, Ctrl+V", "Copy and paste a cell"),
    SheetKey("Ctrl+← →", "Swap the column with its neighbour"),
)
_NUDGES: dict[str, tuple[int, bool]] = {
    "[": (-1, False),
    "]": (1, False),
    "{": (-1, True),
    "}": (1, True),
}
_COMMANDS = ("?", "/")
"""Printing characters that are commands of the app while nothing is being typed."""
_TURN = 2
"""Rows that one turn of the wheel moves."""


class SheetGrid(SheetSurface):
    """The settings sheet."""

    DEFAULT_CSS = """
    SheetGrid { height: 1fr; width: 1fr; }
    """

    Typed = says.Typed
    Nudged = says.Nudged
    CursorMoved = says.CursorMoved
    Copied = says.Copied
    Pasted = says.Pasted
    Swapped = says.Swapped
    Told = says.Told

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._fresh_focus = False
        self.maker: Callable[[says.Nudged | says.Typed], None] | None = None
        """Makes steps in the turn of their key; None: they are posted as everything else is."""

    # Keys

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Whether a key would be typed into a cell."""
        if character is None or not character.isprintable():
            return False
        return self.editing or character not in _COMMANDS

    def on_key(self, event: events.Key) -> None:
        """Type, edit or move; keys that mean nothing here go on to the app."""
        if self._view is None:
            return
        self._fresh_focus = False
        obeyed = self._type(event) if self.editing else self._command(event)
        if obeyed:
            event.stop()
            event.prevent_default()

    def _type(self, event: events.Key) -> bool:
        assert self._editor is not None
        key, character = event.key, _printed(event)
        if character is not None:
            self._insert(character, "")
        elif key == "enter":
            self._commit()
        elif key == "escape":
            self._leave()
        elif key in ("tab", "shift+tab", "up", "down", "pageup", "pagedown"):
            self._commit()
            self._step(key)
        elif key == "ctrl+c":
            self.app.copy_to_clipboard(self._editor.text)
        elif key == "ctrl+v":
            self._insert(self.app.clipboard, "The pasted text")
        elif self._editor.press(key):
            self._touch_row(self._row)
        else:
            return False
        return True

    def _command(self, event: events.Key) -> bool:
        key, character = event.key, _printed(event)
        if character is not None and character in _NUDGES:
            self.nudge(*_NUDGES[character])
        elif character is not None and character not in _COMMANDS:
            self._begin("")
            self._insert(character, "")
        elif key == "enter":
            self._begin(self._text_here())
        elif key == "backspace":
            self._begin("")
        elif key == "delete":
            self._post_typed(CLEARED)
        elif key == "escape":
            return self._let_go()
        elif key == "ctrl+c":
            cell = self.cursor
            assert cell is not None
            self.post_message(self.Copied(cell))
        elif key == "ctrl+v":
            self._forget(self.selection)
            self.post_message(self.Pasted(self.selection))
        elif key in ("alt+left", "alt+right", "ctrl+n"):
            self.next_part(-1 if key == "alt+left" else 1)
        elif key in ("ctrl+left", "ctrl+right"):
            self._swap(-1 if key == "ctrl+left" else 1)
        else:
            return self._step(key)
        return True

    def nudge(self, steps: int, coarse: bool) -> None:
        """Ask for the selected cells to go up or down by musical steps."""
        self._forget(self.selection)
        self._ask(self.Nudged(self.selection, steps, coarse, self.part))

    def next_part(self, by: int = 1) -> None:
        """The next part of the cell is what nudges move; it stays so in cells that have it."""
        cell, known = self.cursor, self._parts()
        if cell is None or self.editing:
            return
        if len(known) < 2:
            self.post_message(
                self.Told(f"{row_words(cell.row)} here has no parts to choose from; [ ] nudge it")
            )
            return
        self._part = known[(known.index(self.part) + by) % len(known)]
        self._touch_cell(cell)
        self.post_message(self.Told(""))

    def on_paste(self, event: events.Paste) -> None:
        """Pasted text goes into the editor, over the cell where nothing is being typed."""
        event.stop()
        event.prevent_default()
        if self._view is not None:
            if not self.editing:
                self._begin("")
            self._insert(event.text, "The pasted text")

    def _step(self, key: str) -> bool:
        """Obey a key that moves the cursor; False where it is none."""
        assert self._view is not None
        columns, rows = len(self._view.columns), len(self._view.rows)
        column, row, page = self._column, self._row, max(1, self._rows_in_sight() - 1)
        if key in ("tab", "shift+tab"):
            forward = key == "tab"
            on = row * columns + column + (1 if forward else -1)
            on = min(max(on, 0), rows * columns - 1)
            self._go(on % columns, on // columns)
            return True
        extend = key.startswith("shift+")
        places = {
            "left": (column - 1, row),
            "right": (column + 1, row),
            "home": (0, row),
            "end": (columns - 1, row),
            "up": (column, row - 1),
            "down": (column, row + 1),
            "pageup": (column, row - page),
            "pagedown": (column, row + page),
            "ctrl+home": (0, 0),
            "ctrl+end": (columns - 1, rows - 1),
        }
        bare = key.removeprefix("shift+")
        if bare not in places or (extend and places[bare][1] != row):
            return False
        self._go(*places[bare], extend=extend)
        return True

    # Mouse

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """A click moves the cursor, with Shift it selects; on the cursor's cell it edits."""
        event.stop()
        fresh, self._fresh_focus = self._fresh_focus, False
        if self._view is None or event.button != 1:
            return
        field = self._scene().field()
        if self._editor is not None and field is not None:
            y, x, width = field
            if event.y == y and x <= event.x < x + width:
                self._editor.put_caret(event.x - x - 1)
                self._touch_row(self._row)
                return
        if self.editing:
            self._commit()
        column, row = self._plan.column_at(event.x), self._row_at(event.y)
        if column is None and row is None:
            return
        here = (column, row) == (self._column, self._row)
        if here and not event.shift and not fresh:
            self._begin(self._text_here())
        elif event.shift:
            self._go(self._column if column is None else column, self._row, extend=True)
        else:
            self._go(self._column if column is None else column, self._row if row is None else row)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """The wheel moves rows, with Shift columns; the cursor stays where it is."""
        self._wheel(event, (1, 0) if event.shift else (0, _TURN))

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """As the wheel's other way."""
        self._wheel(event, (-1, 0) if event.shift else (0, -_TURN))

    def on_mouse_scroll_right(self, event: events.MouseScrollRight) -> None:
        """A wheel that turns sideways moves columns."""
        self._wheel(event, (1, 0))

    def on_mouse_scroll_left(self, event: events.MouseScrollLeft) -> None:
        """A wheel that turns sideways moves columns."""
        self._wheel(event, (-1, 0))

    def _wheel(self, event: events.MouseEvent, by: tuple[int, int]) -> None:
        event.stop()
        event.prevent_default()
        if self._widths:
            self._scroll_sheet(self._first_column + by[0], self._top_row + by[1])

    # The editor

    def _begin(self, text: str) -> None:
        self._keep_in_sight()
        self._editor = LineEditor(text)
        self._touch_row(self._row)

    def undo_typing(self) -> None:
        """Take back what was typed last; where that is all of it, the old value stands again."""
        if self._editor is None:
            return
        self._editor.undo()
        if self._editor.has_past:
            self._touch_row(self._row)
        else:
            self._leave()
            self.post_message(self.Told("typing taken back; the old value stands"))

    def redo_typing(self) -> None:
        """Type again what was taken back."""
        if self._editor is not None:
            self._editor.redo()
            self._touch_row(self._row)

    def _insert(self, text: str, what: str) -> None:
        assert self._editor is not None
        cut = self._editor.insert(text)
        self._touch_row(self._row)
        if cut:
            self.post_message(
                self.Told(
                    f"{what or 'The text'} is too long for a cell: its last {cut:,} characters "
                    f"were left out; a cell takes {LONGEST:,}."
                )
            )

    def _commit(self) -> None:
        assert self._editor is not None
        assert self._view is not None
        text, here = self._editor.text, self._view.at(self._view.cell(self._column, self._row))
        cells = self.selection
        as_it_was = here is not None and text == here.text and len(cells) == 1
        self._leave()
        self._forget(cells)
        if not as_it_was:
            self._post_typed(text)

    def _post_typed(self, text: str) -> None:
        self._forget(self.selection)
        self._ask(self.Typed(self.selection, text))

    def _ask(self, message: says.Nudged | says.Typed) -> None:
        """For a step: of who can make it at once, unless something was posted before."""
        if self.maker is None or has_more(self):
            self.post_message(message)
        else:
            self.maker(message)

    def _text_here(self) -> str:
        assert self._view is not None
        cell = self._view.cell(self._column, self._row)
        if cell in self._refused:
            return self._refused[cell][0]
        shown = self._view.at(cell)
        return "" if shown is None or shown.nothing else shown.text

    def _let_go(self) -> bool:
        """Escape: first of a refused text, then of a selection; False where there is neither."""
        cell = self.cursor
        if cell in self._refused:
            self._forget((cell,))
            self.post_message(self.Told(""))
        elif self._anchor != self._column:
            self._go(self._column, self._row)
        else:
            return False
        return True

    def _swap(self, by: int) -> None:
        assert self._view is not None
        here, other = self._view.columns[self._column], self._column + by
        if here.side == "input":
            self.post_message(self.Told("Only outputs are swapped; the cursor is on an input."))
        elif not self._view.first_output <= other < len(self._view.columns):
            side = "left" if by < 0 else "right"
            self.post_message(self.Told(f"There is no output to the {side} to swap with."))
        else:
            self.post_message(self.Swapped(here.name, self._view.columns[other].name))

    def on_focus(self) -> None:
        """The cursor shows that keys come here."""
        self._fresh_focus = True
        self._touch_row(self._row)

    def on_blur(self) -> None:
        """What is being typed stays; it goes on when the keys come back."""
        self._touch_row(self._row)


def _printed(event: events.Key) -> str | None:
    """The character that a key prints; None for commands and for keys held with Alt or Ctrl."""
    if event.character is None or not event.is_printable:
        return None
    return None if event.key.startswith(("ctrl+", "alt+")) else event.character
