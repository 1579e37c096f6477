"""`xover check`: findings worst first, cautions on their own line, exit codes, JSON."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest
from msgspec.structs import replace

from xover.cli.entry import run
from xover.files.preset_json import dumps
from xover.model.preset import Preset
from xover.model.processing import Crossover, Input, Limit, Limiter, Output
from xover.model.rig import Loudspeaker, Power, Source

LIMIT = Limit(threshold_dbu=4.0, attack_ms=10.0, release_ms=100.0)
QUIET = Preset(
    title="Quiet",
    inputs=(Input(name="Main"),),
    outputs=(Output(name="Top", inputs={"Main": 0.0}, limiter=Limiter(rms=LIMIT, peak=LIMIT)),),
)
MUTED = replace(QUIET, outputs=(replace(QUIET.outputs[0], muted=True),))
LOUD = replace(
    MUTED,
    outputs=(
        replace(
            MUTED.outputs[0],
            limiter=None,
            high_pass=Crossover(family="butterworth", slope_db_per_octave=24, frequency_hz=90.0),
        ),
    ),
    loudspeakers=(
        Loudspeaker(
            name="Wide",
            passband_hz=(70.0, 18_000.0),
            impedance_ohm=8.0,
            power_w=Power(continuous=400.0),
        ),
    ),
    sources=(Source(name="T", output="Top", loudspeaker="Wide", position_m=(0.0, 0.0, 3.0)),),
)


def saved(folder: Path, preset: Preset) -> str:
    path = folder / "preset.json"
    path.write_bytes(dumps(preset))
    return str(path)


def test_nothing_to_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", saved(tmp_path, QUIET)]) == 0
    assert capsys.readouterr().out == "nothing to report\n"


def test_notes_alone_need_no_attention(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", saved(tmp_path, MUTED)]) == 0
    expected = "note: Top, mute (outputs[0].muted): “Top” is muted; predictions leave it out\n"
    assert capsys.readouterr().out == expected


def test_a_warning_comes_first_with_its_caution(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["check", saved(tmp_path, LOUD)]) == 1
    out = capsys.readouterr().out
    assert out.startswith("warning: Top, limiter (outputs[0].limiter): “Top” has no limiter")
    caution, last = out.index("\n  caution: Without limiters"), out.index("\nnote: ")
    assert 0 < caution < last
    assert max(len(line) for line in out.splitlines()) <= 80


def test_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", saved(tmp_path, LOUD), "--json"]) == 1
    captured = capsys.readouterr()
    assert captured.err == ""
    findings = json.loads(captured.out)["findings"]
    assert [one["code"] for one in findings] == ["no-limiter", "muted-output"]
    assert [list(one) for one in findings] == [
        ["code", "severity", "where", "message", "caution", "also"]
    ] * 2
    assert findings[0]["caution"]
    assert findings[1]["caution"] is None
    assert run(["check", saved(tmp_path, QUIET), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"findings": []}


def test_standard_input(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(dumps(QUIET)), encoding="utf-8"))
    assert run(["check", "-"]) == 0
    assert capsys.readouterr().out == "nothing to report\n"


def test_faults_end_with_two(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "preset.json"
    path.write_bytes(re.sub(rb'"gain_db": [0.]+', b'"gain_db": 99', dumps(QUIET)))
    assert run(["check", str(path), "--json"]) == 2
    captured = capsys.readouterr()
    places = [fault["where"] for fault in json.loads(captured.out)["faults"]]
    assert places == ["inputs[0].gain_db", "outputs[0].gain_db"]
    assert "60 dB" in captured.err
    assert run(["check", str(tmp_path / "absent.json")]) == 2
    assert "absent.json" in capsys.readouterr().err


def test_names_are_shown_inert(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    turned = replace(MUTED, outputs=(replace(MUTED.outputs[0], name="To\u202ep"),))
    assert run(["check", saved(tmp_path, turned)]) == 0
    out = capsys.readouterr().out
    assert "\u202e" not in out
    assert "\\u202e" in out


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "--help"]) == 0
    assert "xover check presets/harbour-hall.json" in capsys.readouterr().out
