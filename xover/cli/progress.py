"""How far long work is, on a terminal alone; a pipe sees nothing of it."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

BEGINS_S = 0.5
BETWEEN_S = 0.1
WIDTH = 24


class Progress:
    """Called with the part that is done, 0 to 1: draws a bar once it takes over half a second."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._shows = sys.stderr.isatty()
        self._began_s = self._told_s = time.monotonic()
        self._drawn = 0

    def __call__(self, part: float) -> None:
        """Draw it, at most ten times a second."""
        now_s = time.monotonic()
        if self._shows and now_s - self._began_s > BEGINS_S and now_s - self._told_s > BETWEEN_S:
            full = round(WIDTH * part)
            line = f"{self._what} [{'=' * full}{' ' * (WIDTH - full)}] {100.0 * part:3.0f} %"
            print(f"\r{line}", end="", file=sys.stderr, flush=True)
            self._drawn, self._told_s = len(line), now_s

    def gone(self) -> None:
        """Take the bar away."""
        if self._drawn:
            print("\r" + " " * self._drawn + "\r", end="", file=sys.stderr, flush=True)
            self._drawn = 0


@contextmanager
def progress(what: str) -> Iterator[Progress]:
    """A bar for the time of the `with`; it is taken away whatever ends that."""
    bar = Progress(what)
    try:
        yield bar
    finally:
        bar.gone()
