"""The palette: every action by its words, from the one table."""

from __future__ import annotations

from contextlib import suppress
from functools import partial
from typing import Any

from textual import work
from textual.await_complete import AwaitComplete
from textual.command import CommandList, CommandPalette, DiscoveryHit, Hit, Hits, Provider
from textual.css.query import NoMatches

from xover.tui.actions import ACTIONS, Action


class Actions(Provider):
    """Offers the table of actions, with their keys."""

    _has_run = False

    async def discover(self) -> Hits:
        """All of them, before anything is typed."""
        for action in ACTIONS:
            if action.id != "palette":
                yield DiscoveryHit(_words(action), partial(self._run, action), help=action.help)

    async def search(self, query: str) -> Hits:
        """Those whose words match."""
        matcher = self.matcher(query)
        for action in ACTIONS:
            score = matcher.match(f"{action.label} {action.help}")
            if score > 0 and action.id != "palette":
                yield Hit(score, _words(action), partial(self._run, action), help=action.help)

    def _run(self, action: Action) -> None:
        if self._has_run:  # Enter was pressed twice before the palette had gone
            return
        self._has_run = True
        self.app.call_later(self.app.run_action, f"do('{action.id}')")


def _words(action: Action) -> str:
    return f"{action.label}  {action.shown}"


class Palette(CommandPalette):
    """The palette on the screen; page keys wait until there is a page, and it goes but once."""

    def _action_command_list(self, action: str) -> None:
        for commands in self.query(CommandList):
            if commands.scrollable_content_region:
                super()._action_command_list(action)

    @work(exclusive=True, group=CommandPalette._GATHER_COMMANDS_GROUP)
    async def _gather_commands(self, search_value: str) -> None:
        gather: Any = CommandPalette._gather_commands
        with suppress(NoMatches):  # the search begins when this has gone already
            await gather.__wrapped__(self, search_value)

    def dismiss(self, result: None = None) -> AwaitComplete:
        """Go, once: Enter may be pressed again before this has gone."""
        if self.app.screen is not self:
            return AwaitComplete()
        self._cancel_gather_commands()
        return super().dismiss(result)
