"""Impulse responses: known filters come back as scipy evaluates them; time zero stays put."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from xover.dsp.impulse import captured_from_impulse, onset_sample, tail_window
from xover.dsp.impulse_window import ImpulseWindow
from xover.model.problems import Refused

RATE_HZ = 48_000.0


def impulse_of(sos: np.ndarray, *, length: int, delay: int = 0) -> np.ndarray:
    impulse = np.zeros(length)
    impulse[delay] = 1.0
    return signal.sosfilt(sos, impulse)


FILTERS = {
    "low-pass 4": signal.butter(4, 1000, fs=RATE_HZ, output="sos"),
    "high-pass 4": signal.butter(4, 120, "high", fs=RATE_HZ, output="sos"),
    "band-pass": signal.butter(2, (200, 4000), "band", fs=RATE_HZ, output="sos"),
}


@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("delay", [0, 1, 337])
@pytest.mark.parametrize("length", [16_384, 15_999])
def test_a_known_filter_is_its_frequency_response(name, delay, length):
    """Reference: `scipy.signal.freqz_sos` times the exact delay; the impulse has died away."""
    sos = FILTERS[name]
    captured = captured_from_impulse(
        impulse_of(sos, length=length, delay=delay), sample_rate_hz=RATE_HZ
    )
    _, exact = signal.freqz_sos(sos, captured.frequency_hz, fs=RATE_HZ)
    exact = exact * np.exp(-2j * np.pi * captured.frequency_hz * delay / RATE_HZ)
    np.testing.assert_allclose(captured.response(), exact, rtol=0, atol=1e-9)


def test_the_points_are_the_bins_without_0_hz_and_this_is_said():
    samples = impulse_of(FILTERS["low-pass 4"], length=4800)
    captured = captured_from_impulse(samples, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(captured.frequency_hz, np.arange(1, 2401) * 10.0, rtol=1e-14)
    assert "the bin at 0 Hz is left out" in captured.understood[0]
    assert "sample 0 is time zero" in captured.understood[0]
    assert captured.level == "relative"
    assert captured.coherence is None


def test_the_bulk_delay_is_the_largest_sample_and_out_of_the_phase():
    samples = np.zeros(9600)
    samples[480], samples[700] = -1.0, 0.25
    captured = captured_from_impulse(samples, sample_rate_hz=RATE_HZ)
    assert captured.delay_ms == 10.0
    exact = -1.0 + 0.25 * np.exp(-2j * np.pi * captured.frequency_hz * 220 / RATE_HZ)
    np.testing.assert_allclose(captured.without_delay, exact, atol=1e-12)
    assert "bulk delay 10.000 ms" in " ".join(captured.understood)


def test_polarity_is_kept():
    samples = impulse_of(FILTERS["band-pass"], length=8192, delay=100)
    plus = captured_from_impulse(samples, sample_rate_hz=RATE_HZ)
    minus = captured_from_impulse(-samples, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(minus.response(), -plus.response(), atol=1e-13)


def test_the_onset_is_a_display_aid_twenty_db_below_the_peak():
    samples = np.zeros(4800)
    samples[100], samples[120], samples[130] = 0.09, 0.11, 1.0
    assert onset_sample(samples) == 120
    captured = captured_from_impulse(samples, sample_rate_hz=RATE_HZ)
    assert "onset (20 dB below the peak) at 2.500 ms" in " ".join(captured.understood)
    assert captured.delay_ms == pytest.approx(130 / 48)


def test_without_a_window_nothing_is_cut():
    """A late echo of the file's last sample is in the response."""
    samples = np.zeros(4800)
    samples[0], samples[-1] = 1.0, 0.5
    captured = captured_from_impulse(samples, sample_rate_hz=RATE_HZ)
    assert captured.magnitude_db.max() == pytest.approx(20 * np.log10(1.5), abs=1e-2)
    assert captured.magnitude_db.min() == pytest.approx(20 * np.log10(0.5), abs=1e-2)


def test_a_window_runs_from_sample_0_and_fades_over_its_last_fifth():
    window = tail_window(4800, sample_rate_hz=RATE_HZ, window_ms=50.0)
    assert np.all(window[: int(0.8 * 2400)] == 1.0)
    assert window[int(0.9 * 2400)] == pytest.approx(0.5)
    assert np.all(window[2400:] == 0.0)
    # Half a Hann window (scipy.signal.windows.hann, periodic, its falling half).
    hann = signal.windows.hann(960, sym=False)[480:]
    np.testing.assert_allclose(window[1920:2400], hann, atol=1e-12)


def test_a_window_takes_an_echo_out_and_leaves_out_what_is_below_3_over_t():
    direct = impulse_of(signal.butter(2, 300, "high", fs=RATE_HZ, output="sos"), length=48_000)
    echo = direct + 0.5 * np.roll(direct, 2400)
    with_echo = captured_from_impulse(echo, sample_rate_hz=RATE_HZ)
    windowed = captured_from_impulse(echo, sample_rate_hz=RATE_HZ, window=ImpulseWindow(40.0))
    clean = captured_from_impulse(direct, sample_rate_hz=RATE_HZ)
    assert windowed.frequency_hz[0] == pytest.approx(75.0)
    assert any("unusable below 75 Hz (3/window): left out" in s for s in windowed.understood)
    kept = clean.frequency_hz >= 75.0 - 1e-9
    np.testing.assert_allclose(windowed.magnitude_db, clean.magnitude_db[kept], atol=0.01)
    assert np.max(np.abs(with_echo.magnitude_db[kept] - clean.magnitude_db[kept])) > 3.0


@pytest.mark.parametrize("window_ms", [0.0, -1.0, 1000.1, float("nan")])
def test_a_window_that_does_not_fit_is_refused(window_ms):
    samples = impulse_of(FILTERS["low-pass 4"], length=48_000)
    with pytest.raises(Refused, match="does not fit"):
        captured_from_impulse(samples, sample_rate_hz=RATE_HZ, window=ImpulseWindow(window_ms))


def test_a_window_that_would_cut_the_direct_sound_is_refused():
    samples = impulse_of(FILTERS["low-pass 4"], length=48_000, delay=4000)
    with pytest.raises(Refused, match="not in the flat part of the 90"):
        captured_from_impulse(samples, sample_rate_hz=RATE_HZ, window=ImpulseWindow(90.0))


@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.zeros(0), "at least two samples, this has 0"),
        (np.ones(1), "at least two samples, this has 1"),
        (np.zeros(4800), "silent"),
        (np.ones(4096), "no signal above 0 Hz"),
    ],
)
def test_what_is_no_impulse_response_is_refused(samples, message):
    with pytest.raises(Refused, match=message):
        captured_from_impulse(samples, sample_rate_hz=RATE_HZ)


def test_bins_without_signal_are_left_out_and_said():
    """[1, 0, 1, 0] has nothing at a quarter of the sample rate: 1 + e^(−jπ) = 0."""
    captured = captured_from_impulse(np.array([1.0, 0, 1.0, 0]), sample_rate_hz=RATE_HZ)
    np.testing.assert_array_equal(captured.frequency_hz, [24_000])
    assert captured.magnitude_db[0] == pytest.approx(20 * np.log10(2))
    assert "1 bins without any signal are left out" in captured.understood
