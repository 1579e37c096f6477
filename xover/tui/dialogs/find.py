"""Finding an action by its words: every one of the table, narrowed as one types.

It answers which action; running it, and at which place, is for whoever asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Input, OptionList
from textual.widgets.option_list import Option

from xover.model.names import fold
from xover.sheets.cells import width_of, wrapped
from xover.tui.actions import Action
from xover.tui.dialogs.base import Dialog
from xover.tui.field import Field
from xover.tui.options import Options


class FindDialog(Dialog[str]):
    """Answers the id of an action."""

    heading = "What would you like to do?"
    keys: ClassVar[str] = "type to narrow   ↑ ↓ choose   Enter does it   Esc leaves"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "up", show=False),
        Binding("down", "move(1)", "down", show=False),
        Binding("pageup", "move(-8)", "page up", show=False),
        Binding("pagedown", "move(8)", "page down", show=False),
    ]

    DEFAULT_CSS = """
    FindDialog > #box { height: 100%; }
    FindDialog #found { height: 1fr; max-height: 100%; }
    """

    def __init__(self, actions: Sequence[Action]) -> None:
        """`actions` are offered in this order until something is typed."""
        super().__init__()
        self._actions = tuple(actions)
        self._found = self._actions
        self._wanted = ""

    def body(self) -> ComposeResult:
        """A line to narrow them, and the actions."""
        yield Field(id="wanted", placeholder="its words, or its key", most=200)
        yield Options(id="found", markup=False)

    def on_mount(self) -> None:
        """All of them at first."""
        super().on_mount()
        self.query_one("#found").can_focus = False
        self.query_one("#wanted", Field).focus()
        self._show("")

    @property
    def found(self) -> tuple[Action, ...]:
        """The actions that fit what is typed, the best first."""
        return self._found

    def action_move(self, rows: int) -> None:
        """Move among the actions."""
        options = self.query_one("#found", OptionList)
        if self._found:
            at = options.highlighted or 0
            options.highlighted = min(max(at + rows, 0), len(self._found) - 1)

    def action_go(self) -> None:
        """Answer with the action under the highlight; nothing where none fits."""
        at = self.query_one("#found", OptionList).highlighted
        if self._found:
            self.dismiss(self._found[at or 0].id)

    def on_resize(self) -> None:
        """Lines for another width."""
        self._show(self.query_one("#wanted", Field).value)

    def _show(self, wanted: str) -> None:
        self._wanted, self._found = wanted, found(self._actions, wanted)
        options = self.query_one("#found", OptionList)
        width = max(20, self.query_one("#box").size.width - 4)
        options.clear_options()
        options.add_options([Option(_words(action, width)) for action in self._found])
        if self._found:
            options.highlighted = 0
        self.say(
            "" if self._found else "nothing is called that; try another word, or ? for all keys"
        )

    def _on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        self._show(event.value)

    def _on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        if event.value != self._wanted:  # Enter may come before what was typed is shown
            self._show(event.value)
        self.action_go()

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.dismiss(self._found[event.option_index].id)


def found(actions: Sequence[Action], wanted: str) -> tuple[Action, ...]:
    """The actions that have every word of `wanted` in label, help or key; by label comes first."""
    words = fold(wanted).split()
    if not words:
        return tuple(actions)
    ranked: list[tuple[int, int, Action]] = []
    for order, action in enumerate(actions):
        label, text = fold(action.label), fold(f"{action.label} {action.help} {action.group}")
        key = fold(action.shown)
        if not all(word in text or word == key for word in words):
            continue
        if words == [key] or label.startswith(words[0]):
            rank = 0
        elif any(each.startswith(words[0]) for each in text.split()):
            rank = 1
        else:
            rank = 2
        ranked.append((rank, order, action))
    return tuple(action for _, _, action in sorted(ranked, key=lambda each: each[:2]))


def _words(action: Action, width: int) -> Content:
    """Key, label and help on one line, or on as many as they take."""
    key = action.shown if action.keys else ""
    head = f"{key:<5}{action.label:<16}"
    indent = " " * width_of(head)
    lines = wrapped(action.help, width, indent=indent, first=head)
    return Content("\n".join(lines))
