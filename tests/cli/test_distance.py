"""`xover distance` as people call it: several movers, tapes, temperatures, lifts, lines."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Ran

Run = Callable[..., Ran]
GOLDEN = Path(__file__).parent / "golden"


@pytest.fixture
def delays_path(preset_path: Path) -> Path:
    """The small hall with a delay speaker 15 m out."""
    document = json.loads(preset_path.read_text())
    document["outputs"].append({"name": "Delay", "inputs": {"Left": 0}, "gain_db": -2})
    document["sources"].append(
        {"name": "D", "output": "Delay", "loudspeaker": "Full box", "position_m": [3, 15, 3]}
    )
    preset_path.write_text(json.dumps(document))
    return preset_path


ALL = ("--move", "Delay", "--to", "Top", "--listener", "Balcony", "--offset-ms", "10",
       "--show-temperature", "30", "--lift-db", "3", "--line", "Row 8", "Balcony")  # fmt: skip


def test_the_whole_text(xover: Run, delays_path: Path) -> None:
    """Golden: renewed by hand after reading the difference."""
    ran = xover("distance", delays_path, *ALL)
    assert ran.code == 0
    assert ran.out == (GOLDEN / "distance.txt").read_text("utf-8")


def test_apply_writes_delay_and_gain(xover: Run, delays_path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "delayed.json"
    ran = xover("distance", delays_path, *ALL, "--json", "--apply", "-o", copy)
    document = ran.document
    outputs = {item["name"]: item for item in json.loads(copy.read_text())["outputs"]}
    for name, setting in document["settings"].items():
        assert outputs[name]["delay_ms"] == setting["delay_ms"]
        assert outputs[name]["gain_db"] == setting["gain_db"]
    assert document["settings"]["Delay"]["gain_db"] == document["lift"]["gain_db"]
    assert document["lift"]["gain_db"] == pytest.approx(-2 + document["lift"]["gain_change_db"])
    # The flight of 16.6 m less, 343.2·√(303.15/293.15) = 349.0 m/s (ISO 9613-1).
    change_ms = document["show"]["reading_then_ms"] - document["show"]["reading_now_ms"]
    metres = document["distance_m"]["Top"] - document["distance_m"]["Delay"]
    assert change_ms == pytest.approx(1000.0 * metres * (1 / 349.005 - 1 / 343.2), abs=1e-3)


def test_distances_of_a_tape_in_metres_and_feet(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "bare.json"
    assert xover("new", "--ways", "main,delay", "-o", path).code == 0
    ran = xover(
        "distance", path, "--move", "delay", "--to", "main", "--listener", "back",
        "--measured", "Delay=Back=40 ft", "--measured", "main=BACK=32.192", "--json",
    )  # fmt: skip
    document = ran.document
    assert document["distance_m"] == {"Main": 32.192, "Delay": 12.192}  # 40·0.3048
    assert document["delay_ms"] == pytest.approx(20.0 / 343.2 * 1e3)
    assert document["measured"] == ["Main", "Delay"]
    assert document["line"] is None
    assert {row["level_db"] for row in document["arrivals"]} == {None}


def test_every_mover_has_its_listener(xover: Run, delays_path: Path) -> None:
    ran = xover("distance", delays_path, "--move", "Delay", "--move", "Sub", "--to", "Top",
                "--listener", "Balcony", "--listener", "Row 8", "--json")  # fmt: skip
    assert [one["listener"] for one in ran.document["results"]] == ["Balcony", "Row 8"]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--measured", "Delay=12"], "write OUTPUT=LISTENER=LENGTH"),
        (["--measured", "Delay=Row 8=3 ms"], "is not a length"),
        (["--measured", "Delay=Row 8=3", "--measured", "delay=row 8=4"], "is given twice"),
        (["--measured", "Delay=Row 8=-3"], "cannot be −3.00 m"),
        (["--measured", "Nobody=Row 8=3"], "there is no output “Nobody”"),
        (["--set-for", "show"], "give it, too"),
        (["--line", "Row 8", "row 8"], "are one place"),
        (["--line", "Row 8", "Gods"], "there is no listener “Gods”"),
        (["--listener", "Balcony"], "1 output is moved and 2 listeners named"),
    ],
)
def test_refusals_are_one_sentence(
    xover: Run, delays_path: Path, more: list[str], words: str
) -> None:
    ran = xover("distance", delays_path, "--move", "Delay", "--to", "Top", "--listener", "Row 8",
                *more)  # fmt: skip
    assert ran.code == 2
    assert words in ran.err
    assert len(ran.err.strip().splitlines()) == 1
