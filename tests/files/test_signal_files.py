"""Test signals as files: the note comes back from either place, nothing is written over."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from xover.design.signals import Signal, Way, pink_signal, steps_signal, sweep_signal
from xover.files.audio import open_audio
from xover.files.signal_files import read_note, sidecar_of, wav_bytes, write_signal
from xover.model.problems import Refused

WAYS = [Way("Sub “left”", 30.0, 120.0), Way("Töp", 90.0, 16_000.0)]
SIGNALS = {
    "sweep": lambda: sweep_signal(WAYS, duration_s=0.3, gap_s=0.2),
    "pink": lambda: pink_signal(50.0, 5_000.0, duration_s=0.6),
    "steps": lambda: steps_signal(100.0, from_dbfs=-30.0, hold_s=0.1, rest_s=0.05),
}


def note_of(path: Path):
    with open_audio(path) as audio:
        return read_note(path, audio)


@pytest.mark.parametrize("kind", list(SIGNALS))
def test_the_note_comes_back_from_the_file_and_from_beside_it(kind: str, tmp_path: Path) -> None:
    signal: Signal = SIGNALS[kind]()
    path = tmp_path / "signal.wav"
    beside = write_signal(path, signal, overwrite=False)
    assert beside == sidecar_of(path)
    assert note_of(path) == (signal.note, "its own comment")
    samples, rate_hz = soundfile.read(path)
    soundfile.write(path, samples, rate_hz, subtype="FLOAT")  # an editor that drops the comment
    assert note_of(path) == (signal.note, "signal.wav.json beside it")
    Path(beside).unlink()
    assert note_of(path) is None


def test_samples_are_those_of_the_note(tmp_path: Path) -> None:
    """Peak −30 dBFS in every channel, silence before the first mark, a whole rate."""
    signal = SIGNALS["sweep"]()
    for bits, off_by in (("16", 4.6e-5), ("24", 6.1e-8), ("32", 2e-9)):
        samples, rate_hz = soundfile.read(
            io.BytesIO(wav_bytes(signal, bits=bits)),
            always_2d=True,  # type: ignore[arg-type]
        )
        assert rate_hz == signal.note.sample_rate_hz
        assert np.abs(samples.T - signal.samples).max() <= off_by
    first = signal.note.plays[0]
    assert not signal.samples[:, : first.at_sample].any()
    peak_db = 20.0 * np.log10(np.abs(signal.samples).max(axis=1))
    assert peak_db == pytest.approx([-30.0, -30.0], abs=0.02)


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "signal.wav"
    signal = SIGNALS["pink"]()
    Path(sidecar_of(path)).write_text("mine")
    with pytest.raises(Refused, match=r"signal.wav.json” exists already"):
        write_signal(path, signal, overwrite=False)
    assert not path.exists()
    assert Path(sidecar_of(path)).read_text() == "mine"
    write_signal(path, signal, overwrite=True)
    with pytest.raises(Refused, match="exists already"):
        write_signal(path, signal, overwrite=False)
    folder = tmp_path / "there is no such folder" / "signal.wav"
    with pytest.raises(Refused, match="could not be written"):
        write_signal(folder, signal, overwrite=False)


def test_a_note_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "signal.wav"
    write_signal(path, SIGNALS["sweep"](), overwrite=False)
    samples, rate_hz = soundfile.read(path)
    soundfile.write(path, samples[: len(samples) // 2], rate_hz)
    with pytest.raises(Refused, match="it was edited"):
        note_of(path)
    beside = Path(sidecar_of(path))
    tree = json.loads(beside.read_text())
    tree["plays"][1]["shape"]["stop_hz"] = 10
    tree["extra"] = 1
    beside.write_text(json.dumps(tree))
    with pytest.raises(Refused) as refused:
        note_of(path)
    assert all(fault.where.startswith("signal.wav.json") for fault in refused.value.faults)
    beside.write_text('{"format": "xover-signal", "version": 1')
    with pytest.raises(Refused):
        note_of(path)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: sweep_signal(WAYS, level_dbfs=-6.0), "can hurt ears"),
        (lambda: sweep_signal([], duration_s=1.0), "at least one output"),
        (lambda: sweep_signal([Way(None, 20.0, 23_000.0)]), "needs a sample rate above"),
        (lambda: sweep_signal(WAYS, marks=False), "keep the marks"),
        (lambda: pink_signal(20.0, 20_000.0, level_dbfs=-5.0, loud=True), "pass full scale"),
        (lambda: steps_signal(100.0, from_dbfs=-10.0, to_dbfs=-20.0), "steps rise"),
    ],
)
def test_no_such_signal(make, sentence: str) -> None:
    with pytest.raises(Refused, match=sentence):
        make()
