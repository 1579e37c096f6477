"""`xover trace` beyond one file: averages, splices, estimates, tables and pictures."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from tests.cli.conftest import Ran
from xover.acoustics.loudspeaker import response_at_1m
from xover.dsp.axis import Axis
from xover.files.preset_json import load
from xover.files.traces import read_text

Run = Callable[..., Ran]
F = 20.0 * 2.0 ** (np.arange(241) / 24.0)


def write(path: Path, level_db: object, phase_deg: object = None, coherence: object = None) -> Path:
    columns = [F, np.broadcast_to(level_db, F.shape)]
    head = "Hz;dB"
    for name, column in (("deg", phase_deg), ("coherence", coherence)):
        if column is not None:
            columns.append(np.broadcast_to(column, F.shape))
            head += f";{name}"
    rows = (";".join(repr(float(v)) for v in row) for row in zip(*columns, strict=True))
    path.write_text("\n".join([head, *rows]), encoding="utf-8")
    return path


def test_an_average_is_attached_as_one_trace_that_names_its_files(
    xover: Run, tmp_path: Path, preset_path: Path
) -> None:
    """By hand: 0 and −20 dB have the mean power 0.505, −2.9671 dB."""
    files = [write(tmp_path / "a.txt", 0.0), write(tmp_path / "b.txt", -20.0)]
    ran = xover("trace", *files, "--average", "power", "--attach", preset_path, "--output", "Sub",
                "--listener", "Row 8", "--captured", "flat")  # fmt: skip
    assert ran.code == 0, ran.err
    trace = json.loads(preset_path.read_text("utf-8"))["measurements"][0]["trace"]
    np.testing.assert_allclose(trace["magnitude_db"], 10 * np.log10(0.505), atol=1e-9)
    assert trace["provenance"]["file"] == "a.txt, b.txt"
    assert [len(part) for part in trace["provenance"]["sha256"].split(", ")] == [64, 64]
    assert "mean of power of 2 captures" in trace["provenance"]["note"]
    assert "a.txt: UTF-8 text" in trace["provenance"]["note"]


def test_a_complex_average_asks_for_the_session(xover: Run, tmp_path: Path) -> None:
    files = [write(tmp_path / f"{n}.txt", 0.0, n) for n in (0.0, 90.0)]
    ran = xover("trace", *files, "--average", "complex")
    assert ran.code == 2
    assert "captures of one time zero; name the session they share with --session" in ran.err
    ran = xover("trace", *files, "--average", "complex", "--session", "tonight", "--json")
    assert ran.code == 0
    assert "3.01 dB below the mean of power" in " ".join(ran.document["understood"])


def test_a_splice_from_the_command_line(xover: Run, tmp_path: Path) -> None:
    near, far = write(tmp_path / "near.txt", 20.0, 0.0), write(tmp_path / "far.txt", 0.0, 0.0)
    ran = xover("trace", near, "--splice", far, "--splice-at", "300", "--json")
    assert ran.document["points"] == 241
    assert "changed by −20.00 dB to match" in " ".join(ran.document["understood"])
    assert ran.document["provenance"]["file"] == "near.txt, far.txt"


def test_a_table_is_read_back_as_it_was(xover: Run, tmp_path: Path) -> None:
    """Round trip through an impulse response's CSV; libsndfile writes the impulse."""
    samples = np.zeros(960)
    samples[100:] = signal.sosfilt(signal.butter(2, 2000, fs=48_000, output="sos"),
                                   np.eye(1, 860)[0])  # fmt: skip
    soundfile.write(tmp_path / "box.wav", samples, 48_000, subtype="DOUBLE")
    ran = xover("trace", tmp_path / "box.wav", "-o", tmp_path / "box.csv")
    assert ran.code == 0
    again = read_text(tmp_path / "box.csv")
    expected = np.fft.rfft(samples)[1:-1]  # nothing is left at half the sample rate
    np.testing.assert_allclose(again.response(), expected, rtol=1e-9, atol=1e-12)
    ran = xover("trace", tmp_path / "box.wav", "-o", tmp_path / "box.csv")
    assert ran.code == 2
    assert "exists already" in ran.err
    ran = xover("trace", tmp_path / "box.wav", "-o", "-")
    assert ran.out == (tmp_path / "box.csv").read_text("utf-8")


def test_the_summary_fits_80_columns(xover: Run, tmp_path: Path) -> None:
    path = write(tmp_path / ("long name " * 12 + ".txt"), 90.0, 0.36 * F * -40, 0.4)
    ran = xover("trace", path, "--minimum-phase", "--smooth", "1/6")
    assert max(map(len, ran.out.splitlines())) <= 80
    words = " ".join(ran.out.split())
    assert "smoothed 1/6 octave, power" in words
    assert "phase estimated" in words
    assert "coherence is below 0.5 at 100 % of the points" in words


def test_a_picture_shows_low_coherence_in_grey(xover: Run, tmp_path: Path) -> None:
    path = write(tmp_path / "seat.txt", -10.0, 30.0, np.where(F < 100, 0.2, 0.95))
    ran = xover("trace", path, "--plot", "-")
    assert ran.code == 0
    assert "seat.txt, γ² < 0.5" in ran.out
    assert "γ²" in ran.out
    ran = xover("trace", path, "--plot", tmp_path / "seat.svg")
    picture = (tmp_path / "seat.svg").read_text("utf-8")
    assert "Coherence" in picture
    assert "#999999" in picture


def test_an_estimate_is_attached_without_its_phase(
    xover: Run, tmp_path: Path, preset_path: Path
) -> None:
    path = write(tmp_path / "box.txt", -20 * np.log10(1 + F / 5000), 17.0)
    ran = xover("trace", path, "--minimum-phase", "--attach", preset_path, "--loudspeaker",
                "Full box", "--distance", "2", "--json")  # fmt: skip
    assert ran.document["estimate"]
    box = json.loads(preset_path.read_text("utf-8"))["loudspeakers"][1]["response"]
    assert box["trace"].get("phase_deg") is None
    assert "makes the same estimate" in box["trace"]["provenance"]["note"]


def test_the_microphone_may_answer_where_the_capture_is_audio(xover: Run, tmp_path: Path) -> None:
    samples = np.zeros(4800)
    samples[0] = 1.0
    soundfile.write(tmp_path / "box.wav", samples, 48_000, subtype="DOUBLE")
    (tmp_path / "mic.txt").write_text("5 1.5 2\n30000 1.5 2\n")
    arguments = ("trace", tmp_path / "box.wav", "--mic-correction", tmp_path / "mic.txt")
    ran = xover(*arguments)
    assert ran.code == 2
    assert "mic.txt: a phase of at most 2.00 could be in degrees or in radians" in ran.err
    ran = xover(*arguments, "--phase-unit", "deg", "-o", "-")
    table = np.array([row.split(",") for row in ran.out.splitlines()[1:]], float)
    np.testing.assert_allclose(table[:, 1:], [[-1.5, -2.0]] * len(table), atol=1e-9)
    ran = xover(*arguments, "--phase-unit", "deg")
    assert "mic.txt: magnitude in dB (as such files are" in " ".join(ran.out.split())


def test_a_boxes_own_response_from_a_capture_at_a_distance(
    xover: Run, tmp_path: Path, preset_path: Path
) -> None:
    """By hand: 90 dB at 1 m and 2.83 V, captured at 4 m with 10 V, is 90 − 12.0412 + 10.9638 dB,
    4·2.913753 ms late (ISO 9613-1 at 20 °C); the box's own response is the 90 dB without delay.
    """
    level_db = 90.0 - 20 * np.log10(4.0) + 20 * np.log10(10 / 2.83)
    path = write(tmp_path / "box.txt", level_db, -0.36 * F * 4 * 2.913753)
    ran = xover("trace", path, "--attach", preset_path, "--loudspeaker", "Full box", "--distance",
                "4", "--drive-v", "10", "--spl-calibration", "0")  # fmt: skip
    assert ran.code == 0, ran.err
    assert "the flight in it, and taken out" in ran.err
    preset = load(preset_path)
    own = response_at_1m(preset.loudspeaker("Full box"), Axis(F[1:-1], 48_000.0), air=preset.air)
    np.testing.assert_allclose(20 * np.log10(np.abs(own.response)), 90.0, atol=1e-6)
    assert np.abs(np.angle(own.response)).max() < 0.02
    assert (own.level, own.basis) == ("spl", "trace")


def test_a_figure_of_0_is_an_option_used(xover: Run, tmp_path: Path) -> None:
    ran = xover("trace", write(tmp_path / "a.txt", -1.0), "--captured-input-dbu", "0")
    assert ran.code == 2
    assert "--captured-input-dbu belongs to --attach" in ran.err


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--average", "power"], "at least two files"),
        (["--splice", "b.txt"], "--splice needs --splice-at HZ"),
        (["--splice-at", "100"], "--splice-at goes with --splice FAR"),
        (["--splice", "b.txt", "--average", "power"], "average first"),
        (["--minimum-phase", "--remove-delay"], "has no delay to remove"),
        (["--smooth-of", "complex"], "--smooth-of goes with --smooth 1/N"),
        (["--plot", "x.bmp"], "ends in .svg, .png or .pdf"),
        (["--plot", "-", "--json"], "both write to stdout"),
        (["-o", "-", "--json"], "both write to stdout"),
        (["-o", "x.txt"], "ends in .csv"),
        (["--calibrator-db", "114"], "speaks of a recording of a calibrator"),
        (["--calibrator-db", "114", "--spl-calibration", "90"], "speaks of a recording"),
        (["--session", "tonight"], "--session belongs to --attach"),
    ],
)
def test_what_does_not_go_together(
    options: list[str], message: str, xover: Run, tmp_path: Path
) -> None:
    ran = xover("trace", write(tmp_path / "a.txt", -1.0), *options)
    assert ran.code == 2
    assert message in ran.err
    assert len(ran.err.splitlines()) == 1
