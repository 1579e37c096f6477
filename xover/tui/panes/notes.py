"""Notes: free text kept with the preset, typed as it stands there.

What is typed becomes one edit after a pause or on leaving; the preset itself is changed only by
the app. Marks that cannot be seen are shown by a stand-in and kept as they are.
"""

from __future__ import annotations

import unicodedata
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.content import Content
from textual.message import Message
from textual.timer import Timer
from textual.widgets import Static, TextArea

from xover.model.drive import Drive
from xover.model.names import text_problem
from xover.model.preset import Preset
from xover.model.ranges import PROSE_LENGTH
from xover.tui.panes.base import Opened, Pane

PAUSE_S = 1.5
"""How long nothing is typed before what was typed becomes an edit."""
STAND_IN = "�"


class NotesArea(TextArea):
    """A text area that shows unseen marks by a stand-in and turns down what cannot be kept."""

    class TurnedDown(Message):
        """Something could not be pasted; `sentence` says why."""

        def __init__(self, sentence: str) -> None:
            super().__init__()
            self.sentence = sentence

    def get_line(self, line_index: int) -> Text:
        """A line for the screen: every character one that does nothing there."""
        line = self.document.get_line(line_index)
        return Text(visible(line), end="", no_wrap=True)

    async def _on_paste(self, event: events.Paste) -> None:
        problem = text_problem(event.text, "prose")
        room = PROSE_LENGTH - len(self.text)
        if len(event.text) > room:
            problem = f"has {len(event.text)} characters; the notes take {max(0, room)} more"
        if problem:
            event.prevent_default()
            event.stop()
            self.post_message(self.TurnedDown(f"the pasted text {problem}"))


class NotesPane(Pane):
    """The notes of the preset; posts `Changed` when typing has paused or the pane is left."""

    title: ClassVar[str] = "Notes"

    DEFAULT_CSS = """
    NotesPane > NotesArea { height: 1fr; border: none; padding: 0 1; background: $background;
        scrollbar-size-vertical: 1; }
    NotesPane > NotesArea:focus { border: none; }
    NotesPane > #said { height: auto; padding: 0 1; color: $text-warning; }
    """

    class Changed(Message):
        """The notes shall read `text`."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._shown = ""
        """The text as the area gave it back when it was last filled or handed over."""
        self._typed = ""
        """The text as it stands in the area."""
        self._timer: Timer | None = None
        self._read_only = False

    def body(self) -> ComposeResult:
        """The text and a line for what has to be said about it."""
        yield NotesArea(id="notes", soft_wrap=True, tab_behavior="focus", read_only=self._read_only)
        yield Static("", id="said", markup=False)

    def take_keys(self) -> None:
        """The keys go to the text."""
        self.query_one(NotesArea).focus()

    def show(self, session: Opened, *, drive: Drive | None = None) -> None:
        """Show the session's notes; text being typed is not disturbed by other edits."""
        self._read_only = bool(session.read_only)
        if self.is_mounted:
            self.query_one(NotesArea).read_only = self._read_only
        if self._preset is not None and session.preset.notes == self._preset.notes:
            self._preset = session.preset
            return
        super().show(session, drive=drive)

    def refresh_content(self, preset: Preset, drive: Drive) -> None:
        """Put the notes in, the cursor where it was; what is being typed is left to be typed."""
        area = self.query_one(NotesArea)
        if self._timer is not None or preset.notes == area.text == self._shown:
            return
        self._stop_timer()
        place = area.cursor_location
        area.load_text(preset.notes)
        self._shown = self._typed = area.text
        area.move_cursor((min(place[0], area.document.line_count - 1), place[1]))
        alike = self._shown == preset.notes
        self._say("" if alike else "Its line ends differ; an edit here makes them alike.")

    def taken(self) -> str | None:
        """What was typed and not yet handed over, which it is with this; None for nothing."""
        self._stop_timer()
        if self._typed == self._shown:
            return None
        self._shown = self._typed
        return self._typed

    def hand_over(self) -> None:
        """Post what was typed at once; nothing where nothing was."""
        text = self.taken()
        if text is not None:
            self.post_message(self.Changed(text))

    def on_unmount(self) -> None:
        """What was typed goes to the app, which outlives the pane."""
        text = self.taken()
        if text is not None:
            self.app.post_message(self.Changed(text))

    def _on_text_area_changed(self, event: TextArea.Changed) -> None:
        event.stop()
        self._stop_timer()
        self._typed = event.text_area.text
        if self._typed != self._shown:
            self._say("")
            self._timer = self.set_timer(PAUSE_S, self.hand_over)

    def _on_descendant_blur(self, event: events.DescendantBlur) -> None:
        self.hand_over()

    def _on_hide(self, event: events.Hide) -> None:
        self.hand_over()

    def _on_notes_area_turned_down(self, message: NotesArea.TurnedDown) -> None:
        message.stop()
        self._say(message.sentence)

    def _say(self, sentence: str) -> None:
        self.query_one("#said", Static).update(Content(sentence))

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.stop()
            self._timer = None


def visible(line: str) -> str:
    """A line with every control, format and direction mark replaced, as long as before."""
    if line.isprintable():
        return line
    return "".join(
        STAND_IN
        if character != "\t" and unicodedata.category(character) in ("Cc", "Cf", "Cs", "Zl", "Zp")
        else character
        for character in line
    )
