"""`xover array` as people call it: tables, JSON, files, refusals."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Ran

Run = Callable[..., Ran]


def test_apply_writes_a_preset_that_is_legal(xover: Run, preset_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "array.json"
    ran = xover("array", "endfire", preset_path, "--output", "sub", "--count", "3",
                "--spacing", "4 ft", "--apply", "-o", path)  # fmt: skip
    assert ran.code == 0
    assert "needs 3 outputs, in the group Sub endfire" in ran.out
    assert "Rigging: stacking and flying" in ran.err
    outputs = {item["name"]: item for item in json.loads(path.read_text())["outputs"]}
    # n·d/c of 4 ft = 1.2192 m at 343.2 m/s, the rear first.
    delays = [outputs[name]["delay_ms"] for name in ("Sub behind 2", "Sub behind 1", "Sub")]
    assert delays == pytest.approx([0.0, 1219.2 / 343.2, 2438.4 / 343.2], abs=5e-5)
    assert outputs["Sub behind 1"]["channel"] is None
    assert xover("check", path).code in (0, 1)
    again = xover("array", "endfire", preset_path, "--output", "Sub", "--apply", "-o", path)
    assert again.code == 2
    assert str(path) in again.err


def test_json_has_the_compass(xover: Run, preset_path: Path) -> None:
    ran = xover("array", "gradient", preset_path, "--output", "Sub", "--spacing", "1.43",
                "--frequencies", "60", "--json")  # fmt: skip
    document = ran.document
    compass = document["compass"]
    levels = dict(zip(compass["angle_deg"], compass["level_db"][0], strict=True))
    # |1 − e^(−jkd(1 + cos θ))| at 60 Hz and 1.43 m.
    assert [levels[angle] for angle in (0.0, 45.0, 90.0, 135.0)] == pytest.approx(
        [6.021, 5.789, 3.010, -6.820], abs=6e-4
    )
    assert [item["polarity"] for item in document["elements"]] == ["normal", "inverted"]
    assert len(document["cautions"]) == 2


def test_plots(xover: Run, preset_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "compass.svg"
    assert xover("array", "arc", preset_path, "--output", "Sub", "--angle", "60",
                 "--plot", path).code == 0  # fmt: skip
    assert b"<svg" in path.read_bytes()
    shown = xover("array", "arc", preset_path, "--output", "Sub", "--angle", "60", "--plot", "-")
    assert "front up; rim" in shown.out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["endfire", "--count", "7"], "2 to 6 boxes"),
        (["gradient", "--count", "5"], "2 to 4 boxes"),
        (["arc"], "give --angle DEG"),
        (["endfire", "--angle", "60"], "the coverage of an arc"),
        (["endfire", "--separate"], "is for an arc"),
        (["endfire", "--rear-trim-db", "-3"], "are for a gradient"),
        (["gradient", "--rear-trim-db", "-3", "--null-distance", "3"], "give either"),
        (["gradient", "--count", "4", "--null-distance", "3"], "is for 2 and 3 boxes"),
        (["gradient", "--null-distance", "0"], "behind the array"),
        (["endfire", "--spacing", "3 ms"], "is not a length"),
        (["endfire", "--spacing", "1", "--frequency", "60"], "give either --spacing"),
        (["endfire", "--frequencies", "60,x"], "is not a frequency"),
        (["endfire", "--frequencies", "60,60"], "each named once"),
        (["endfire", "--output", "Spare"], "has no source"),
        (["endfire", "--plot", "c.gif"], "ends in .svg, .png or .pdf"),
        (["endfire", "--count", "6", "--processor", "presets/processors/old-ferry-2x6.json"],
         "has 6; take fewer boxes"),
    ],
)  # fmt: skip
def test_refusals_are_one_sentence(
    xover: Run, preset_path: Path, arguments: list[str], words: str
) -> None:
    kind, *more = arguments
    name = [] if "--output" in more else ["--output", "Sub"]
    ran = xover("array", kind, preset_path, *name, *more)
    assert ran.code == 2
    assert words in ran.err
    assert len([line for line in ran.err.splitlines() if "stands" not in line
                and "shipped example" not in line]) == 1  # fmt: skip
