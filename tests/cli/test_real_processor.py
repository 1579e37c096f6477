"""The main job on captures that a real, independent processor made.

ffmpeg (through the wheel that ships its binary) is the processor: its `acrossover` splits an
impulse as a 4th-order Linkwitz-Riley crossover, one leg is delayed and turned. Its filters equal
the textbook ones to 1e-4 dB (measured against scipy's designer in the dsp tests), so the delay
and the polarity put in are the known answer.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile

from xover.cli.entry import run

RATE_HZ = 48_000
START = 480
"""The impulse sits 10 ms into the file: sample 0 stays time zero."""


def process(folder: Path, *, late_samples: int, split_hz: float = 100.0) -> None:
    """Filter an impulse through ffmpeg into low.wav and high.wav; the low leg is turned."""
    impulse = np.zeros(2 * RATE_HZ)
    impulse[START] = 1.0
    soundfile.write(folder / "impulse.wav", impulse, RATE_HZ, subtype="DOUBLE")
    graph = (
        f"[0:a]acrossover=split={split_hz}:order=4th:precision=double[low][high];"
        "[low]volume=-1:precision=double[turned];"
        f"[high]adelay=delays={late_samples}S[late]"
    )
    command = [
        imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-loglevel", "error", "-y",
        "-i", str(folder / "impulse.wav"), "-filter_complex", graph,
        "-map", "[turned]", "-c:a", "pcm_f64le", str(folder / "low.wav"),
        "-map", "[late]", "-c:a", "pcm_f64le", str(folder / "high.wav"),
    ]  # fmt: skip
    subprocess.run(command, check=True)


def write_preset(path: Path, split_hz: float = 100.0) -> None:
    def way(name: str, low: bool) -> dict[str, object]:
        split = {
            "family": "linkwitz-riley",
            "slope_db_per_octave": 24,
            "frequency_hz": split_hz,
        }
        return {
            "name": name,
            "inputs": {"Main": 0},
            "low_pass": split if low else None,
            "high_pass": None if low else split,
        }

    preset = {
        "format": "xover-preset",
        "version": 1,
        "title": "Bench",
        "inputs": [{"name": "Main"}],
        "outputs": [way("Sub", True), way("Top", False)],
        "listeners": [{"name": "Row 8", "position_m": [0, 12, 1.2]}],
    }
    path.write_text(json.dumps(preset))


def attach(folder: Path, name: str, output: str, *options: str) -> int:
    return run(
        ["trace", str(folder / name), "--attach", str(folder / "bench.json"), "--output", output,
         "--listener", "Row 8", *options]
    )  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    process(tmp_path, late_samples=156)  # 3.25 ms
    write_preset(tmp_path / "bench.json")
    return tmp_path


def test_align_recovers_delay_and_polarity(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = ("--captured", "settings", "--session", "evening")
    assert attach(bench, "low.wav", "Sub", *session) == 0
    assert attach(bench, "high.wav", "Top", *session) == 0
    capsys.readouterr()
    code = run(
        ["align", str(bench / "bench.json"), "--move", "sub", "--to", "TOP", "--listener", "row 8",
         "--apply", "--json"]
    )  # fmt: skip
    answer = json.loads(capsys.readouterr().out)
    assert code == 0
    result = answer["results"][0]
    assert result["delayed_output"] == "Sub"
    assert result["delay_ms"] == pytest.approx(3.25, abs=0.010)
    assert result["polarity"] == "inverted"
    assert result["basis"] == {"Sub": "measured", "Top": "measured"}
    assert result["loss_after_db"]["Row 8"] < 0.01
    assert not result["ambiguous"]
    low_hz, high_hz = result["bands_hz"][0]
    # Applied, the sum is the all-pass that the branches promise: flat.
    assert run(
        ["response", str(bench / "bench.json"), "--listener", "Row 8", "--json"]
    ) == 0  # fmt: skip
    sum_ = json.loads(capsys.readouterr().out)
    frequency_hz = np.array(sum_["frequency_hz"])
    magnitude_db = np.array(sum_["magnitude_db"])
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    assert inside.sum() > 20
    assert np.abs(magnitude_db[inside]).max() < 0.1
    saved = json.loads((bench / "bench.json").read_text())
    assert saved["outputs"][0]["delay_ms"] == pytest.approx(3.25, abs=0.010)
    assert saved["outputs"][0]["polarity"] == "inverted"


def test_captures_through_settings_predict_the_flat_case(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert attach(bench, "low.wav", "Sub", "--captured", "settings", "--session", "evening") == 0
    preset = json.loads((bench / "bench.json").read_text())
    preset["outputs"][0]["low_pass"] = None  # today nothing is set: the room alone remains
    (bench / "bench.json").write_text(json.dumps(preset))
    capsys.readouterr()
    assert run(
        ["response", str(bench / "bench.json"), "--listener", "Row 8", "--only", "Sub",
         "--frequencies", "25,40,63,100,160", "--json"]
    ) == 0  # fmt: skip
    answer = json.loads(capsys.readouterr().out)
    # The room here is an inverted wire and 10 ms of flight: 0 dB and 180° − 360°·f·10 ms.
    assert answer["magnitude_db"] == pytest.approx([0.0] * 5, abs=0.02)
    frequency_hz = np.array(answer["frequency_hz"])
    expected = np.exp(1j * (np.pi - 2.0 * np.pi * frequency_hz * START / RATE_HZ))
    phase = np.exp(1j * np.radians(answer["phase_deg"]))
    assert np.abs(np.angle(phase / expected, deg=True)).max() < 0.2


def test_captures_of_different_sessions_are_refused(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert attach(bench, "low.wav", "Sub", "--captured", "settings", "--session", "noon") == 0
    assert attach(bench, "high.wav", "Top", "--captured", "settings", "--session", "night") == 0
    capsys.readouterr()
    code = run(
        ["align", str(bench / "bench.json"), "--move", "Sub", "--to", "Top", "--listener", "Row 8",
         "--json"]
    )  # fmt: skip
    captured = capsys.readouterr()
    assert code == 2
    assert "different sessions (“noon”, “night”)" in captured.err or (
        "different sessions (“night”, “noon”)" in captured.err
    )
    faults = json.loads(captured.out)["faults"]
    assert "different sessions" in faults[0]["message"]


def test_a_pair_captured_again_replaces_the_old_one(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for session in ("noon", "night"):
        assert attach(bench, "low.wav", "Sub", "--captured", "flat", "--session", session) == 0
    saved = json.loads((bench / "bench.json").read_text())
    assert [item["trace"]["session"] for item in saved["measurements"]] == ["night"]
    # The largest sample of the low leg comes after the impulse by the filter's own delay.
    assert 10.0 < saved["measurements"][0]["trace"]["delay_ms"] < 20.0
    assert saved["measurements"][0]["trace"]["provenance"]["file"] == "low.wav"
    capsys.readouterr()
