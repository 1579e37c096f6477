"""The screen itself: help, palette, light or dark, where the keys go."""

from __future__ import annotations

from xover.tui.actions import help_lines
from xover.tui.doing.showing import Showing


class ScreenActions(Showing):
    """Actions that change nothing of the preset."""

    def do_theme(self) -> None:
        """Dark or light."""
        self.theme = "textual-light" if self.current_theme.dark else "textual-dark"
        self.draw()

    def do_help(self) -> None:
        """Keys, and what the cell takes."""
        from xover.tui.dialogs.help import HelpDialog

        cell, takes = "", ""
        if self.session is not None and self._grid is not None and self.grid.cursor is not None:
            from xover.model.entry import help_for
            from xover.session.cells import entry_row
            from xover.tui.readout import cell_words

            cell = cell_words(self.grid.cursor)
            takes = help_for(entry_row(self.grid.cursor.row))
        self.push_screen(HelpDialog(help_lines(), cell=cell, cell_help=takes))

    def do_palette(self) -> None:
        """Find an action by its words."""
        from xover.tui.palette import Palette

        if not isinstance(self.screen, Palette):
            self.push_screen(Palette())

    def action_command_palette(self) -> None:
        """The same, however it is asked for."""
        self.do_palette()

    def do_focus(self) -> None:
        """Sheet, curves, pane, and round again."""
        self.screen.focus_next()
