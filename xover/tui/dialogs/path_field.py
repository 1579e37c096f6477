"""A line for a path: Tab completes it from the folder, read beside the screen."""

from __future__ import annotations

from functools import partial

from textual import events

from xover.files.listing import Listing, list_folder, split_typed
from xover.model.names import listed
from xover.tui.computing import Computed, Newest
from xover.tui.dialogs.paths import completion, fitting
from xover.tui.field import Field


class PathField(Field):
    """A line that a path is typed into, relative to `folder`."""

    def __init__(self, folder: str, *, placeholder: str = "", id: str | None = None) -> None:
        super().__init__(placeholder=placeholder, id=id)
        self._folder = folder
        self._newest = Newest(self)
        self._told = ""

    async def _on_key(self, event: events.Key) -> None:
        is_here = self.screen.focused is self  # else the key was meant for where the focus went
        at_end = bool(self.value.strip()) and self.cursor_position == len(self.value)
        if event.key == "tab" and is_here and at_end:
            event.stop()
            event.prevent_default()
            folder, _ = split_typed(self._folder, self.value)
            self._newest.ask(partial(list_folder, folder), token=(self.value,))

    def _on_computed(self, message: Computed) -> None:
        newest = self._newest.ended(message)
        if not newest or not self.is_attached or message.token != (self.value,):
            return
        completed, names = self.value, []
        if isinstance(message.result, Listing):
            _, start = split_typed(self._folder, self.value)
            named = list(fitting(message.result.entries, start))
            named = [one for one in named if one.name.startswith(start)] or named
            names = [one.name for one in named if not any(one.name == start for one in named)]
            completed = completion(self.value, named)
        if completed == self.value:
            if len(names) > 1 and self._told != self.value:
                self._told = self.value  # the next Tab moves on
                self.post_message(self.TurnedDown(f"{listed(names, 4)} begin so; type on"))
            else:
                self.screen.focus_next()
        else:
            if self._told:
                self.post_message(self.TurnedDown(""))  # what was said no longer holds
            self.value = completed
            self.cursor_position = len(completed)
