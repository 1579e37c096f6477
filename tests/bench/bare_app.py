"""The peer of the workbench's benchmarks: a bare Textual app that updates one `Static` a key.

`python bare_app.py [still]`; with `still` the size of the widget is not asked for anew.
"""

from __future__ import annotations

import sys

from textual import events
from textual.app import App, ComposeResult
from textual.widgets import Static

STILL = sys.argv[1:] == ["still"]


class Bare(App[None]):
    """One line that counts keys."""

    count = 0

    def compose(self) -> ComposeResult:
        """One line."""
        yield Static("count 0")

    def on_key(self, event: events.Key) -> None:
        """Count."""
        self.count += 1
        self.query_one(Static).update(f"count {self.count}", layout=not STILL)


if __name__ == "__main__":
    Bare().run()
