"""A folder of one's own, and a state folder that no other test sees."""

from __future__ import annotations

from pathlib import Path

import pytest

from xover.files.preset_json import dumps
from xover.files.shipped import default_example
from xover.model.preset import Preset
from xover.model.processing import Crossover, EqSection, Group, Input, Limit, Limiter, Output

LR24 = Crossover(family="linkwitz-riley", slope_db_per_octave=24, frequency_hz=100.0)
PEAK = EqSection(kind="peak", frequency_hz=315.0, gain_db=-3.0, q=2.0)


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where journals go that cannot lie beside their presets."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state" / "xover" / "journals"


def rig() -> Preset:
    """A small made-up rig: a locked sub, two grouped tops, a delay."""
    routed = {"Left": 0.0}
    return Preset(
        title="Yard",
        inputs=(Input(name="Left"), Input(name="Aux")),
        outputs=(
            Output(name="Sub", inputs={"Aux": 0.0}, low_pass=LR24, locked=("low_pass", "delay")),
            Output(name="Top L", inputs=routed, delay_ms=3.42, high_pass=LR24, eq=(PEAK,)),
            Output(
                name="Top R",
                inputs=routed,
                delay_ms=3.92,
                high_pass=LR24,
                eq=(PEAK,),
                limiter=Limiter(rms=Limit(threshold_dbu=5.0, attack_ms=10.0, release_ms=200.0)),
            ),
            Output(name="Delay", inputs={"Left": -3.0}, delay_ms=78.1),
        ),
        groups=(
            Group(
                name="Tops",
                outputs=("Top L", "Top R"),
                follow=("gain", "delay", "polarity", "high_pass", "eq", "limiter"),
            ),
        ),
    )


@pytest.fixture
def preset_path(tmp_path: Path) -> str:
    """The small rig as a file."""
    path = tmp_path / "yard.json"
    path.write_bytes(dumps(rig()))
    return str(path)


@pytest.fixture
def hall_path(tmp_path: Path) -> str:
    """A copy of the shipped example."""
    path = tmp_path / "hall.json"
    path.write_bytes(default_example().read_bytes())
    return str(path)
