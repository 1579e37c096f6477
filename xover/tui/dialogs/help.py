"""Every key and what it does, and what the cell under the cursor takes; typing narrows it.

Derived from the table of actions that is handed in; it has no list of keys of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Input

from xover.model.names import fold, inert
from xover.sheets.cells import width_of, wrapped
from xover.tui.dialogs.base import Dialog
from xover.tui.field import Field
from xover.tui.reflow import Reflowed

HelpGroup = tuple[str, Sequence[tuple[str, str]]]
"""A heading, and (key as people read it, what it does) for each of its actions."""


class HelpDialog(Dialog[None]):
    """Shows help; its answer is always None."""

    heading = "Help"
    keys: ClassVar[str] = "type to narrow   ↑ ↓ scroll   Esc leaves"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "scroll_by(-1)", "up", show=False),
        Binding("down", "scroll_by(1)", "down", show=False),
        Binding("pageup", "scroll_by(-10)", "page up", show=False),
        Binding("pagedown", "scroll_by(10)", "page down", show=False),
        Binding("f1", "leave", "leave", show=False),
    ]

    DEFAULT_CSS = """
    HelpDialog > #box { height: 100%; }
    HelpDialog VerticalScroll { height: 1fr; scrollbar-size-vertical: 1; }
    """

    def __init__(
        self,
        groups: Sequence[HelpGroup],
        *,
        cell: str = "",
        cell_help: str = "",
        about: Sequence[str] = (),
    ) -> None:
        """`cell` names the cell under the cursor, `cell_help` says what it takes (see
        `model.entry.help_for`); `about` are sentences shown first.
        """
        super().__init__()
        self._groups = tuple((title, tuple(lines)) for title, lines in groups)
        self._about = tuple(about)
        if cell_help:
            first = (cell or "This cell", (("", cell_help),))
            self._groups = (first, *self._groups)

    def body(self) -> ComposeResult:
        """A line to narrow it, and the help."""
        yield Field(id="wanted", placeholder="words to look for", most=200)
        with VerticalScroll(can_focus=False):
            yield Reflowed(id="help")

    def on_mount(self) -> None:
        """Everything at first."""
        super().on_mount()
        self.query_one("#wanted", Field).focus()
        self._show("")

    def action_scroll_by(self, lines: int) -> None:
        """Scroll."""
        self.query_one(VerticalScroll).scroll_relative(y=lines, animate=False, immediate=True)

    def _on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        self._show(event.value)

    def _show(self, wanted: str) -> None:
        groups = narrowed(self._groups, wanted)
        about = () if wanted.strip() else self._about
        self.query_one(Reflowed).show(partial(help_lines, groups, about))


def narrowed(groups: Sequence[HelpGroup], wanted: str) -> list[HelpGroup]:
    """The groups with only those lines that hold every word looked for; empty ones go."""
    words = fold(wanted).split()
    found: list[HelpGroup] = []
    for title, lines in groups:
        kept = [
            (key, text)
            for key, text in lines
            if all(word in fold(f"{title} {key} {text}") for word in words)
        ]
        if kept:
            found.append((title, kept))
    return found


def help_lines(groups: Sequence[HelpGroup], about: Sequence[str], width: int) -> list[Content]:
    """The help in lines of at most `width` columns, keys in a column of their own."""
    lines = [Content(text) for sentence in about for text in wrapped(inert(sentence), width)]
    if not groups:
        return [*lines, Content("No action is called that.")]
    keys = [inert(key) for _, found in groups for key, _ in found]
    column = min(max(width_of(key) for key in keys) + 2, max(2, width // 3))
    for title, found in groups:
        if lines:
            lines.append(Content(""))
        lines += [Content.styled(text, "bold") for text in wrapped(inert(title), width)]
        for key, text in found:
            shown = inert(key)
            first = f"{shown}{' ' * max(1, column - width_of(shown))}" if shown else ""
            indent = " " * column if shown else ""
            lines += [
                Content(one) for one in wrapped(inert(text), width, indent=indent, first=first)
            ]
    return lines
