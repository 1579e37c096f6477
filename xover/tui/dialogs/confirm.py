"""Yes or no, before something that cannot be taken back."""

from __future__ import annotations

from xover.tui.dialogs.base import ChoiceDialog


class ConfirmDialog(ChoiceDialog):
    """Asks before something that cannot be taken back; answers "yes", or "no", or None."""

    def __init__(self, heading: str, *paragraphs: str, yes: str, no: str) -> None:
        """`yes` and `no` say what happens then, such as “Overwrite it” and “Keep it”."""
        super().__init__(heading, paragraphs, (("no", no), ("yes", yes)))
