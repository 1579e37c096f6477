"""Every command on a small rig: figures, JSON fields, exit codes, files."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from tests.cli.conftest import Ran
from xover.cli.entry import COMMANDS

Run = Callable[..., Ran]


def test_new_gives_a_valid_preset(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "start.json"
    assert xover("new", "--ways", "sub,top", "-o", path).code == 0
    document = json.loads(path.read_text())
    assert [item["name"] for item in document["outputs"]] == ["Sub", "Top"]
    assert document["outputs"][0]["low_pass"] == document["outputs"][1]["high_pass"]
    schema = xover("schema", "preset").document
    jsonschema.Draft202012Validator(schema).validate(document)
    assert xover("check", path).code in (0, 1)
    again = xover("new", "-o", path)
    assert again.code == 2
    assert str(path) in again.err
    assert xover("new", "-o", path, "--force").code == 0
    assert len(json.loads(path.read_text())["outputs"]) == 1


def test_three_new_ways_sum_flat(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "ways.json"
    assert xover("new", "--ways", "low,mid,high", "-o", path).code == 0
    sums = [
        xover("response", path, "--output", name, "--json").document
        for name in ("Low", "Mid", "High")
    ]
    total = 0.0
    for item in sums:
        magnitude = 10.0 ** (np.array(item["magnitude_db"]) / 20.0)
        total = total + magnitude * np.exp(1j * np.radians(item["phase_deg"]))
    # With each outer branch's all-pass the sum is AP1·AP2 + LP1·HP2 (algebra on LP + HP = AP);
    # two octaves apart the last term is 20·log10(1 + |LP1·HP2|), at most a tenth of a decibel.
    assert np.abs(20.0 * np.log10(np.abs(total))).max() < 0.1
    findings = xover("check", path, "--json").document["findings"]
    assert "missing-all-pass" not in {item["code"] for item in findings}


def test_new_writes_to_stdout(xover: Run) -> None:
    assert xover("new").document["title"] == "New preset"
    assert xover("new", "--ways", "a,A").code == 2


def test_response_of_an_output_as_csv(xover: Run, preset_path: Path) -> None:
    ran = xover("response", preset_path, "--output", "top", "--frequencies", "50,100,200")
    assert ran.code == 0
    rows = list(csv.reader(io.StringIO(ran.out)))
    assert rows[0] == ["frequency_hz", "magnitude_db", "phase_deg", "group_delay_ms"]
    # A 4th-order Linkwitz-Riley high-pass at its corner: −6.0206 dB, 180° (S. H. Linkwitz 1976;
    # |sum| of both branches 1, so each is 1/2).
    assert float(rows[2][1]) == pytest.approx(-6.0206, abs=1e-4)
    assert abs(float(rows[2][2])) == pytest.approx(180.0, abs=1e-6)
    assert float(rows[1][1]) == pytest.approx(-24.609, abs=0.01)
    assert "played:" in ran.err


def test_response_defaults_to_48_points_an_octave(xover: Run, preset_path: Path) -> None:
    answer = xover("response", preset_path, "--output", "Top", "--json").document
    frequency_hz = answer["frequency_hz"]
    assert frequency_hz[:2] == pytest.approx([20.0, 20.0 * 2.0 ** (1 / 48)], rel=1e-12)
    assert 19_700 < frequency_hz[-1] <= 20_000
    assert answer["level"] == "relative"
    assert answer["driven"]["inputs"] == {"Left": 0.0, "Aux": 0.0}
    few = xover("response", preset_path, "--output", "Top", "--points-per-octave", "3", "--json")
    assert len(few.document["frequency_hz"]) == 30


def test_muted_is_silence_in_csv_and_json(xover: Run, preset_path: Path) -> None:
    ran = xover("response", preset_path, "--output", "Spare", "--frequencies", "100")
    assert ran.out.splitlines()[1] == "100.0,-inf,,"
    assert "muted" in ran.err
    document = xover(
        "response", preset_path, "--output", "Spare", "--frequencies", "100", "--json"
    ).document
    assert document["magnitude_db"] == [None]
    assert document["phase_deg"] == [None]


def test_what_is_played_changes_the_answer(xover: Run, preset_path: Path) -> None:
    def level(*options: str) -> float:
        arguments = ("response", preset_path, "--output", "Sub", "--frequencies", "20", "--json")
        return float(xover(*arguments, *options).document["magnitude_db"][0])

    # Aux 0 dB and Left −6 dB: together 1 + 10^(−6/20), alone each its own.
    base = level("--drive", "Aux")
    assert level() - base == pytest.approx(3.5287, abs=1e-4)  # two sources 6 dB apart, in phase
    assert level("--drive", "left") - base == pytest.approx(-6.0, abs=1e-9)
    assert level("--drive", "Left=6", "--drive", "aux=-60") - base == pytest.approx(0.0, abs=0.01)
    assert level("--uncorrelated") - base == pytest.approx(0.9732, abs=1e-4)  # incoherent


def test_response_at_a_listener(xover: Run, preset_path: Path) -> None:
    whole = xover("response", preset_path, "--listener", "row 8", "--json").document
    part = xover("response", preset_path, "--listener", "Row 8", "--only", "Sub", "--json").document
    assert whole["level"] == part["level"] == "relative"
    assert whole["magnitude_db"] != part["magnitude_db"]
    assert any("Spare" in note for note in whole["notes"])


@pytest.mark.parametrize("kind", ["svg", "png", "pdf"])
def test_plots_go_to_files(xover: Run, preset_path: Path, tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"plot.{kind}"
    ran = xover("response", preset_path, "--listener", "Row 8", "--plot", path)
    assert ran.code == 0, ran.err
    start = path.read_bytes()[:8]
    assert start.startswith({"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}[kind])
    again = xover("response", preset_path, "--listener", "Row 8", "--plot", path)
    assert again.code == 2


def test_plots_go_to_the_terminal(
    xover: Run, preset_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for columns, lines in ((80, 24), (120, 40), (160, 48)):
        monkeypatch.setenv("COLUMNS", str(columns))
        monkeypatch.setenv("LINES", str(lines))
        ran = xover("response", preset_path, "--listener", "Row 8", "--plot", "-")
        assert ran.code == 0
        shown = ran.out.splitlines()
        assert max(len(line) for line in shown) <= columns
        assert len(shown) <= lines
        assert any("20k" in line for line in shown)
        assert "\x1b" not in ran.out


def test_align_on_models(xover: Run, preset_path: Path, tmp_path: Path) -> None:
    ran = xover(
        "align", preset_path, "--move", "Sub", "--to", "Top", "--listener", "Row 8", "--json"
    )
    assert ran.code in (0, 1)
    result = ran.document["results"][0]
    for field in (
        "move", "to", "polarity", "delay_ms", "delayed_output", "bands_hz", "loss_before_db",
        "loss_after_db", "tolerance_ms", "basis", "ambiguous", "alternatives",
    ):  # fmt: skip
        assert field in result
    assert result["basis"] == {"Top": "model", "Sub": "model"}
    before = preset_path.read_bytes()
    copy = tmp_path / "aligned.json"
    applied = xover(
        "align", preset_path, "--move", "Sub", "--to", "Top", "--listener", "Row 8",
        "--apply", "-o", copy,
    )  # fmt: skip
    assert applied.code == ran.code
    assert preset_path.read_bytes() == before
    outputs = {item["name"]: item for item in json.loads(copy.read_text())["outputs"]}
    for name, setting in ran.document["settings"].items():
        assert outputs[name]["delay_ms"] == setting["delay_ms"]
        assert outputs[name]["polarity"] == setting["polarity"]
    assert "add" in applied.out


def test_distance_with_figures(xover: Run, preset_path: Path) -> None:
    ran = xover(
        "distance", preset_path, "--move", "Top", "--to", "Sub", "--listener", "Row 8", "--json"
    )
    assert ran.code == 0
    document = ran.document
    speed = document["speed_of_sound_m_s"]
    assert speed == pytest.approx(343.2)  # ISO 9613-1 at 20 °C
    sub_m, top_m = document["distance_m"]["Sub"], document["distance_m"]["Top"]
    late_ms = (sub_m - top_m) / speed * 1e3
    assert document["delay_ms"] == pytest.approx(abs(late_ms))
    assert document["delayed_output"] == ("Top" if late_ms >= 0 else "Sub")
    assert document["polarity"] == "normal"
    assert {row["listener"] for row in document["arrivals"]} == {"Row 8", "Balcony"}
    assert "per_degree_ms" in document
    text = xover("distance", preset_path, "--move", "Top", "--to", "Sub", "--listener", "Row 8")
    assert "Note:" in text.out
    assert "xover align" in text.out


@pytest.mark.parametrize("kind", ["html", "md", "csv", "txt"])
def test_sheets(xover: Run, preset_path: Path, tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"sheet.{kind}"
    assert xover("sheet", preset_path, "-o", path).code == 0
    text = path.read_text(encoding="utf-8")
    assert "Small hall" in text
    assert "Sub" in text
    other = xover("sheet", preset_path, "--as", kind)
    assert other.out == text
    assert xover("sheet", preset_path, "-o", path).code == 2


def test_sheet_refuses_an_unknown_ending(xover: Run, preset_path: Path, tmp_path: Path) -> None:
    ran = xover("sheet", preset_path, "-o", tmp_path / "sheet.doc")
    assert ran.code == 2
    assert ".html" in ran.err


def test_trace_says_what_was_understood(xover: Run, tmp_path: Path) -> None:
    path = tmp_path / "top.txt"
    path.write_text("Hz\tdB\tdeg\n" + "".join(f"{20 * 2**k}\t{-k}\t{10 * k}\n" for k in range(9)))
    document = xover("trace", path, "--json").document
    assert document["points"] == 9
    assert document["range_hz"] == [20.0, 5120.0]
    assert document["has_phase"] is True
    assert document["has_coherence"] is False
    assert document["level"] == "relative"
    assert document["delay_ms"] == 0.0
    assert document["provenance"]["file"] == "top.txt"
    assert document["understood"]
    assert "9 points" in xover("trace", path).out


def test_a_box_gets_its_own_response(xover: Run, preset_path: Path, tmp_path: Path) -> None:
    path = tmp_path / "box.txt"
    path.write_text("Hz dB\n" + "".join(f"{20 * 2**k} {-k}\n" for k in range(10)))
    ran = xover(
        "trace", path, "--attach", preset_path, "--loudspeaker", "full BOX", "--distance", "1"
    )
    assert ran.code == 0, ran.err
    boxes = json.loads(preset_path.read_text())["loudspeakers"]
    assert boxes[1]["response"]["distance_m"] == 1
    assert boxes[0]["response"] is None


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ([], "--attach needs --output"),
        (["--output", "Sub"], "--attach needs --listener"),
        (["--output", "Sub", "--listener", "Row 8"], "never assumed"),
        (
            ["--output", "Nobody", "--listener", "Row 8", "--captured", "flat"],
            "Nobody",
        ),
        (
            ["--output", "Sub", "--listener", "Row 8", "--captured", "settings"],
            "--driven",
        ),
        (
            ["--output", "Sub", "--listener", "Row 8", "--captured", "flat", "--session", "x",
             "--remove-delay"],
            "cannot go together",
        ),
        (["--loudspeaker", "Full box"], "--distance"),
        (["--loudspeaker", "Full box", "--distance", "1", "--captured", "flat"], "--captured"),
    ],
)  # fmt: skip
def test_attaching_asks_what_it_must_know(
    xover: Run, preset_path: Path, tmp_path: Path, options: list[str], sentence: str
) -> None:
    path = tmp_path / "top.txt"
    path.write_text("Hz dB deg\n" + "".join(f"{20 * 2**k} {-k} {k}\n" for k in range(9)))
    before = preset_path.read_bytes()
    ran = xover("trace", path, "--attach", preset_path, *options)
    assert ran.code == 2
    assert sentence in ran.err
    assert preset_path.read_bytes() == before


def test_a_word_that_is_no_command_is_a_preset(xover: Run, preset_path: Path) -> None:
    ran = xover(preset_path)
    assert ran.code == 0
    assert "Small hall" in ran.out
    assert "LR24 100" in ran.out
    assert xover(preset_path, "--listener", "Balcony").code == 0


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_help_with_an_example(xover: Run, name: str) -> None:
    ran = xover(name, "--help")
    assert ran.code == 0
    assert "Example: xover" in ran.out
    assert len(ran.out.splitlines()[2].strip()) > 20


def test_stdin_and_stdout(preset_path: Path, tmp_path: Path) -> None:
    data = preset_path.read_bytes()
    ran = subprocess.run(
        [sys.executable, "-m", "xover", "distance", "-", "--move", "Top", "--to", "Sub",
         "--listener", "Row 8", "--apply", "-o", "-"],
        input=data, capture_output=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    document = json.loads(ran.stdout)
    assert document["title"] == "Small hall"
    shown = subprocess.run(
        [sys.executable, "-m", "xover", "-"], input=data, capture_output=True, check=False
    )
    assert shown.returncode == 0
    assert b"Small hall" in shown.stdout
    refused = subprocess.run(
        [sys.executable, "-m", "xover", "distance", "-", "--move", "Top", "--to", "Sub",
         "--listener", "Row 8", "--apply"],
        input=data, capture_output=True, check=False,
    )  # fmt: skip
    assert refused.returncode == 2
    assert b"-o" in refused.stderr


def test_completion_is_there_for_each_shell() -> None:
    for shell in ("bash", "zsh", "fish"):
        ran = subprocess.run(
            [sys.executable, "-m", "xover"],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "_XOVER_COMPLETE": f"{shell}_source"},
        )
        assert "xover" in ran.stdout, (shell, ran.stderr)
