"""Proof in a real terminal: files changed, gone, full disks and folders that cannot be written.

Nothing is ever written over in silence, and what could not be saved is not lost.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.tui.tmux import SHIPPED, Terminals, delay_of, left_with, opened


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
