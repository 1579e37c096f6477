"""A pseudo-terminal for benchmarks: runs a program, types, and dates every frame it paints.

It answers the question for synchronised output, so that a program marks where each of its frames
ends; characters are placed as told and one column wide, colours are not kept.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import signal
import struct
import termios
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

ASKED, ANSWER = b"\x1b[?2026$p", b"\x1b[?2026;2$y"
"""DEC private mode 2026, synchronised output: the question, and "known, not set"."""
FRAME_END = b"\x1b[?2026l"
_PIECE = re.compile(
    r"\x1b\[(?P<mark>[?><=]?)(?P<numbers>[\d;]*)(?:\$?)(?P<final>[@-~])"
    r"|\x1b[\]P][^\x07\x1b]*(?:\x07|\x1b\\)|\x1b.|(?P<text>[^\x1b\r\n]+)|(?P<end>[\r\n])"
)

Rows = tuple[str, ...]


class Frame(NamedTuple):
    """What stood on the screen when a frame had come, and when it had."""

    at_s: float
    cpu_s: float
    """What the program had computed by then, all its threads."""
    rows: Rows


class PseudoTerminal:
    """One program in a terminal of its own; times are those of `time.perf_counter`."""

    def __init__(
        self,
        words: Sequence[str],
        *,
        size: tuple[int, int] = (160, 48),
        environment: Mapping[str, str] | None = None,
        folder: str | None = None,
    ) -> None:
        self.width, self.height = size
        self._screen = [[" "] * self.width for _ in range(self.height)]
        self._row = self._column = 0
        self._came: list[tuple[float, float, bytes]] = []
        self._played, self._left = 0, b""
        keep = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
        told = {"TERM": "xterm-256color", "COLORTERM": "truecolor", "LC_ALL": "C.UTF-8"}
        variables = {**keep, **told, "OPENBLAS_NUM_THREADS": "1", **(environment or {})}
        main, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", self.height, self.width, 0, 0))
        self.begun_s = time.perf_counter()
        self.pid = os.fork()
        if self.pid == 0:
            try:
                os.setsid()
                fcntl.ioctl(other, termios.TIOCSCTTY, 0)
                for number in range(3):
                    os.dup2(other, number)
                os.closerange(3, 256)
                if folder is not None:
                    os.chdir(folder)
                os.execve(words[0], list(words), variables)
            finally:
                os._exit(127)
        os.close(other)
        self._main = main
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        tail = b""
        while True:
            try:
                data = os.read(self._main, 1 << 16)
            except OSError:
                return
            if not data:
                return
            self._came.append((time.perf_counter(), self.cpu_s, data))
            if ASKED in tail + data:
                os.write(self._main, ANSWER)
                tail = b""
            else:
                tail = data[-len(ASKED) :]

    def type(self, keys: str) -> float:
        """Type; the time when it was done."""
        begun_s = time.perf_counter()
        os.write(self._main, keys.encode())
        return begun_s

    def close(self) -> None:
        """End the program."""
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        self._thread.join()
        os.close(self._main)

    @property
    def cpu_s(self) -> float:
        """What the program has computed so far, all its threads; calm where the machine is busy."""
        return time.clock_gettime((~self.pid << 3) | 2)  # Linux: the CPU clock of a process

    @property
    def last_s(self) -> float:
        """When something came last."""
        return self._came[-1][0] if self._came else self.begun_s

    def settle(self, *, quiet_s: float = 0.12, patience_s: float = 60.0) -> list[Frame]:
        """Wait until nothing has come for a while; the frames that came since the last call."""
        end = time.perf_counter() + patience_s
        while time.perf_counter() < end:
            now = time.perf_counter()
            # The moment of the call counts too: what was just typed is to have its time.
            if now - max(self.last_s, end - patience_s) >= quiet_s:
                break
            time.sleep(0.004)
        return list(self._frames())

    def until(self, seen: Callable[[Rows], bool], *, patience_s: float = 60.0) -> float:
        """When the first frame came for which `seen` holds."""
        return self.frame(seen, patience_s=patience_s).at_s

    def frame(self, seen: Callable[[Rows], bool], *, patience_s: float = 60.0) -> Frame:
        """The first frame for which `seen` holds."""
        end = time.perf_counter() + patience_s
        while time.perf_counter() < end:
            for frame in self._frames():
                if seen(frame.rows):
                    return frame
            time.sleep(0.002)
        raise AssertionError("not seen:\n" + "\n".join(self.rows))

    @property
    def rows(self) -> Rows:
        """What stands on the screen, as far as it has been played."""
        return tuple("".join(row) for row in self._screen)

    def _frames(self) -> Iterator[Frame]:
        while self._played < len(self._came):
            at_s, cpu_s, data = self._came[self._played]
            self._played += 1
            data = self._left + data
            *whole, self._left = data.split(FRAME_END)
            for each in whole:
                self._play(each)
                yield Frame(at_s, cpu_s, self.rows)

    def _play(self, data: bytes) -> None:
        for piece in _PIECE.finditer(data.decode(errors="replace")):
            if text := piece["text"]:
                room = self.width - self._column
                self._screen[self._row][self._column : self._column + room] = (
                    list(text[:room]) + self._screen[self._row][self._column + len(text) :]
                )[:room]
                self._column = min(self._column + len(text), self.width - 1)
            elif end := piece["end"]:
                self._column = 0
                if end == "\n":
                    self._row = min(self._row + 1, self.height - 1)
            elif piece["final"] == "H" and not piece["mark"]:
                row, _, column = piece["numbers"].partition(";")
                self._row = min(int(row or 1), self.height) - 1
                self._column = min(int(column or 1), self.width) - 1
            elif piece["final"] == "J" and not piece["mark"]:
                self._screen = [[" "] * self.width for _ in range(self.height)]
