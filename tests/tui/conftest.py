"""A state folder that no other test sees, and copies of the shipped example."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.tui.tmux import SHIPPED, TMUX, Terminals, terminals
from xover.files.shipped import default_example

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program does before numpy loads


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where journals go that cannot lie beside their presets; an archive of its own."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XOVER_ARCHIVE", str(tmp_path / "archive"))
    return tmp_path / "state"


@pytest.fixture
def hall_path(tmp_path: Path) -> str:
    """A copy of the shipped example."""
    path = tmp_path / "hall.json"
    path.write_bytes(default_example().read_bytes())
    return str(path)


@pytest.fixture(scope="session")
def server() -> Iterator[Terminals]:
    """Real terminals, where there is tmux to draw them."""
    if TMUX is None:
        pytest.skip("tmux is the terminal of these tests")
    with terminals() as ours:
        yield ours


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the shipped example in it as rig.json."""
    shutil.copy(SHIPPED, tmp_path / "rig.json")
    return tmp_path
