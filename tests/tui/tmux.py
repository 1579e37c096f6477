"""The workbench in a real terminal, for tests: tmux draws, types and reports what stands there.

One private server a folder, none of the developer's own settings, and waits that poll.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

TMUX = shutil.which("tmux")
ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ROOT / "presets" / "harbour-hall.json"
PATIENCE_S = 60.0
"""How long something may take on a machine with other things to do; nothing waits this long."""
POLL_S = 0.02
SETTINGS = """
set -g status off
set -s exit-empty off
set -s escape-time 0
set -g default-terminal tmux-256color
set -s set-clipboard off
"""


NOTED = """
trap : INT QUIT TSTP
stty -g >"$NOTES.before"
sh -c 'echo $$ >"$NOTES.new"; mv "$NOTES.new" "$NOTES.pid"; unset NOTES; exec "$@"' sh "$@"
code=$?
stty -g >"$NOTES.after"
echo $code >"$NOTES.new"; mv "$NOTES.new" "$NOTES.code"
trap '' INT QUIT TSTP
exec sleep 600
"""
"""Runs a command and notes its process number, its exit code and how the terminal is set before
and after; tmux itself may miss that a child has ended. The terminal stays until it is closed."""


class Terminals:
    """A tmux server of our own; `close` ends it and everything in it."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="xover-"))  # sockets need short paths
        (self._folder / "tmux.conf").write_text(SETTINGS)
        self._count = 0
        self.tmux("start-server")

    def tmux(self, *words: str, stdin: bytes | None = None) -> str:
        """One tmux command; what it prints."""
        assert TMUX is not None
        done = subprocess.run(
            [TMUX, "-S", str(self._folder / "s"), "-f", str(self._folder / "tmux.conf"), *words],
            capture_output=True,
            input=stdin,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
        )
        if done.returncode:
            raise RuntimeError(f"tmux {words}: {done.stderr.decode()}")
        return done.stdout.decode()

    def open(
        self,
        folder: Path,
        *words: str,
        size: tuple[int, int] = (80, 24),
        within: Sequence[str] = (),
        extra: dict[str, str] | None = None,
        home: Path | None = None,
    ) -> Terminal:
        """Start `xover WORDS` in `folder`; `within` is a command that starts it in turn."""
        self._count += 1
        name = f"t{self._count}"
        home = home or folder / "home"
        home.mkdir(exist_ok=True)
        surroundings = {
            "PATH": os.environ["PATH"],
            "HOME": str(home),
            "XDG_STATE_HOME": str(home / "state"),
            "XDG_CACHE_HOME": str(home / "cache"),
            "TERM": "tmux-256color",
            "LC_ALL": "C.UTF-8",
            "PYTHONPATH": str(ROOT),
            "PYTHONDONTWRITEBYTECODE": "1",
            **(extra or {}),
        }
        notes = self._folder / name
        command = ["env", "-i", *(f"{key}={value}" for key, value in surroundings.items())]
        command += [f"NOTES={notes}", "sh", "-c", NOTED, "sh"]
        command += [*within, sys.executable, "-m", "xover", *words]
        width, height = (str(each) for each in size)
        self.tmux("new-session", "-d", "-s", name, "-x", width, "-y", height, "-c", str(folder),
                  "--", *command)  # fmt: skip
        return Terminal(self, name, notes)

    def close(self) -> None:
        """End the server."""
        with contextlib.suppress(RuntimeError):
            self.tmux("kill-server")
        shutil.rmtree(self._folder, ignore_errors=True)


class Terminal:
    """One terminal with one workbench in it."""

    def __init__(self, server: Terminals, name: str, notes: Path) -> None:
        self._server = server
        self.name = name
        self._notes = notes
        assert eventually(notes.with_suffix(".pid").exists)
        self.pid = int(notes.with_suffix(".pid").read_text())

    def tmux(self, command: str, *words: str) -> str:
        """A tmux command about this terminal."""
        return self._server.tmux(command, "-t", self.name, *words)

    def ask(self, what: str) -> str:
        """What tmux knows: `alternate_on`, `pane_title` …"""
        return self.tmux("display-message", "-p", f"#{{{what}}}").rstrip("\n")

    # Input

    def keys(self, *names: str) -> None:
        """Press keys by their tmux names: `C-z`, `Enter`, `F2`."""
        self.tmux("send-keys", *names)

    def type(self, text: str, *then: str) -> None:
        """Type a text literally, then press keys."""
        self.tmux("send-keys", "-l", "--", text)
        if then:
            self.keys(*then)

    def paste(self, text: str) -> None:
        """Paste a text as terminals do, between brackets."""
        self._server.tmux("load-buffer", "-b", self.name, "-", stdin=text.encode())
        self.tmux("paste-buffer", "-p", "-b", self.name, "-d")

    def resize(self, width: int, height: int) -> None:
        """Another size."""
        self.tmux("resize-window", "-x", str(width), "-y", str(height))

    # Output

    def screen(self) -> str:
        """What stands on the screen, lines without blanks at their ends."""
        return self.tmux("capture-pane", "-p")

    def lines(self) -> list[str]:
        """The screen, line by line."""
        return self.screen().split("\n")[:-1]

    def until(self, holds: Callable[[str], bool], what: str = "") -> str:
        """Wait until the screen is as wanted, and give it."""
        end = time.monotonic() + PATIENCE_S
        while True:
            screen = self.screen()
            if holds(screen):
                return screen
            if not self.is_running or time.monotonic() > end:
                raise AssertionError(f"{what or 'it'} did not come to pass; it shows\n{screen}")
            time.sleep(POLL_S)

    def shows(self, *texts: str) -> str:
        """Wait until every text stands on the screen, and give the screen."""
        return self.until(lambda screen: all(text in screen for text in texts), repr(texts))

    def settled(self) -> str:
        """Wait until the screen has stood still for a fifth of a second, and give it."""
        last, since = self.screen(), time.monotonic()
        end = since + PATIENCE_S
        while time.monotonic() - since < 0.2 and time.monotonic() < end:
            time.sleep(POLL_S)
            now = self.screen()
            if now != last:
                last, since = now, time.monotonic()
        return last

    # The process

    @property
    def is_running(self) -> bool:
        """Whether the workbench still runs."""
        return lives(self.pid)

    def ended(self) -> int:
        """Wait for its end; its exit code, 128 and the number of a signal that ended it."""
        code = self._notes.with_suffix(".code")
        assert eventually(code.exists), f"it does not end; it shows\n{self.screen()}"
        return int(code.read_text())

    @property
    def is_given_back(self) -> bool:
        """Whether the terminal is as it was before the workbench: its settings and its screen."""
        before, after = (self._notes.with_suffix(f".{when}") for when in ("before", "after"))
        flags = ("alternate_on", "mouse_any_flag", "cursor_flag")
        return before.read_text() == after.read_text() and [self.ask(flag) for flag in flags] == [
            "0", "0", "1",
        ]  # fmt: skip

    def kill(self, number: int = signal.SIGKILL) -> int:
        """Send the workbench a signal and wait for its end; its exit code."""
        os.kill(self.pid, number)
        return self.ended()

    def close(self) -> None:
        """Close the terminal under it, as a window is closed."""
        self.tmux("kill-session")


def lives(pid: int) -> bool:
    """Whether a process runs; one that has ended and waits to be asked about does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def cpu_s(pid: int) -> float:
    """The processor time that a process has spent."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def eventually(holds: Callable[[], bool], within_s: float = PATIENCE_S) -> bool:
    """Whether something comes true in time."""
    end = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > end:
            return False
        time.sleep(POLL_S)
    return True


@contextlib.contextmanager
def terminals() -> Iterator[Terminals]:
    """A server for the tests of one file."""
    server = Terminals()
    try:
        yield server
    finally:
        server.close()


# On the shipped example


def opened(server: Terminals, folder: Path, **how: Any) -> Terminal:
    """A workbench on the preset, ready to be typed into, its curves drawn."""
    terminal = server.open(folder, "rig.json", **how)
    terminal.shows("Delay   ms", "20k", "? help")
    return terminal


def tree(path: Path) -> Any:
    """What a file holds, as the standard library reads it."""
    return json.loads(path.read_bytes())


def delay_of(path: Path) -> Any:
    """The delay of the first output, where the cursor stands at first."""
    return tree(path)["outputs"][0].get("delay_ms", 0)


def left_with(terminal: Terminal) -> int:
    """Leave a workbench without unsaved work."""
    terminal.keys("C-q")
    return terminal.ended()


def has_recovery(server: Terminals, folder: Path) -> None:
    """One unsaved step, a delay of 3.5 ms, is offered back and can be had; then it goes."""
    terminal = server.open(folder, "rig.json")
    terminal.shows("Recover", "1 unsaved step")
    terminal.keys("Enter")
    terminal.shows("1 step unsaved", "3.50")
    terminal.keys("C-q")
    terminal.shows("Leave?")
    terminal.keys("Down", "Down", "Enter")
    assert terminal.ended() == 0
