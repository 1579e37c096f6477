"""A state folder that no other test sees, and copies of the shipped example."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from xover.files.shipped import default_example

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program does before numpy loads


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where journals go that cannot lie beside their presets."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


@pytest.fixture
def hall_path(tmp_path: Path) -> str:
    """A copy of the shipped example."""
    path = tmp_path / "hall.json"
    path.write_bytes(default_example().read_bytes())
    return str(path)
