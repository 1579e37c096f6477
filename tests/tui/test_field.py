"""One line to type in: keys that come all at once, as over a slow connection, keep their order."""

from __future__ import annotations

import pytest
from textual import events
from textual.pilot import Pilot

from tests.tui.desk import Desk, at_desk
from tests.tui.hosting import Host, run
from xover.tui.dialogs.align import AlignDialog
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


def test_what_is_typed_behind_a_tab_goes_where_the_tab_goes() -> None:
    async def steps(desk: Desk) -> None:
        await desk.keys("ctrl+a")
        dialog = await desk.dialog(AlignDialog)
        dialog.query_one("#band").focus()
        await desk.settle()
        await desk.keys(*"72 138", "tab", "tab", "ctrl+u", *"12 ms", "shift+tab", "shift+tab", *"0")
        assert dialog.query_one("#search", Field).value == "12 ms"
        assert dialog.query_one("#band", Field).value == "72 1380"
        await desk.keys("shift+tab", *"x", "tab", *"7")  # from a thing to tick to a line
        assert dialog.query_one("#band", Field).value == "72 13807"

    at_desk(steps)
