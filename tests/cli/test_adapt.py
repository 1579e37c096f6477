"""`xover adapt` as a user types it: what is printed, JSON, exit codes, files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from xover.cli.entry import run
from xover.files.preset_json import load

ROOT = Path(__file__).parents[2]
CAFE = str(ROOT / "presets" / "lantern-cafe.json")
OLD = str(ROOT / "presets" / "processors" / "old-ferry-2x6.json")
WIDE = str(ROOT / "presets" / "processors" / "kittiwake-8x16.json")


def test_text_and_exit_codes(capsys):
    assert run(["adapt", CAFE, "--processor", OLD]) == 1
    text = capsys.readouterr().out
    assert text.startswith("Old Ferry 2×6 (invented), at 48 kHz\n")
    assert "cannot: " in text
    assert run(["adapt", CAFE, "--processor", WIDE]) == 0
    assert "cannot" not in capsys.readouterr().out


def test_json(capsys):
    assert run(["adapt", CAFE, "--processor", OLD, "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    one = answer["outputs"][0]
    assert {"output", "largest_db", "largest_deg", "rms_db", "changes", "cannot"} <= set(one)
    assert set(one["changes"][0]) == {"where", "from", "to", "unit"}
    assert set(one["cannot"][0]) == {"where", "why", "largest_db"}


def test_the_held_preset_is_written_and_names_the_processor(tmp_path, capsys):
    target = tmp_path / "held.json"
    assert run(["adapt", CAFE, "--processor", WIDE, "-o", str(target)]) == 0
    assert load(target).processor == "Kittiwake 8×16 (invented)"
    assert run(["adapt", CAFE, "--processor", WIDE, "-o", str(target)]) == 2
    assert "exists already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("profile", "sentence"),
    [
        (CAFE, "this is a preset, not a processor profile"),
        ("nowhere.json", "there is no such file"),
    ],
)
def test_what_is_no_profile(profile, sentence, capsys):
    assert run(["adapt", CAFE, "--processor", profile]) == 2
    assert sentence in capsys.readouterr().err


def test_the_shipped_profiles_are_found_from_any_folder(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    words = ["presets/lantern-cafe.json", "--processor", "presets/processors/kittiwake-8x16.json"]
    assert run(["adapt", *words]) == 0
    assert "shipped example" in capsys.readouterr().err


def test_lines_for_people_name_both_units_and_stay_within_80_columns(capsys):
    run(["adapt", "presets/harbour-hall.json", "--processor",
         "presets/processors/old-ferry-2x6.json"])  # fmt: skip
    text = capsys.readouterr().out
    assert "Sub, delay: 1.55 ms → 0.54 m" in text
    assert "threshold: 11.2 dBu → 17.0 dBu peak" in text
    assert max(map(len, text.splitlines())) <= 80
    run(["adapt", "presets/harbour-hall.json", "--processor",
         "presets/processors/jetty-4x8.json"])  # fmt: skip
    widths = [line for line in capsys.readouterr().out.splitlines() if ", Q: " in line]
    assert widths
    assert not any(line.endswith(" Q") for line in widths), "a Q has no unit"
