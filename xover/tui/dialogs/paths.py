"""Finding a file: a folder, a line to type in, and the names that fit what is typed.

Folders are read beside the screen, so that a slow disk holds nothing up. What a file holds is
none of its business.
"""

from __future__ import annotations

import os
from functools import partial
from itertools import takewhile
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from xover.files.listing import Entry, Kind, Listing, kind_of, list_folder, resolve, split_typed
from xover.files.paths import shown_path
from xover.model.names import fold, inert
from xover.tui.computing import Computed, Newest
from xover.tui.field import Field
from xover.tui.options import Options

PARENT = ".."
SHOWN = 500
"""The most names shown; typing makes them fewer."""


def no_file(message: PathChooser.Chosen) -> str:
    """Why what was chosen cannot be opened, as a sentence; "" for a file."""
    if message.kind == "file":
        return ""
    if message.kind is None:
        return f"there is no {shown_path(message.path)}; choose a name from the list"
    return f"{shown_path(message.path)} is neither a file nor a folder; choose a file"


class PathChooser(Widget):
    """A folder's names under a line to type in; posts `Chosen` with a whole path.

    `extras` are names offered from elsewhere while nothing is typed.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "move(1)", "next", show=False),
        Binding("up", "move(-1)", "previous", show=False),
        Binding("pagedown", "move(8)", "page down", show=False),
        Binding("pageup", "move(-8)", "page up", show=False),
        Binding("tab", "complete", "complete", show=False),
    ]

    DEFAULT_CSS = """
    PathChooser { height: auto; layout: vertical; }
    PathChooser > #folder { color: $text-muted; height: auto; width: 100%; }
    PathChooser > OptionList { height: auto; max-height: 12; width: 100%; }
    """

    class Chosen(Message):
        """The user settled on `path`; `kind` is what is there, None for nothing yet."""

        def __init__(self, path: str, kind: Kind | None) -> None:
            super().__init__()
            self.path = path
            self.kind = kind

    class Typing(Message):
        """The path that would be meant now, "" for none."""

        def __init__(self, path: str) -> None:
            super().__init__()
            self.path = path

    class Unreadable(Message):
        """A folder could not be read; `sentence` says why."""

        def __init__(self, sentence: str) -> None:
            super().__init__()
            self.sentence = sentence

    def __init__(
        self,
        folder: str,
        *,
        endings: tuple[str, ...] = (),
        name: str = "",
        extras: tuple[tuple[str, str], ...] = (),
        placeholder: str = "",
    ) -> None:
        """`extras` are (words, path); `name` stands in the line at first."""
        super().__init__()
        self._folder = os.path.abspath(folder)
        self._endings = endings
        self._start = name
        self._extras = extras
        self._placeholder = placeholder
        self._listing = Listing(self._folder, ())
        self._shown: list[Entry] = []
        self._newest = Newest(self)

    def compose(self) -> ComposeResult:
        """Folder, line, names."""
        yield Static("", id="folder", markup=False)
        yield Field(self._start, id="path", placeholder=self._placeholder)
        yield Options(id="entries", markup=False)

    def on_mount(self) -> None:
        """Read the first folder."""
        self.query_one("#entries").can_focus = False
        self._read(self._folder)

    @property
    def folder(self) -> str:
        """The folder that names are relative to."""
        return self._folder

    @property
    def shown(self) -> tuple[Entry, ...]:
        """The names that fit what is typed."""
        return tuple(self._shown)

    @property
    def typed(self) -> str:
        """What stands in the line."""
        return self.query_one("#path", Field).value

    def action_move(self, rows: int) -> None:
        """Move the highlight among the names."""
        entries = self.query_one("#entries", OptionList)
        if entries.option_count == 0:
            return
        at = entries.highlighted
        new = (0 if rows > 0 else entries.option_count - 1) if at is None else at + rows
        entries.highlighted = min(max(new, 0), entries.option_count - 1)

    def action_complete(self) -> None:
        """Complete the line as far as all fitting names agree; else go on to the next widget."""
        completed = completion(self.typed, [entry for entry in self._shown if _is_named(entry)])
        if completed == self.typed:
            self.screen.focus_next()
            return
        field = self.query_one("#path", Field)
        field.value = completed
        field.cursor_position = len(completed)

    def enter(self) -> None:
        """Settle on the highlighted name, else on what is typed."""
        entries = self.query_one("#entries", OptionList)
        if entries.highlighted is not None and self._shown:
            self._take(self._shown[entries.highlighted])
        elif self.typed.strip():
            path = resolve(self._folder, self.typed)
            kind = kind_of(path)
            if kind == "folder":
                self._go(path)
            elif kind is None and len(self._shown) == 1 and _is_named(self._shown[0]):
                self._take(self._shown[0])
            else:
                self.post_message(self.Chosen(path, kind))

    def _take(self, entry: Entry) -> None:
        if entry.is_folder:
            self._go(entry.path)
        else:
            self.post_message(self.Chosen(entry.path, kind_of(entry.path)))

    def _go(self, folder: str) -> None:
        self._folder = folder
        with self.prevent(Input.Changed):
            self.query_one("#path", Field).value = ""
        self._read(folder)

    def _read(self, folder: str) -> None:
        job = partial(list_folder, folder, endings=self._endings)
        self._newest.ask(job, token=(folder,))

    def _on_computed(self, message: Computed) -> None:
        if not self._newest.ended(message) or not self.is_attached:
            return
        if isinstance(message.result, Listing):
            self._listing = message.result
        elif isinstance(message.token, tuple):
            self._listing = Listing(message.token[0], ())
        self._filter()
        if message.problem is not None:
            self.post_message(self.Unreadable(str(message.problem)))

    def _filter(self) -> None:
        typed = self.typed
        folder, start = split_typed(self._folder, typed) if typed else (self._folder, "")
        if folder != self._listing.folder:
            self._read(folder)
            return
        named = fitting(self._listing.entries, start)
        extra = [] if typed else [Entry(words, path) for words, path in self._extras]
        up = [] if start or os.path.dirname(folder) == folder else [
            Entry(PARENT, os.path.dirname(folder), True)
        ]  # fmt: skip
        self._shown = [*extra, *up, *named][:SHOWN]
        entries = self.query_one("#entries", OptionList)
        entries.clear_options()
        entries.add_options([Option(Content(words_of(entry))) for entry in self._shown])
        left_out = self._listing.left_out + len(named) - max(0, SHOWN - len(extra) - len(up))
        more = f"   and {left_out} more; type to find them" if left_out > 0 else ""
        self.query_one("#folder", Static).update(Content(inert(folder) + more))

    def _on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        typed = event.value
        self.post_message(self.Typing(resolve(self._folder, typed) if typed.strip() else ""))
        self._filter()

    def _on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.enter()

    def _on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self._take(self._shown[event.option_index])


def fitting(entries: tuple[Entry, ...], start: str) -> list[Entry]:
    """The entries whose names begin with `start`, or hold it; hidden ones only when asked for."""
    wanted = fold(start)
    seen = [entry for entry in entries if start.startswith(".") or not entry.name.startswith(".")]
    first = [entry for entry in seen if fold(entry.name).startswith(wanted)]
    taken = set(first)
    return first + [entry for entry in seen if entry not in taken and wanted in fold(entry.name)]


def completion(typed: str, entries: list[Entry]) -> str:
    """What is typed, lengthened as far as all names that begin so agree; a folder gets a `/`."""
    head, start = os.path.split(typed)
    found = [entry for entry in entries if fold(entry.name).startswith(fold(start))]
    if not found or not all(entry.name.isprintable() for entry in found):
        return typed
    names = [entry.name for entry in found]
    same = takewhile(lambda letters: len(set(letters)) == 1, zip(*names, strict=False))
    common = "".join(letters[0] for letters in same)
    if len(common) < len(start):
        return typed
    end = "/" if len(found) == 1 and found[0].is_folder else ""
    return os.path.join(head, common) + end


def words_of(entry: Entry) -> str:
    """An entry as one line: folders end in a slash."""
    return inert(entry.name) + ("/" if entry.is_folder else "")


def _is_named(entry: Entry) -> bool:
    """Whether the entry stands in the folder under its own name."""
    return entry.name == os.path.basename(entry.path)
