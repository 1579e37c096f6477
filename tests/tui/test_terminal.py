"""Proof in a real terminal: what is painted, typed, saved, lost and had back.

tmux is the terminal. Sizes, the word “Recover” and what must hold in each case are the ones the
workbench promises; the file on disk is judged by the standard library's JSON reader.
"""

from __future__ import annotations

import fcntl
import json
import os
import random
import select
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from tests.tui.tmux import (
    PATIENCE_S,
    ROOT,
    TMUX,
    Terminal,
    Terminals,
    cpu_s,
    eventually,
    lives,
    terminals,
)
from xover.tui.terminal import WATCH_S

pytestmark = pytest.mark.skipif(TMUX is None, reason="tmux is the terminal of these tests")

SHIPPED = ROOT / "presets" / "harbour-hall.json"
JOURNAL = ".rig.json.journal"
SIZES = [(80, 24), (120, 40), (160, 48)]


@pytest.fixture(scope="module")
def server() -> Iterator[Terminals]:
    with terminals() as ours:
        yield ours


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(SHIPPED, tmp_path / "rig.json")
    return tmp_path


def opened(server: Terminals, folder: Path, **how: Any) -> Terminal:
    """A workbench on the preset, ready to be typed into, its curves drawn."""
    terminal = server.open(folder, "rig.json", **how)
    terminal.shows("Delay   ms", "20k", "? help")
    return terminal


def tree(path: Path) -> Any:
    return json.loads(path.read_bytes())


def delay_of(path: Path) -> Any:
    """The delay of the first output, where the cursor stands at first."""
    return tree(path)["outputs"][0].get("delay_ms", 0)


def left_with(terminal: Terminal) -> int:
    """Leave a workbench without unsaved work."""
    terminal.keys("C-q")
    return terminal.ended()


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
    shown = time.monotonic()
    journal = folder / JOURNAL
    assert eventually(lambda: journal.read_bytes().count(b'"do":"edit"') == 2, within_s=5)
    assert time.monotonic() - shown < 2.0
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


def has_recovery(server: Terminals, folder: Path) -> None:
    terminal = server.open(folder, "rig.json")
    terminal.shows("Recover", "1 unsaved step")
    terminal.keys("Enter")
    terminal.shows("1 step unsaved", "3.50")
    terminal.keys("C-q")
    terminal.shows("Leave?")
    terminal.keys("Down", "Down", "Enter")
    assert terminal.ended() == 0


def test_a_closed_window_ends_it_and_keeps_the_work(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.close()
    assert eventually(lambda: not lives(terminal.pid), within_s=5)
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
            assert time.monotonic() - begun < 5, "it does not notice"
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


# Files


def test_a_file_changed_underneath_is_asked_about(server: Terminals, folder: Path) -> None:
    path = folder / "rig.json"
    theirs = path.read_text().replace("Harbour Hall, main rig", "Harbour Hall, other rig")
    terminal = opened(server, folder)
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    path.write_text(theirs)
    terminal.keys("C-s")
    terminal.shows("The file has changed", "rig.json")
    assert path.read_text() == theirs
    terminal.keys("Escape")
    terminal.until(lambda screen: "The file has changed" not in screen)
    assert path.read_text() == theirs
    terminal.keys("C-s")
    terminal.shows("The file has changed")
    terminal.keys("Enter")  # the first answer saves elsewhere
    terminal.shows("Save under another name")
    terminal.keys("Enter")
    terminal.shows("saved in")
    assert path.read_text() == theirs
    assert delay_of(folder / "rig-copy.json") == 3.5
    assert left_with(terminal) == 0


def test_a_file_taken_away_underneath_is_asked_about(server: Terminals, folder: Path) -> None:
    path = folder / "rig.json"
    terminal = opened(server, folder)
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    path.unlink()
    terminal.keys("C-s")
    terminal.shows("no longer there")
    assert not path.exists()
    terminal.keys("Down", "Enter")
    terminal.shows("saved in")
    assert delay_of(path) == 3.5
    assert left_with(terminal) == 0


def test_a_file_that_cannot_be_read_is_said(server: Terminals, folder: Path) -> None:
    (folder / "rig.json").write_text('{"format": "xover-preset", "version": 1, "title": 3}')
    terminal = server.open(folder, "rig.json")
    terminal.shows("title", "Open a preset")
    terminal.keys("Escape")
    terminal.shows("nothing is open")
    assert "Traceback" not in terminal.settled()
    assert left_with(terminal) == 0


def test_saving_into_a_full_disk(server: Terminals, folder: Path) -> None:
    """A small file system in memory, where the system lets us mount one."""
    full = folder / "full"
    full.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(full)]
    if os.geteuid() or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("only root may mount a small file system")
    try:
        shutil.copy(SHIPPED, full / "rig.json")
        with (full / "ballast").open("wb", buffering=0) as ballast, suppress(OSError):
            while ballast.write(b"0" * 4096):
                pass
        terminal = server.open(full, "rig.json", home=folder / "home")
        terminal.shows("Delay   ms", "20k", "? help")
        terminal.type("3.5", "Enter")
        terminal.shows("1 step unsaved")
        terminal.keys("C-s")
        terminal.shows("could not be written")
        assert (full / "rig.json").read_bytes() == SHIPPED.read_bytes()
        (full / "ballast").unlink()
        terminal.keys("C-s")
        terminal.shows("saved in")
        assert delay_of(full / "rig.json") == 3.5
        assert left_with(terminal) == 0
    finally:
        subprocess.run(["umount", "-l", str(full)], capture_output=True, check=False)


def test_saving_past_the_limit_on_file_sizes(server: Terminals, folder: Path) -> None:
    """What a quota does, without being root: no file may grow past 64 KiB, the preset is larger."""
    limited = ("sh", "-c", 'ulimit -f 128; exec "$@"', "sh")
    terminal = opened(server, folder, within=limited)
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.keys("C-s")
    terminal.shows("could not be written")
    assert (folder / "rig.json").read_bytes() == SHIPPED.read_bytes()
    terminal.keys("C-q")
    terminal.shows("Leave?")
    terminal.keys("Down", "Down", "Enter")
    assert terminal.ended() == 0
    assert [each for each in folder.iterdir() if each.name.endswith(".tmp")] == []


@pytest.fixture
def nobodys() -> Iterator[tuple[Path, Path, tuple[str, ...]]]:
    """A folder, a home, and what starts a program as somebody whom permissions stop."""
    within: tuple[str, ...] = ()
    if not os.geteuid():
        if shutil.which("setpriv") is None:
            pytest.skip("root needs setpriv to become nobody")
        within = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
        tried = [*within, sys.executable, "-c", "import xover"]
        if subprocess.run(tried, cwd="/", capture_output=True, check=False).returncode:
            pytest.skip("nobody may not read where xover is installed")
    top = Path(tempfile.mkdtemp(prefix="xover-"))
    top.chmod(0o755)
    place, home = top / "place", top / "home"
    place.mkdir()
    home.mkdir()
    shutil.copy(SHIPPED, place / "rig.json")
    if within:
        os.chown(home, 65534, 65534)
    place.chmod(0o555)
    yield place, home, within
    place.chmod(0o755)
    shutil.rmtree(top)


def test_saving_into_a_folder_that_cannot_be_written(
    server: Terminals, nobodys: tuple[Path, Path, tuple[str, ...]]
) -> None:
    place, home, within = nobodys
    terminal = server.open(place, "rig.json", within=within, home=home)
    terminal.shows("Delay   ms", "20k", "? help")
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.keys("C-s")
    terminal.until(lambda screen: screen.count("could not be written") == 1)
    assert (place / "rig.json").read_bytes() == SHIPPED.read_bytes()
    assert [each.name for each in place.iterdir()] == ["rig.json"]
    terminal.kill(signal.SIGKILL)
    again = server.open(place, "rig.json", within=within, home=home)
    again.shows("Recover", "1 unsaved step")
    again.keys("Escape")
    again.shows("Sub, delay")
    assert left_with(again) == 0


# Bad input


HOSTILE = {
    "title": "[red]Stage[/red] $title %s",
    "venue": "\u202eeman\u202c",
    "outputs[0].name": "[@click=app.quit]Sub[/]",
    "outputs[1].name": "\u821e\u53f0 \U0001f50a",
    "outputs[2].name": "\u00e1\u0302\u0303\u200b",
}
"""Markup, a direction override, wide characters, a pile of combining marks with a hidden one."""


def test_hostile_names_are_shown_literally(server: Terminals, folder: Path) -> None:
    text = (SHIPPED).read_text()
    names = ["Sub", "Top L", "Top R"]
    held = json.loads(text)
    held["title"], held["venue"] = HOSTILE["title"], HOSTILE["venue"]
    renaming = {old: HOSTILE[f"outputs[{at}].name"] for at, old in enumerate(names)}
    name = "[bold]\x1b]0;owned\x07\x1b[2J.json"
    (folder / name).write_text(json.dumps(renamed(held, renaming)))
    terminal = server.open(folder, name)
    screen = terminal.shows("[red]Stage[/red] $title %s", "\\u202eeman\\u202c", "[@click=app")
    screen = terminal.shows("\u821e\u53f0")
    assert "\u202e" not in screen
    assert all(len(line) <= 80 for line in screen.split("\n"))
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved")
    terminal.keys("C-s")
    terminal.shows("saved in", "[bold]\\u001b]0;owned\\u0007\\u001b[2J.json")
    assert "owned" not in terminal.ask("pane_title")
    for key in ("F3", "F4", "F5", "?"):
        terminal.keys(key)
        assert "Traceback" not in terminal.settled()
        assert terminal.is_running, key
    terminal.keys("Escape")
    assert left_with(terminal) == 0
    assert delay_of(folder / name) == 3.5


def renamed(held: Any, names: dict[str, str]) -> Any:
    """Plain data with names exchanged wherever they stand as a whole text."""
    if isinstance(held, dict):
        return {names.get(key, key): renamed(value, names) for key, value in held.items()}
    if isinstance(held, list):
        return [renamed(value, names) for value in held]
    return names.get(held, held) if isinstance(held, str) else held


def test_escape_codes_in_a_file_are_refused_and_shown_inert(
    server: Terminals, folder: Path
) -> None:
    held = tree(SHIPPED)
    held["title"] = "\x1b]0;owned\x07\x1b[31mred"
    (folder / "rig.json").write_text(json.dumps(held))
    terminal = server.open(folder, "rig.json")
    terminal.shows("title", "Open a preset")
    assert "owned" not in terminal.ask("pane_title")
    terminal.keys("Escape")
    assert left_with(terminal) == 0


def test_copying_where_there_is_nothing_is_said(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    terminal.keys("Left", "Up", "Up", "Up", "C-c")
    terminal.shows("an input has no route")
    assert left_with(terminal) == 0


def test_a_key_pressed_twice_answers_once(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    for _ in range(3):
        terminal.keys("/")
        terminal.shows("Search for", "align  ^A")
        terminal.type("humidity")
        terminal.shows("air  ^E")
        terminal.keys("Enter", "Enter", "Enter", "Enter", "Escape", "Escape", "Escape")
        terminal.settled()
        assert terminal.is_running
        terminal.keys("Escape")
        terminal.until(lambda screen: "Delay   ms" in screen and "pressure" not in screen)
    assert left_with(terminal) == 0


def test_a_pasted_megabyte(server: Terminals, folder: Path) -> None:
    terminal = opened(server, folder)
    for text, cut in (("9" * 1_000_000, "996,000"), ("lr24 100\n" * 110_000, "986,000")):
        terminal.paste(text)
        terminal.shows(f"{cut} characters were left")
        terminal.keys("Escape")
        terminal.shows("║ 1.55")
    terminal.paste("\x1b[200~" * 1000)
    terminal.settled()
    terminal.keys("Escape")
    terminal.settled()
    terminal.type("3.5", "Enter")
    terminal.shows("1 step unsaved", "3.50")
    terminal.keys("C-z")
    terminal.until(lambda screen: "unsaved" not in screen)
    assert left_with(terminal) == 0
    assert (folder / "rig.json").read_bytes() == SHIPPED.read_bytes()


NAMED = [
    "Enter", "Enter", "Enter", "Escape", "Tab", "Up", "Down", "Left", "Right", "Home", "End",
    "PPage", "NPage",
    "BTab", "BSpace", "DC", "IC", "Space", "S-Up", "S-Down", "S-Left", "S-Right", "C-Left",
    "C-Right", "M-x", *(f"F{number}" for number in range(1, 13)),
    *(f"C-{letter}" for letter in "abcdefghijklnoprstuvwxyz"), "C-Space", "C-]",
]  # fmt: skip
"""Every key but Ctrl+Q, which ends it as it should, and Ctrl+M, which is Enter."""
TYPED = [*"0123456789.-+/?[]{}lrbpqsiokKm'\"#,=*~", "lr24 100", "inv", "é", "\u821e", "\U0001f50a"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_keys_end_nothing(server: Terminals, folder: Path, seed: int) -> None:
    """All that a keyboard has, in any place; what it leads to is left again at the end."""
    dice = random.Random(seed)
    terminal = opened(server, folder, size=dice.choice(SIZES))
    pressed: list[str] = []
    for _ in range(30):
        for _ in range(4):
            if dice.random() < 0.6:
                keys = dice.choices(NAMED, k=dice.choice([1, 2, 4]))
                terminal.keys(*keys)
            else:
                keys = [dice.choice(TYPED)]
                terminal.type(*keys)
            pressed += keys
        if not terminal.is_running:
            break
    leave_whatever_is_open(terminal, pressed)
    assert terminal.is_given_back


def leave_whatever_is_open(terminal: Terminal, pressed: list[str]) -> None:
    """Escape from dialogs, then leave; unsaved work is thrown away.

    The keys may have left already, through the palette: that is no fault.
    """
    for _ in range(20):
        if not terminal.is_running:
            break
        terminal.keys("Escape")
        terminal.settled()
        terminal.keys("C-q")
        eventually(lambda: not terminal.is_running, within_s=0.5)
        if "Leave without saving" in terminal.screen():
            terminal.keys("Down", "Down", "Enter")
            eventually(lambda: not terminal.is_running, within_s=2.0)
    screen = terminal.screen()
    assert terminal.ended() == 0, (pressed, screen)
    assert "Traceback" not in screen, (pressed, screen)
