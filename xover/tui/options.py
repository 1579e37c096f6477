"""A list of options that bears every key at every size, also before it has been laid out."""

from __future__ import annotations

from textual.widgets import OptionList


class Options(OptionList):
    """An option list; page keys wait until there is a page."""

    def action_page_up(self) -> None:
        """A page back."""
        if self.scrollable_content_region:
            super().action_page_up()  # type: ignore[no-untyped-call]

    def action_page_down(self) -> None:
        """A page on."""
        if self.scrollable_content_region:
            super().action_page_down()  # type: ignore[no-untyped-call]
