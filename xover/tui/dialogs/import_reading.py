"""The questions about how a capture file is read, as a form: those that its kind raises."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import Static

from xover.tui.dialogs.import_questions import QUESTIONS, asked_of
from xover.tui.dialogs.path_field import PathField
from xover.tui.field import Field


class ReadingForm(VerticalScroll):
    """A row a question; nothing typed leaves it to the file."""

    DEFAULT_CSS = """
    ReadingForm { height: auto; max-height: 9; width: 100%; scrollbar-size-vertical: 1; }
    """

    def __init__(self, folder: str, *, id: str | None = None) -> None:
        """`folder` is what typed paths are relative to."""
        super().__init__(id=id, can_focus=False)
        self._folder = folder
        self._asked: tuple[str, ...] = ()

    def compose(self) -> ComposeResult:
        """Every question; those of the file's kind are shown."""
        for question in QUESTIONS:
            with Horizontal(classes="row", id=f"ask-{question.key}"):
                yield Static(question.label, classes="label", markup=False)
                if question.is_path:
                    yield PathField(self._folder, placeholder=question.hint, id=question.key)
                else:
                    yield Field(placeholder=question.hint, id=question.key, most=400)

    def ask_of(self, audio: bool) -> None:
        """Show the questions that such a file raises."""
        self._asked = tuple(question.key for question in asked_of(audio))
        for question in QUESTIONS:
            self.query_one(f"#ask-{question.key}").display = question.key in self._asked

    def typed(self) -> dict[str, str]:
        """What was typed, by question; of those that are not asked, nothing."""
        texts = {key: self.query_one(f"#{key}", Field).value.strip() for key in self._asked}
        return {key: text for key, text in texts.items() if text}

    def clear(self) -> None:
        """Another file: its own answers."""
        for question in QUESTIONS:
            self.query_one(f"#{question.key}", Field).value = ""

    def focus_first(self) -> None:
        """The keys go to the first question."""
        if self._asked:
            self.query_one(f"#{self._asked[0]}", Field).focus()
