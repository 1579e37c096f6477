"""A list of any length that is walked by keys and mouse; only what is in sight is painted.

It knows lines and a cursor, nothing of what they mean. Letters are handed on, so that a search
can begin wherever the cursor is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar, NamedTuple

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from xover.model.names import inert
from xover.sheets.cells import fitted

KEYS_OF_THE_WORKBENCH = "?/"
PASTED = 200
"""The most letters that are taken from a pasted text."""


class Item(NamedTuple):
    """One line; `what` is what it stands for, by which the cursor finds it again."""

    what: object
    text: str
    bold: bool = False


class Walk(Widget, can_focus=True):
    """Lines with a cursor; tells what is to be done with the line under it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "go(-1)", "up", show=False),
        Binding("down", "go(1)", "down", show=False),
        Binding("pageup", "page(-1)", "page up", show=False),
        Binding("pagedown", "page(1)", "page down", show=False),
        Binding("home", "end(0)", "first", show=False),
        Binding("end", "end(1)", "last", show=False),
        Binding("right", "ask('in')", "open", show=False),
        Binding("left", "ask('out')", "close", show=False),
        Binding("enter", "ask('choose')", "choose", show=False),
    ]
    ALLOW_SELECT = False
    DEFAULT_CSS = "Walk { height: 1fr; width: 1fr; min-height: 1; }"

    class Moved(Message):
        """The cursor is on another line."""

    def __init__(
        self,
        *,
        asked: Callable[[str], None],
        typed: Callable[[str], None],
        id: str | None = None,
    ) -> None:
        """Both are told at once, before the next key: what is asked for, and what is typed.

        `asked`: the line shall be opened ("in"), closed ("out") or chosen ("choose"). `typed`: a
        letter, "" takes the last one back.
        """
        super().__init__(id=id)
        self._asked = asked
        self._typed = typed
        self._items: Sequence[Item] = ()
        self._at = 0
        self._top = 0

    @property
    def items(self) -> Sequence[Item]:
        """All lines."""
        return self._items

    @property
    def current(self) -> object | None:
        """What the line under the cursor stands for; None where there are no lines."""
        return self._items[self._at].what if self._items else None

    def show(self, items: Sequence[Item], *, at: object | None = None) -> None:
        """Show other lines, the cursor on the one that stands for `at`, else where it was."""
        before = self.current
        wanted = before if at is None else at
        self._items = items
        found = next((k for k, item in enumerate(items) if item.what == wanted), None)
        self._at = min(self._at, max(0, len(items) - 1)) if found is None else found
        self._keep_in_sight()
        self.refresh()
        if self.current != before:
            self.post_message(self.Moved())

    def render_line(self, y: int) -> Strip:
        """A line as wide as the widget."""
        width, number = self.size.width, self._top + y
        if number >= len(self._items):
            return Strip.blank(width, self.rich_style)
        item = self._items[number]
        style = self.rich_style + Style(bold=item.bold)
        if number == self._at:
            style += Style(reverse=True, bold=True) if self.has_focus else Style(underline=True)
        below = number == self._top + self.size.height - 1 and number < len(self._items) - 1
        above = y == 0 and number > 0
        mark = "↓" if below else "↑" if above else " "
        text = fitted(inert(item.text), max(0, width - 2))
        return Strip([Segment(fitted(f"{text} {mark}", width), style)], width)

    def action_go(self, rows: int) -> None:
        """Some lines on or back."""
        self._go(self._at + rows)

    def action_page(self, pages: int) -> None:
        """A page on or back."""
        self._go(self._at + pages * max(1, self.size.height - 1))

    def action_end(self, last: int) -> None:
        """The first line, or the last."""
        self._go(last * len(self._items))

    def action_ask(self, how: str) -> None:
        """Something is to be done with the line."""
        if self._items:
            self._asked(how)

    def on_key(self, event: events.Key) -> None:
        """Letters go to whoever searches, but those that are keys of the workbench."""
        letter = event.character if event.is_printable else None
        if letter is not None and letter not in KEYS_OF_THE_WORKBENCH:
            event.stop()
            event.prevent_default()
            self._typed(letter)
        elif event.key == "backspace":
            event.stop()
            self._typed("")

    def on_paste(self, event: events.Paste) -> None:
        """A pasted text is searched for, its first line."""
        event.stop()
        self._typed(inert(event.text.strip().partition("\n")[0][:PASTED]))

    def on_click(self, event: events.Click) -> None:
        """To the line; on the one under the cursor it is a choice."""
        number = self._top + event.y
        if number < len(self._items):
            again = number == self._at
            self._go(number)
            if again or event.chain > 1:
                self._asked("choose")

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Three lines on."""
        event.stop()
        self._go(self._at + 3)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Three lines back."""
        event.stop()
        self._go(self._at - 3)

    def on_resize(self) -> None:
        """The cursor stays in sight."""
        self._keep_in_sight()

    def on_focus(self) -> None:
        """The cursor looks different now."""
        self.refresh()

    def on_blur(self) -> None:
        """The cursor looks different now."""
        self.refresh()

    def _go(self, number: int) -> None:
        number = min(max(number, 0), max(0, len(self._items) - 1))
        if number != self._at:
            self._at = number
            self._keep_in_sight()
            self.refresh()
            self.post_message(self.Moved())

    def _keep_in_sight(self) -> None:
        tall = max(1, self.size.height)
        self._top = max(min(self._top, self._at), self._at - tall + 1)
        self._top = max(0, min(self._top, len(self._items) - tall))
