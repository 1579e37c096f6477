"""The file was changed or taken away by somebody else: whose version counts is asked."""

from __future__ import annotations

from typing import Literal, cast

from xover.model.names import quoted
from xover.tui.dialogs.base import ChoiceDialog

ChangedAnswer = Literal["copy", "reload", "overwrite", "leave"]


class ChangedOnDiskDialog(ChoiceDialog):
    """Answers "copy", "reload" or "overwrite"; None leaves both versions as they are."""

    def __init__(self, name: str, steps_unsaved: int, *, gone: bool = False) -> None:
        """`gone`: the file is no longer there, so there is nothing to read anew."""
        happened = "is no longer there" if gone else "was changed by somebody else"
        paragraphs = [f"{quoted(name)} {happened} since it was opened here."]
        if steps_unsaved:
            steps = (
                "1 step of yours is"
                if steps_unsaved == 1
                else f"{steps_unsaved} steps of yours are"
            )
            paragraphs.append(f"{steps} not saved.")
        choices = [("copy", "Save mine under another name")]
        if not gone:
            back = "; undo gives mine back" if steps_unsaved else ""
            choices.append(("reload", f"Read the file anew{back}"))
        over = "Write mine there again" if gone else "Write mine over theirs"
        choices.append(("overwrite", over))
        super().__init__("The file has changed", tuple(paragraphs), tuple(choices))


def answer_of(answer: str | None) -> ChangedAnswer:
    """The answer of the dialog; leaving it changes nothing."""
    return cast("ChangedAnswer", answer or "leave")
