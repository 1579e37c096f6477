"""A small preset on disk, and a way to run the command as the shell would."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from xover.cli.entry import run


@dataclass
class Ran:
    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def xover(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    def call(*arguments: object) -> Ran:
        capsys.readouterr()
        code = run([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return call


@pytest.fixture
def preset_path(tmp_path: Path) -> Path:
    document = {
        "format": "xover-preset",
        "version": 1,
        "title": "Small hall",
        "inputs": [{"name": "Left"}, {"name": "Aux"}],
        "outputs": [
            {
                "name": "Sub",
                "inputs": {"Aux": 0, "Left": -6},
                "low_pass": {
                    "family": "linkwitz-riley",
                    "slope_db_per_octave": 24,
                    "frequency_hz": 100,
                },
            },
            {
                "name": "Top",
                "inputs": {"Left": 0},
                "high_pass": {
                    "family": "linkwitz-riley",
                    "slope_db_per_octave": 24,
                    "frequency_hz": 100,
                },
            },
            {"name": "Spare", "inputs": {"Left": 0}, "muted": True},
        ],
        "loudspeakers": [
            {
                "name": "Low box",
                "passband_hz": [35, 250],
                "impedance_ohm": 8,
                "power_w": {"continuous": 500},
            },
            {
                "name": "Full box",
                "passband_hz": [70, 18000],
                "impedance_ohm": 8,
                "power_w": {"continuous": 300},
            },
        ],
        "sources": [
            {"name": "S", "output": "Sub", "loudspeaker": "Low box", "position_m": [0, 1, 0.4]},
            {"name": "T", "output": "Top", "loudspeaker": "Full box", "position_m": [3, 0, 3]},
        ],
        "listeners": [
            {"name": "Row 8", "position_m": [0, 12, 1.2]},
            {"name": "Balcony", "position_m": [0, 25, 4]},
        ],
    }
    path = tmp_path / "hall.json"
    path.write_text(json.dumps(document))
    return path
