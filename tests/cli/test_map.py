"""`xover map` as people call it: CSV, JSON, plots, refusals."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Ran

Run = Callable[..., Ran]


def test_a_map_as_csv_is_the_sum_at_the_listener(xover: Run, preset_path: Path) -> None:
    """One output and a band so far above its corner that its level is its box's: 1/r."""
    ran = xover("map", preset_path, "--band", "1000", "--only", "Top", "--area", 2.9, 3.1, 10, 20,
                "--height", 3, "--step", 10)  # fmt: skip
    assert ran.code == 0
    rows = [[float(cell) for cell in row] for row in list(csv.reader(io.StringIO(ran.out)))[1:]]
    assert [row[1] for row in rows] == [10.0, 10.0, 20.0, 20.0]
    # Twice the distance from the box at (3, 0, 3): −6.02 dB, and 0.05 dB of air.
    assert rows[0][2] - rows[2][2] == pytest.approx(6.02, abs=0.1)
    assert "played: Left 0.0 dB, Aux 0.0 dB" in ran.err


def test_json_and_terminal_agree(xover: Run, preset_path: Path) -> None:
    ran = xover("map", preset_path, "--band", "80", "--step", "4", "--json")
    document = ran.document
    assert document["level"] == "relative"
    assert document["caution"] is None
    assert document["outputs"] == ["Sub", "Top"]
    levels = [level for row in document["level_db"] for level in row]
    assert document["loudest"]["level_db"] == max(levels)
    assert len(document["level_db"]) == len(document["y_m"])
    assert "“Spare” contributes nothing: it is muted" in document["notes"]
    shown = xover("map", preset_path, "--band", "80", "--plot", "-")
    assert shown.code == 0
    assert "80 Hz third-octave band" in shown.out
    assert "each figure more 3 dB less" in shown.out


def test_plots_are_written_whole_and_never_over_a_file(
    xover: Run, preset_path: Path, tmp_path: Path
) -> None:
    path = tmp_path / "map.svg"
    assert xover("map", preset_path, "--band", "63", "--plot", path).code == 0
    assert path.read_bytes().startswith(b"<?xml")
    again = xover("map", preset_path, "--band", "63", "--plot", path)
    assert again.code == 2
    assert str(path) in again.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--band", "63", "--plot", "map.gif"], "ends in .svg, .png or .pdf"),
        (["--band", "63", "--plot", "-", "--json"], "both write to stdout"),
        (["--band", "63", "--plot", "-", "--step", "1"], "a point a character"),
        (["--band", "63", "--area", "1", "1", "0", "5"], "has no width"),
        (["--band", "63", "--only", "Spare"], "nothing sounds here"),
        (["--band", "90000"], "bands lie between"),
        (["--band", "63", "--step", "0.002"], "more than a million"),
    ],
)
def test_what_cannot_be_mapped_is_said_in_a_sentence(
    xover: Run, preset_path: Path, arguments: list[str], words: str
) -> None:
    ran = xover("map", preset_path, *arguments)
    assert ran.code == 2
    assert words in ran.err
    assert len(ran.err.strip().splitlines()) == 1
