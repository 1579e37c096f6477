"""Leaving well: a lost terminal ends the process, and the work stays in the journal.

Without a hang-up the input thread would spin on a dead descriptor at full speed.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from xover.tui.app import Workbench

WATCH_S = 0.5


def guarded(make: Callable[[], Workbench]) -> int:
    """Run the workbench; a lost terminal or a termination signal closes it and its journal."""
    app = make()

    def leave(number: int, frame: FrameType | None) -> None:
        app.lose_terminal()
        os._exit(128 + number)

    for number in (signal.SIGHUP, signal.SIGTERM):
        signal.signal(number, leave)
    threading.Thread(target=_watch, args=(app,), daemon=True, name="terminal").start()
    result = app.run()
    app.end_session()
    return int(result or 0)


def _watch(app: Workbench) -> None:
    """Notice a terminal that is gone without a signal: its foreground group cannot be asked for."""
    while True:
        time.sleep(WATCH_S)
        try:
            os.tcgetpgrp(sys.__stdin__.fileno() if sys.__stdin__ else 0)
        except (OSError, ValueError):
            app.lose_terminal()
            os._exit(129)
