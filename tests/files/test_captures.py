"""One capture from a file: told apart by its bytes, done to as asked, its provenance kept."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
import soundfile
from scipy import signal

from xover.files.captures import AudioAnswers, Calibration, Finish, TextAnswers, read_capture
from xover.model.problems import Refused

RATE_HZ = 48_000


@pytest.fixture
def impulse(tmp_path):
    """A high-passed impulse 10 ms into a file; scipy makes the filter, libsndfile the file."""
    samples = np.zeros(24_000)
    samples[480] = 0.5
    samples = signal.sosfilt(signal.butter(2, 200, "high", fs=RATE_HZ, output="sos"), samples)
    path = tmp_path / "seat 4.wav"
    soundfile.write(path, samples, RATE_HZ, subtype="DOUBLE")
    return path


def test_audio_is_an_impulse_response_whatever_its_name(impulse, tmp_path):
    renamed = tmp_path / "seat.txt"
    renamed.write_bytes(impulse.read_bytes())
    captured, provenance = read_capture(renamed)
    at = np.argmin(np.abs(captured.frequency_hz - 200))
    # A second-order Butterworth high-pass is 3.01 dB down at its corner; 0.5 is −6.02 dB.
    assert captured.magnitude_db[at] == pytest.approx(-6.0206 - 3.0103, abs=1e-3)
    assert captured.delay_ms == 10.0
    assert provenance.file == "seat.txt"
    assert provenance.sha256 == hashlib.sha256(renamed.read_bytes()).hexdigest()
    assert "sample 0 is time zero" in provenance.note


def test_text_is_text_and_its_answers_reach_it(tmp_path):
    path = tmp_path / "seat.wav"
    path.write_text("20;0,5\n300;1,2\n", encoding="utf-8")
    with pytest.raises(Refused, match=r"seat\.wav: no magnitude is negative"):
        read_capture(path)
    captured, _ = read_capture(path, text=TextAnswers(magnitude="db"))
    np.testing.assert_array_equal(captured.magnitude_db, [0.5, 1.2])


def test_options_of_the_other_kind_are_refused(impulse, tmp_path):
    path = tmp_path / "seat.txt"
    path.write_text("20 -1\n300 2\n")
    with pytest.raises(Refused, match=r"seat 4\.wav: this is audio; options about text"):
        read_capture(impulse, text=TextAnswers(magnitude="db"))
    with pytest.raises(Refused, match=r"seat\.txt: --window needs an impulse response"):
        read_capture(path, audio=AudioAnswers(window_ms=50.0))
    with pytest.raises(Refused, match=r"seat\.txt: --channel needs an impulse response"):
        read_capture(path, audio=AudioAnswers(channel=1))


def test_a_channel_is_chosen(tmp_path):
    samples = np.zeros((4800, 2))
    samples[10, 0], samples[48, 1] = 1.0, -0.5
    path = tmp_path / "two.wav"
    soundfile.write(path, samples, RATE_HZ, subtype="DOUBLE")
    with pytest.raises(Refused, match="say which with --channel"):
        read_capture(path)
    captured, provenance = read_capture(path, audio=AudioAnswers(channel=2))
    assert captured.delay_ms == 1.0
    assert "channel 2 of the file" in provenance.note


def test_everything_asked_is_done_in_order_and_noted(impulse, tmp_path):
    microphone = tmp_path / "mic.txt"
    microphone.write_text("10 1.5\n30000 1.5\n")
    captured, provenance = read_capture(
        impulse, audio=AudioAnswers(window_ms=200.0),
        calibration=Calibration(mic_correction=microphone, spl=110.0),
        finish=Finish(without_delay=True, smooth_fraction=6),
    )  # fmt: skip
    assert captured.level == "spl"
    assert captured.delay_ms == 0.0
    at = np.argmin(np.abs(captured.frequency_hz - 5000))
    assert captured.magnitude_db[at] == pytest.approx(-6.0206 - 1.5 + 110.0, abs=0.01)
    assert captured.frequency_hz[0] == pytest.approx(16.0)
    order = ["3/window", "microphone", "+110.00 dB SPL", "was removed", "1/6 octave"]
    places = [provenance.note.index(part) for part in order]
    assert places == sorted(places)


def test_a_calibrator_recording_sets_the_level(impulse, tmp_path):
    """By hand: a sine of peak 0.1 at 94 dB SPL makes full scale 114 dB, the capture −6.02 of it."""
    tone = tmp_path / "tone.wav"
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    soundfile.write(tone, 0.1 * np.sin(2 * np.pi * 1000 * t), RATE_HZ, subtype="PCM_24")
    captured, _ = read_capture(impulse, calibration=Calibration(spl=str(tone)))
    at = np.argmin(np.abs(captured.frequency_hz - 5000))
    assert captured.magnitude_db[at] == pytest.approx(114 - 6.0206, abs=0.01)
    assert any("recording tone.wav (94.0 dB SPL at 1 kHz)" in s for s in captured.understood)
    both = tmp_path / "both.wav"
    columns = np.column_stack(
        [0.3 * np.sin(2 * np.pi * 400 * t), 0.1 * np.sin(2 * np.pi * 1000 * t)]
    )
    soundfile.write(both, columns, RATE_HZ, subtype="PCM_24")
    with pytest.raises(Refused, match="2 channels; say which is the microphone's with --calibr"):
        read_capture(impulse, calibration=Calibration(spl=str(both)))
    again, _ = read_capture(impulse, calibration=Calibration(spl=str(both), calibrator_channel=2))
    np.testing.assert_allclose(again.magnitude_db, captured.magnitude_db, atol=1e-4)
    given, _ = read_capture(impulse, calibration=Calibration(spl="114"))
    np.testing.assert_allclose(captured.magnitude_db, given.magnitude_db, atol=1e-3)


def test_calibrations_that_cannot_be(impulse, tmp_path):
    text = tmp_path / "seat.txt"
    text.write_text("20 -1\n300 2\n")
    with pytest.raises(Refused, match="says nothing about a text file's 0 dB"):
        read_capture(text, calibration=Calibration(spl=str(impulse)))
    with pytest.raises(Refused, match=r"seat 4\.wav: the calibrator recording does not hold"):
        read_capture(impulse, calibration=Calibration(spl=str(impulse)))
    with pytest.raises(Refused, match="there is no such file"):
        read_capture(impulse, calibration=Calibration(spl="none.wav"))
    with pytest.raises(Refused, match="lies between −300 and 300 dB"):
        read_capture(impulse, calibration=Calibration(spl="nan"))


def test_a_hostile_file_name_is_inert_in_the_provenance(tmp_path):
    path = tmp_path / "a\u202eb\n.txt"
    path.write_text("20 -1\n300 2\n")
    _, provenance = read_capture(path)
    assert provenance.file.startswith("a\\u202eb")
    assert provenance.file.isprintable()
