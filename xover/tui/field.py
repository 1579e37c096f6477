"""One line to type in, as dialogs and panes use it: what is pasted into it is judged first.

Megabytes, several lines and control characters are turned down with a sentence; nothing of them
is put in. It knows nothing of what the text means.
"""

from __future__ import annotations

from textual import events
from textual.message import Message
from textual.widgets import Input

from xover.model.names import quoted, text_problem

PASTED_LENGTH = 4096
"""The longest text that may be pasted into one line."""


class Field(Input):
    """A one-line input with the borders left out, so that a form fits a small terminal."""

    DEFAULT_CSS = """
    Field, Field:focus {
        border: none;
        height: 1;
        padding: 0 1;
        background: $boost;
    }
    Field:focus { background: $primary 40%; }
    """

    class TurnedDown(Message):
        """Something could not be pasted; `sentence` says why."""

        def __init__(self, sentence: str) -> None:
            super().__init__()
            self.sentence = sentence

    def __init__(
        self,
        value: str = "",
        *,
        placeholder: str = "",
        id: str | None = None,
        most: int = PASTED_LENGTH,
    ) -> None:
        """A field holding `value`; `most` limits the characters."""
        super().__init__(
            value,
            placeholder=placeholder,
            id=id,
            select_on_focus=False,
            max_length=most,
        )

    async def _on_key(self, event: events.Key) -> None:
        """Obey keys in the order they come, also where many come at once.

        Left to the toolkit, keys of this line and of the form around it are obeyed only after the
        letters that were typed behind them.
        """
        now = self.screen.focused
        if now is not None and now is not self:
            # The key before this one has moved on; this one was meant for where it went.
            event.stop()
            event.prevent_default()
            now._forward_event(events.Key(event.key, event.character))
            return
        if event.is_printable:
            return
        for node in self.ancestors_with_self:
            if node is self.app:
                return
            for binding in node._bindings.key_to_bindings.get(event.key, ()):
                if await self.app.run_action(binding.action, default_namespace=node):
                    event.stop()
                    event.prevent_default()
                    return

    def _on_paste(self, event: events.Paste) -> None:
        event.prevent_default()
        event.stop()
        text = event.text.strip("\r\n")
        problem = paste_problem(text, self.max_length or PASTED_LENGTH)
        if problem:
            self.post_message(self.TurnedDown(problem))
            return
        self.replace(text, *self.selection)


def paste_problem(text: str, most: int = PASTED_LENGTH) -> str:
    """Why a text cannot be pasted into one line, as a sentence; "" where it can."""
    if len(text) > most:
        return f"{len(text)} characters are too many to paste here; at most {most} fit"
    if "\n" in text or "\r" in text:
        return "several lines cannot be pasted here; paste one line"
    problem = text_problem(text, "line")
    if problem:
        return f"the pasted text {quoted(text, 20)} {problem}"
    if not text.isprintable():
        return f"the pasted text {quoted(text, 20)} holds marks that cannot be seen; type it"
    return ""
