"""Where to save: a folder and a name; what exists is replaced only after being asked about."""

from __future__ import annotations

import os
from typing import ClassVar, NamedTuple

from textual.app import ComposeResult
from textual.content import Content
from textual.widgets import Static

from xover.files.paths import shown_path
from xover.model.names import inert
from xover.tui.dialogs.base import Dialog, line
from xover.tui.dialogs.confirm import ConfirmDialog
from xover.tui.dialogs.paths import PathChooser
from xover.tui.field import Field

ENDING = ".json"


class SaveTarget(NamedTuple):
    """Where to write; `overwrite` where the user was asked about the file there and agreed."""

    path: str
    overwrite: bool


class SaveAsDialog(Dialog[SaveTarget]):
    """Answers a whole path, ending in `.json` where nothing else was typed."""

    heading = "Save under another name"
    keys: ClassVar[str] = "type a name   Tab completes   ↑ ↓ choose   Enter saves   Esc leaves"

    def __init__(self, folder: str, name: str = "", *, why: str = "") -> None:
        """`name` stands in the line at first; `why` says why a name is needed."""
        super().__init__()
        self._folder = folder
        self._start = name.removesuffix(ENDING)
        self._why = why

    def body(self) -> ComposeResult:
        """The reason, the chooser, and what would be written."""
        if self._why:
            yield line(self._why)
        yield PathChooser(
            self._folder, endings=(ENDING,), name=self._start, placeholder="name or path"
        )
        yield line("", id="target", muted=True)

    def on_mount(self) -> None:
        """The line is ready to be typed in; the ending comes by itself."""
        super().on_mount()
        field = self.query_one("#path", Field)
        field.focus()
        field.action_end()

    def action_go(self) -> None:
        """Save where the line says."""
        self.query_one(PathChooser).enter()

    def _on_path_chooser_chosen(self, message: PathChooser.Chosen) -> None:
        from xover.files.listing import kind_of

        path = with_ending(message.path)
        kind = kind_of(path)
        if kind is None:
            folder = os.path.dirname(path)
            if kind_of(folder) != "folder":
                self.say(f"there is no folder {shown_path(folder)}; choose one that exists")
                return
            self.dismiss(SaveTarget(path, False))
        elif kind == "file":
            self._ask(path)
        else:
            self.say(f"{shown_path(path)} is no file that can be written; choose another name")

    def _ask(self, path: str) -> None:
        def answered(answer: str | None) -> None:
            if answer == "yes":
                self.dismiss(SaveTarget(path, True))

        self.app.push_screen(
            ConfirmDialog(
                "Overwrite?",
                f"{shown_path(path)} exists already; what it holds would be lost.",
                yes="Overwrite it",
                no="Keep it and choose another name",
            ),
            answered,
        )

    def _on_path_chooser_typing(self, message: PathChooser.Typing) -> None:
        self.say("")
        target = f"will be {inert(with_ending(message.path))}" if message.path else ""
        self.query_one("#target", Static).update(Content(target))

    def _on_path_chooser_unreadable(self, message: PathChooser.Unreadable) -> None:
        self.say(inert(message.sentence))


def with_ending(path: str) -> str:
    """The path, ending in `.json` where its name has no ending."""
    return path if os.path.splitext(path)[1] else path + ENDING
