"""One line to type in: keys that come all at once, as over a slow connection, keep their order."""

from __future__ import annotations

import pytest
from textual import events
from textual.pilot import Pilot

from tests.tui.hosting import Host, run
from xover.tui.field import Field


@pytest.mark.parametrize(
    ("keys", "text"),
    [
        (("1", "2", "backspace", "3"), "old13"),
        (("ctrl+u", "n", "e", "w"), "new"),
        (("home", "x", "end", "y"), "xoldy"),
        (("left", "left", "delete", "a"), "oad"),
    ],
)
def test_keys_that_come_at_once_keep_their_order(keys: tuple[str, ...], text: str) -> None:
    async def steps(app: Host, pilot: Pilot[None]) -> None:
        app.held.focus()
        app.held.action_end()
        await pilot.pause()
        for key in keys:
            event = events.Key(key, key if len(key) == 1 else None)
            event.set_sender(app)
            app.post_message(event)
        await pilot.pause()
        await pilot.pause()
        assert app.held.value == text

    run(lambda: Field("old"), steps)
