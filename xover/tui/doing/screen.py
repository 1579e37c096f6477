"""The screen itself: help, palette, light or dark, where the keys go."""

from __future__ import annotations

from xover.tui.actions import help_lines
from xover.tui.doing.showing import Showing

CURVES_SAID = "curves: ← → cursor   ↑ ↓ closer, wider   [ ] pan   Home whole   Esc sheet"
"""What is said while the keys go to the curves."""


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
        if self.at.cursor is not None:
            from xover.model.entry import help_for
            from xover.session.cells import entry_row
            from xover.tui.readout import cell_words

            cell = cell_words(self.at.cursor)
            takes = help_for(entry_row(self.at.cursor.row))
        self.push_screen(HelpDialog(help_lines(), cell=cell, cell_help=takes))

    def do_palette(self) -> None:
        """Find an action by its words."""
        from xover.tui.actions import ACTIONS
        from xover.tui.dialogs.find import FindDialog

        at = self.at

        def chosen(name: str | None) -> None:
            # Of the place where it was asked for: the next key may have moved on by now.
            if name is not None:
                self.do_at(name, at)

        offered = [each for each in ACTIONS if each.id != "palette"]
        self.push_screen(FindDialog(offered), chosen)

    def action_command_palette(self) -> None:
        """The same, however it is asked for."""
        self.action_do("palette")

    def do_focus(self) -> None:
        """Sheet, curves, pane, and round again; what the curves obey is said."""
        self.screen.focus_next()
        if self._plot is not None and self.focused is self._plot:
            self.say(CURVES_SAID)
        elif self._said == CURVES_SAID:
            self._said = ""
            self.tell_readout()

    def on_curve_plot_given_back(self) -> None:
        """The keys go from the curves to the sheet again."""
        self.grid.focus()
        if self._said == CURVES_SAID:
            self._said = ""
            self.tell_readout()
