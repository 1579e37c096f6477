"""Proof in a real terminal: what is painted, typed, saved, lost and had back.

tmux is the terminal. Sizes, the word “Recover” and what must hold in each case are the ones the
workbench promises; the file on disk is judged by the standard library's JSON reader.
"""

from __future__ import annotations

import fcntl
import json
import os
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from tests.tui.tmux import (
    PATIENCE_S,
    ROOT,
    SHIPPED,
    Terminals,
    cpu_s,
    delay_of,
    eventually,
    has_recovery,
    left_with,
    lives,
    opened,
    tree,
)
from xover.tui.terminal import WATCH_S

JOURNAL = ".rig.json.journal"
SIZES = [(80, 24), (120, 40), (160, 48)]


# Painting


@pytest.mark.parametrize("size", SIZES)
def test_the_whole_of_it_is_painted(server: Terminals, folder: Path, size: tuple[int, int]) -> None:
    terminal = opened(server, folder, size=size)
    terminal.settled()
    lines = terminal.lines()
    assert len(lines) == size[1]
    assert "Harbour Hall" in lines[0]
    assert "48 kHz" in lines[0]
    assert lines[0].rstrip().endswith("saved")
    axis = next(number for number, text in enumerate(lines) if "20k" in text)
    ticks = ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
    assert lines[axis].split() == ticks
    magnitude = [text for text in lines[1:axis] if text[5:6] in ("┤", "│")]
    assert len(magnitude) >= 8
    assert sum(any("⠀" < each <= "⣿" for each in text) for text in magnitude) >= 8
    rows = [text.split("│")[0].strip() for text in lines if text.count("│") >= 4]
    labels = [row for row in rows if row and row != "↓"]
    wanted = ["Route", "Gain    dB", "Polarity", "Delay   ms", "High-pass", "Low-pass", "EQ 1"]
    assert labels[:7] == wanted
    assert len(labels) >= 9
    assert lines[-1].split() == [
        "^A",
        "align",
        "^Z",
        "undo",
        "^S",
        "save",
        "F2",
        "panes",
        "F6",
        "phase",
        "?",
        "help",
    ]
    if size[1] > 24:
        assert any(text.startswith(" deg") for text in lines)
    assert left_with(terminal) == 0
    assert terminal.is_given_back


def test_labels_stay_and_columns_come_along(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    terminal.keys(*["Right"] * 4)
    terminal.shows("Delay R, delay", "Delay R")
    screen = terminal.settled()
    assert "Delay   ms" in screen
    assert "51.70" in screen
    terminal.keys(*["Down"] * 8)
    screen = terminal.shows("Peak limit", "Delay R, ")
    assert "Route " not in screen
    assert left_with(terminal) == 0


# Typing, undoing, saving


def test_type_undo_redo_save_and_compare_the_file(server: Terminals, folder: Path) -> None:
    path = folder / "rig.json"
    before = tree(path)
    terminal = opened(server, folder)
    terminal.type("3.5", "Enter")
    terminal.shows("3.50", "1 step unsaved")
    assert tree(path) == before
    terminal.keys("C-z")
    terminal.shows("undone: ", "1.55")
    terminal.until(lambda screen: "unsaved" not in screen)
    terminal.keys("C-y")
    terminal.shows("again: ", "3.50", "1 step unsaved")
    terminal.keys("C-s")
    terminal.shows("saved in", "rig.json")
    terminal.until(lambda screen: "unsaved" not in screen)
    wanted = json.loads(json.dumps(before))
    wanted["outputs"][0]["delay_ms"] = 3.5
    assert tree(path) == wanted
    old, new = SHIPPED.read_text().splitlines(), path.read_text().splitlines()
    differing = [pair for pair in zip(old, new, strict=True) if pair[0] != pair[1]]
    assert [pair[1].strip().rstrip(",") for pair in differing] == ['"delay_ms": 3.5']
    assert left_with(terminal) == 0
    assert [each.name for each in folder.iterdir() if each.name.startswith(".")] == []


def test_what_is_not_understood_is_said_and_the_old_value_stays(
    server: Terminals, folder: Path
) -> None:
    terminal = opened(server, folder)
    terminal.type("soon", "Enter")
    screen = terminal.shows("“soon” is not a delay", "║ soon", "3.5,")
    assert "unsaved" not in screen
    terminal.keys("Escape")
    terminal.until(lambda screen: "1.55" in screen and "soon" not in screen)
    assert left_with(terminal) == 0
    assert (folder / "rig.json").read_bytes() == SHIPPED.read_bytes()


def test_leaving_with_unsaved_work_asks(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    terminal.type("4", "Enter")
    terminal.shows("1 step unsaved")
    terminal.keys("C-q")
    terminal.shows("Leave?", "1 step is not saved")
    terminal.keys("Enter")  # staying does no harm, so it is offered first
    terminal.until(lambda screen: "Leave?" not in screen)
    terminal.keys("C-q")
    terminal.shows("Leave?")
    terminal.keys("Down", "Enter")
    assert terminal.ended() == 0
    assert delay_of(folder / "rig.json") == 4

    terminal = opened(server, folder)
    terminal.type("5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.keys("C-q")
    terminal.shows("Leave?")
    terminal.keys("Down", "Down", "Enter")
    assert terminal.ended() == 0
    assert delay_of(folder / "rig.json") == 4
    assert not (folder / JOURNAL).exists(), "what was thrown away is not offered again"


# Sizes


def test_any_size_and_back(server: Terminals, folder: Path) -> None:
    """The curves come back as they were; the sheet keeps what was in sight last."""
    terminal = opened(server, folder)
    first = terminal.settled().split("\n")[:12]

    def as_at_first(screen: str) -> bool:
        lines = screen.split("\n")
        return lines[:12] == first and "Sub, delay" in lines[22] and "? help" in lines[23]

    for size in [(1, 1), (2, 1), (1, 30), (300, 1), (10, 3), (20, 10), (40, 12), (200, 60)]:
        terminal.resize(*size)
        terminal.keys("Down", "Up")
        terminal.settled()
        assert terminal.is_running, size
    terminal.resize(80, 24)
    terminal.until(as_at_first, "the first picture")
    terminal.keys("F3")
    terminal.shows("Arrivals")
    for size in [(1, 1), (120, 40), (30, 8)]:
        terminal.resize(*size)
        terminal.settled()
    terminal.keys("F3")
    terminal.settled()
    terminal.keys("?")
    terminal.resize(1, 1)
    terminal.settled()
    terminal.resize(80, 24)
    terminal.keys("Escape")
    terminal.until(as_at_first, "the first picture")
    assert left_with(terminal) == 0


# Losing and recovering


def edited_and_killed(server: Terminals, folder: Path) -> None:
    """Two steps made and on the disk, a third being typed, and then the plug is pulled."""
    terminal = opened(server, folder)
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.keys("Up", "Up")
    terminal.type("-6", "Enter")
    terminal.shows("2 steps unsaved")
    journal = folder / JOURNAL
    assert eventually(lambda: journal.read_bytes().count(b'"do":"edit"') == 2, within_s=10)
    terminal.type("9")
    terminal.kill(signal.SIGKILL)
    assert (folder / "rig.json").read_bytes() == SHIPPED.read_bytes()


def test_killed_in_the_middle_of_an_edit_and_recovered(server: Terminals, folder: Path) -> None:
    edited_and_killed(server, folder)
    terminal = server.open(folder, "rig.json")
    terminal.shows("Recover", "2 unsaved steps")
    terminal.keys("Enter")
    terminal.shows("2 steps unsaved", "3.50", "−6.0")
    terminal.keys("C-z")
    terminal.shows("1 step unsaved", "−3.0")
    terminal.keys("C-y")
    terminal.shows("2 steps unsaved")
    terminal.keys("C-s")
    terminal.shows("saved in")
    assert delay_of(folder / "rig.json") == 3.5
    assert tree(folder / "rig.json")["outputs"][0]["gain_db"] == -6
    assert left_with(terminal) == 0
    again = opened(server, folder)
    assert "Recover" not in again.screen()
    assert left_with(again) == 0


def test_recovered_as_a_copy_where_the_file_has_changed(server: Terminals, folder: Path) -> None:
    edited_and_killed(server, folder)
    path = folder / "rig.json"
    theirs = path.read_text().replace("Harbour Hall, main rig", "Harbour Hall, other rig")
    path.write_text(theirs)
    terminal = server.open(folder, "rig.json")
    terminal.shows("Recover", "as a copy")
    terminal.keys("Enter")
    terminal.shows("2 steps unsaved", "main rig")
    terminal.keys("C-s")
    terminal.shows("Save under another name")
    terminal.keys("Enter")
    terminal.shows("saved in")
    assert path.read_text() == theirs
    assert delay_of(folder / "rig-copy.json") == 3.5
    assert left_with(terminal) == 0


def test_a_second_workbench_is_read_only_and_says_so(server: Terminals, folder: Path) -> None:
    first = opened(server, folder)
    second = opened(server, folder)
    lines = second.shows("read-only: ").splitlines()
    assert lines[0].rstrip().endswith("read-only")
    second.type("3.5", "Enter")
    screen = second.shows("║ 3.5", "read-only here")
    assert "unsaved" not in screen
    second.keys("Escape")
    second.shows("║ 1.55")
    second.keys("C-s")
    assert "saved in" not in second.settled()
    assert left_with(second) == 0
    first.type("7", "Enter")
    first.shows("1 step unsaved")
    first.keys("C-s")
    first.shows("saved in")
    assert left_with(first) == 0
    assert delay_of(folder / "rig.json") == 7
    third = opened(server, folder)
    assert "read-only" not in third.screen()
    assert left_with(third) == 0


def test_a_closed_window_ends_it_and_keeps_the_work(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.close()
    assert eventually(lambda: not lives(terminal.pid))
    has_recovery(server, folder)


class Bare:
    """A workbench on a pseudo-terminal of ours that controls no process: no signal reaches it."""

    def __init__(self, folder: Path) -> None:
        self.near, far = os.openpty()
        fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        surroundings = {**os.environ, "HOME": str(folder), "XDG_STATE_HOME": str(folder / "state"),
                        "PYTHONPATH": str(ROOT), "TERM": "xterm-256color"}  # fmt: skip
        self.process = subprocess.Popen(
            [sys.executable, "-m", "xover", "rig.json"],
            cwd=folder, env=surroundings, stdin=far, stdout=far, stderr=far,
            start_new_session=True,
        )  # fmt: skip
        os.close(far)

    def shows(self, *texts: str) -> None:
        """Read until every text has been written since it was last asked."""
        seen, end = b"", time.monotonic() + PATIENCE_S
        while not all(text.encode() in seen for text in texts):
            ready, _, _ = select.select([self.near], [], [], max(0.0, end - time.monotonic()))
            assert ready, f"{texts} did not come to pass; it wrote {seen!r}"
            seen += os.read(self.near, 65536)

    def hang_up(self) -> None:
        """The far end goes."""
        if self.near >= 0:
            os.close(self.near)
        self.near = -1

    def __enter__(self) -> Bare:
        return self

    def __exit__(self, *_: object) -> None:
        self.hang_up()
        self.process.kill()
        self.process.wait()


def test_a_terminal_lost_without_a_signal_ends_it(server: Terminals, folder: Path) -> None:
    with Bare(folder) as bare:
        bare.shows("saved", "20k")
        os.write(bare.near, b"3.5\r")
        bare.shows("1 step unsaved")
        spent_s = cpu_s(bare.process.pid)
        bare.hang_up()
        begun = time.monotonic()
        while lives(bare.process.pid):
            assert time.monotonic() - begun < PATIENCE_S, "it does not notice"
            assert cpu_s(bare.process.pid) - spent_s < 2.0, "it spins"
            time.sleep(0.02)
    has_recovery(server, folder)


def test_bytes_that_are_no_text_end_nothing(folder: Path) -> None:
    """0xFF never occurs in UTF-8 (RFC 3629, section 1); 0xC3 alone breaks off."""
    with Bare(folder) as bare:
        bare.shows("saved", "20k")
        os.write(bare.near, b"3\xff\xc35\r")
        bare.shows("\N{REPLACEMENT CHARACTER}")
        time.sleep(WATCH_S * 2)  # it has no controlling terminal, and that is no reason to end
        os.write(bare.near, b"\x1b")
        time.sleep(0.2)
        os.write(bare.near, b"3.5\r")
        bare.shows("1 step unsaved")


def test_terminated_it_gives_the_terminal_back(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    assert terminal.ask("alternate_on") == "1"
    assert terminal.ask("mouse_any_flag") == "1"
    assert terminal.kill(signal.SIGTERM) == 128 + signal.SIGTERM
    assert terminal.is_given_back
    has_recovery(server, folder)
