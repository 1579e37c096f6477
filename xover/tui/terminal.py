"""Leaving well: a lost terminal ends the process, and the work stays in the journal.

Without this the input thread would spin on a dead descriptor at full speed, and a byte that is no
UTF-8 would end the workbench with a traceback.
"""

from __future__ import annotations

import codecs
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from xover.tui.app import Workbench

WATCH_S = 0.5
PARTING_S = 2.0
"""How long a terminated workbench may take to give the terminal back."""
HANG_UP = 129
"""The exit code of a process whose terminal is gone: 128 and the number of the hang-up signal."""


def guarded(make: Callable[[], Workbench]) -> int:
    """Run the workbench; a lost terminal or a termination signal closes it and its journal."""
    _take_any_byte()
    app = make()

    def lost(number: int, frame: FrameType | None) -> None:
        _end_at_once(app, HANG_UP)

    def terminated(number: int, frame: FrameType | None) -> None:
        code = 128 + number
        for work in (_part, _end_if_it_hangs):
            threading.Thread(target=work, args=(app, code), daemon=True).start()

    signal.signal(signal.SIGHUP, lost)
    signal.signal(signal.SIGTERM, terminated)
    threading.Thread(target=_watch, args=(app,), daemon=True, name="terminal").start()
    try:
        result = app.run()
    finally:
        app.end_session()
    return int(result or app.return_code or 0)


def _end_at_once(app: Workbench, code: int) -> None:
    app.lose_terminal()
    os._exit(code)


def _part(app: Workbench, code: int) -> None:
    """Leave in the ordinary way, which gives the terminal back."""
    try:
        app.call_from_thread(app.exit, code, code)
    except RuntimeError:  # it has not begun, or has ended already
        _end_at_once(app, code)


def _end_if_it_hangs(app: Workbench, code: int) -> None:
    time.sleep(PARTING_S)
    _end_at_once(app, code)


def _watch(app: Workbench) -> None:
    """Notice a terminal that is gone without a signal: it no longer says how it is set."""
    import termios

    terminal = sys.__stdin__.fileno() if sys.__stdin__ else 0
    while True:
        time.sleep(WATCH_S)
        try:
            termios.tcgetattr(terminal)
        except (termios.error, ValueError):
            _end_at_once(app, HANG_UP)


def _take_any_byte() -> None:
    """Have what is no UTF-8 come in as marks that no cell understands, instead of ending it all."""
    from textual.drivers import linux_driver

    def decoder(encoding: str) -> Callable[[], codecs.IncrementalDecoder]:
        return lambda: codecs.getincrementaldecoder(encoding)(errors="replace")

    driver: Any = linux_driver
    driver.getincrementaldecoder = decoder
