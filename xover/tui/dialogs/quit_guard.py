"""Leaving with unsaved work asks first; staying is the answer under the cursor."""

from __future__ import annotations

from typing import Literal, cast

from xover.model.names import quoted
from xover.tui.dialogs.base import ChoiceDialog

QuitAnswer = Literal["stay", "save", "leave"]


class QuitGuard(ChoiceDialog):
    """Answers "stay", "save" (and leave) or "leave" (the work is gone), None for staying."""

    def __init__(self, title: str, steps_unsaved: int, *, why_not_save: str = "") -> None:
        """`why_not_save` is a sentence where saving in place is not possible."""
        steps = "1 step is" if steps_unsaved == 1 else f"{steps_unsaved} steps are"
        paragraphs = [f"{steps} not saved in {quoted(title)}."]
        choices = [("stay", "Stay"), ("save", "Save and leave")]
        if why_not_save:
            paragraphs.append(why_not_save)
            choices[1] = ("save", "Save under another name and leave")
        choices.append(("leave", "Leave without saving; the steps are thrown away"))
        super().__init__("Leave?", tuple(paragraphs), tuple(choices))


def answer_of(answer: str | None) -> QuitAnswer:
    """The answer of the dialog; leaving it means staying."""
    return cast("QuitAnswer", answer or "stay")
