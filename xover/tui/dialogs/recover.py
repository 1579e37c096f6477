"""Unsaved work of a session that ended is offered back; nothing is thrown away unasked."""

from __future__ import annotations

from typing import Literal, cast

from xover.tui.dialogs.base import ChoiceDialog

RecoverAnswer = Literal["recover", "open", "discard"]


class RecoverDialog(ChoiceDialog):
    """Answers "recover", "open" (the file as it is, the work kept for later) or "discard"."""

    def __init__(self, message: str, *, as_copy: bool = False) -> None:
        """`message` says how much work there is, of when and of what; `as_copy` how it opens."""
        recover = "Recover it as a copy without a name" if as_copy else "Recover the unsaved work"
        super().__init__(
            "Recover unsaved work?",
            (message,),
            (
                ("recover", recover),
                ("open", "Open the file as it is; the work is offered again next time"),
                ("discard", "Open the file as it is and throw the unsaved work away"),
            ),
        )


def answer_of(answer: str | None) -> RecoverAnswer:
    """The answer of the dialog; leaving it opens the file and keeps the work."""
    return cast("RecoverAnswer", answer or "open")
