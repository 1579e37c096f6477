"""Which preset to open: a path with completion, what was open lately, the shipped examples."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult

from xover.model.names import inert
from xover.tui.dialogs.base import Dialog, line
from xover.tui.dialogs.paths import PathChooser, no_file
from xover.tui.field import Field


class OpenDialog(Dialog[str]):
    """Answers the whole path of an existing file."""

    heading = "Open a preset"
    keys: ClassVar[str] = "type a path   Tab completes   ↑ ↓ choose   Enter opens   Esc leaves"

    def __init__(
        self,
        folder: str,
        *,
        recent: Sequence[str] = (),
        examples: Sequence[str] = (),
        why: str = "",
    ) -> None:
        """`recent` and `examples` are whole paths, offered while nothing is typed.

        `why` says what became of the preset that was asked for before.
        """
        super().__init__()
        self._folder = folder
        self._why = why
        self._extras = tuple(
            [(f"recent: {os.path.basename(path)}", path) for path in recent]
            + [(f"example: {os.path.basename(path)}", path) for path in examples]
        )

    def body(self) -> ComposeResult:
        """What went before, and the chooser."""
        if self._why:
            yield line(self._why)
        yield PathChooser(
            self._folder, endings=(".json",), extras=self._extras, placeholder="name or path"
        )

    def on_mount(self) -> None:
        """The line is ready to be typed in."""
        super().on_mount()
        self.query_one("#path", Field).focus()

    def action_go(self) -> None:
        """Open what is chosen."""
        self.query_one(PathChooser).enter()

    def _on_path_chooser_chosen(self, message: PathChooser.Chosen) -> None:
        self.say(no_file(message))
        if message.kind == "file":
            self.dismiss(message.path)

    def _on_path_chooser_typing(self, message: PathChooser.Typing) -> None:
        self.say("")

    def _on_path_chooser_unreadable(self, message: PathChooser.Unreadable) -> None:
        self.say(inert(message.sentence))
