"""Recordings of two channels, whose second one a program written by others has filtered."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from scipy import signal

from xover.cli.entry import run
from xover.files.captures import AudioAnswers, Calibration, read_capture
from xover.model.problems import Refused

RATE_HZ = 48_000
DELAY = 731


def programme(seconds: float = 12.0) -> np.ndarray:
    """Something like music: pink noise under a beat of notes, peak 0.5."""
    rng = np.random.default_rng(12)
    count = int(seconds * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    spectrum[0] = 0.0
    x = np.fft.irfft(spectrum, count)
    t = np.arange(count) / RATE_HZ
    x *= 0.3 + np.exp(-6.0 * (2.1 * t % 1.0))
    notes = np.sin(2 * np.pi * t * 55.0 * 2.0 ** (np.floor(4.2 * t) % 12 / 12))
    x = x / x.std() + 0.5 * notes * np.exp(-3.0 * (4.2 * t % 1.0))
    return 0.5 * x / np.abs(x).max()


def both(path: Path, x: np.ndarray, y: np.ndarray, subtype: str = "PCM_24") -> Path:
    """Reference left, measurement right, the latter later by `DELAY` samples."""
    y = np.concatenate([np.zeros(DELAY), y])[: x.size]
    soundfile.write(path, np.stack([x, y], axis=1), RATE_HZ, subtype=subtype)
    return path


def ffmpeg(x: np.ndarray, chain: str) -> np.ndarray:
    raw = ["-f", "f64le", "-ar", str(RATE_HZ), "-ac", "1"]
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", *raw, "-i", "pipe:0"]
    command += ["-af", chain, *raw, "-c:a", "pcm_f64le", "pipe:1"]
    done = subprocess.run(command, input=x.tobytes(), capture_output=True, check=True)
    return np.frombuffer(done.stdout)[: x.size]


def sox(x: np.ndarray, effect: list[str], folder: Path) -> np.ndarray:
    soundfile.write(folder / "in.wav", x, RATE_HZ, subtype="FLOAT")
    words = ["sox", "-D", "in.wav", "-e", "floating-point", "-b", "32", "out.wav", *effect]
    subprocess.run(words, cwd=folder, check=True)
    return np.asarray(soundfile.read(folder / "out.wav")[0])[: x.size]


def cookbook_peak(frequency_hz: float, q: float, gain_db: float) -> tuple[list[float], list[float]]:
    """A peak filter's coefficients by the Audio EQ Cookbook."""
    w, a = 2 * np.pi * frequency_hz / RATE_HZ, 10 ** (gain_db / 40)
    alpha, c = np.sin(w) / (2 * q), -2 * np.cos(w)
    return [1 + alpha * a, c, 1 - alpha * a], [1 + alpha / a, c, 1 - alpha / a]


def compare(captured, exact, *, within_db=0.15, within_deg=1.5):
    """Against the known response times the delay, from 40 Hz to 16 kHz."""
    ratio = captured.response() / (
        exact * np.exp(-2j * np.pi * captured.frequency_hz * DELAY / RATE_HZ)
    )
    inside = (captured.frequency_hz > 40) & (captured.frequency_hz < 16_000)
    assert np.abs(20 * np.log10(np.abs(ratio[inside]))).max() < within_db
    assert np.abs(np.angle(ratio[inside], deg=True)).max() < within_deg
    assert captured.coherence[inside].min() > 0.99


def test_filters_of_ffmpeg(tmp_path):
    """Two of ffmpeg's `equalizer`, which shares the Cookbook's definition."""
    x = programme()
    y = ffmpeg(x, "equalizer=f=1000:t=q:w=2:g=6:r=f64,equalizer=f=200:t=q:w=1:g=-8:r=f64")
    captured, provenance = read_capture(
        both(tmp_path / "seat.wav", x, 0.5 * y), audio=AudioAnswers(reference=1)
    )
    exact = 0.5
    for peak in (cookbook_peak(1000, 2, 6), cookbook_peak(200, 1, -8)):
        exact = exact * signal.freqz(*peak, captured.frequency_hz, fs=RATE_HZ)[1]
    compare(captured, exact)
    assert captured.delay_ms == pytest.approx(1000 * DELAY / RATE_HZ, abs=0.1)
    assert "channel 2 measured against channel 1" in provenance.note
    assert "or more throughout" in provenance.note


@pytest.mark.skipif(shutil.which("sox") is None, reason="no sox on this machine")
def test_a_filter_of_sox(tmp_path):
    x = programme()
    y = -sox(x, ["equalizer", "2000", "3q", "-9"], tmp_path)
    captured, _ = read_capture(
        both(tmp_path / "seat.flac", x, y), audio=AudioAnswers(reference=1, channel=2)
    )
    peak = cookbook_peak(2000, 3, -9)
    compare(captured, -signal.freqz(*peak, captured.frequency_hz, fs=RATE_HZ)[1])


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    x = programme(4.0)
    sos = signal.butter(2, (100, 8000), "band", fs=RATE_HZ, output="sos")
    return both(tmp_path_factory.mktemp("two") / "seat.wav", x, signal.sosfilt(sos, x))


def test_the_command_and_its_answer(recording, capsys):
    assert run(["trace", str(recording), "--reference", "1", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["has_coherence"]
    assert answer["has_phase"]
    assert answer["level"] == "relative"
    assert answer["delay_ms"] == pytest.approx(1000 * DELAY / RATE_HZ, abs=0.1)
    assert run(["trace", str(recording), "--reference", "2"]) == 2
    assert "look exchanged: take --reference 1" in capsys.readouterr().err


def test_coherence_is_attached(recording, tmp_path, capsys):
    preset = tmp_path / "evening.json"
    assert run(["new", "-o", str(preset)]) == 0
    document = json.loads(preset.read_text("utf-8"))
    document["listeners"] = [{"name": "Row 8", "position_m": [0, 8, 1.2]}]
    preset.write_text(json.dumps(document), encoding="utf-8")
    words = ["trace", str(recording), "--reference", "1", "--attach", str(preset), "--captured",
             "settings", "--output", "Main", "--listener", "Row 8"]  # fmt: skip
    assert run(words) == 0
    capsys.readouterr()
    trace = json.loads(preset.read_text("utf-8"))["measurements"][0]["trace"]
    coherence, frequency_hz = np.array(trace["coherence"]), np.array(trace["frequency_hz"])
    assert coherence.size == frequency_hz.size
    assert np.count_nonzero((frequency_hz >= 1000) & (frequency_hz < 2000)) <= 96
    assert trace["delay_ms"] == pytest.approx(1000 * DELAY / RATE_HZ, abs=0.1)


def test_answers_that_do_not_fit_are_refused(recording, tmp_path):
    def refused(match, path=recording, **said):
        with pytest.raises(Refused, match=match):
            read_capture(path, audio=AudioAnswers(**said))

    refused(r"there is no channel 3; the file has 2 channels", reference=3)
    refused("channel 1 cannot be reference and measurement at once", reference=1, channel=1)
    refused("--gate needs an impulse response as audio; this file is a recording", reference=1,
            gate_ms=50.0)  # fmt: skip
    one = tmp_path / "one.wav"
    soundfile.write(one, programme(2.0), RATE_HZ)
    refused("there is one channel; --reference needs", one, reference=1)
    three = tmp_path / "three.wav"
    soundfile.write(three, np.stack([programme(2.0)] * 3, axis=1), RATE_HZ)
    refused("3 channels; say which one is the measurement with --channel", three, reference=1)
    text = tmp_path / "seat.txt"
    text.write_text("20 -1\n300 2\n")
    refused("--reference needs a recording of two channels or", text, reference=1)
    with pytest.raises(Refused, match="nothing about the 0 dB of one channel against another"):
        read_capture(
            recording, audio=AudioAnswers(reference=1), calibration=Calibration(spl=str(one))
        )
    level, _ = read_capture(
        recording, audio=AudioAnswers(reference=1), calibration=Calibration(spl=90.0)
    )
    assert level.level == "spl"


def test_a_silent_and_a_clipped_channel(tmp_path):
    x = programme(2.0)
    silent = both(tmp_path / "silent.wav", x, 0.0 * x)
    with pytest.raises(Refused, match="silent on channel 2"):
        read_capture(silent, audio=AudioAnswers(reference=1))
    loud = both(tmp_path / "loud.wav", x, np.clip(60.0 * x, -1, 1), "PCM_16")
    with pytest.raises(Refused, match="clipped throughout on channel 2"):
        read_capture(loud, audio=AudioAnswers(reference=1))
    touched = both(tmp_path / "touched.wav", x, np.clip(5.0 * x, -1, 1), "PCM_16")
    _, provenance = read_capture(touched, audio=AudioAnswers(reference=1))
    assert "channel 2: " in provenance.note
    assert "may be clipped" in provenance.note
