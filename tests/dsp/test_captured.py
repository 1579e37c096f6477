"""What may be done to a capture on asking: correction, calibration, smoothing, delay removal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from xover.dsp.calibrator import calibrator_spl_at_zero_db
from xover.dsp.captured import (
    CapturedResponse,
    calibrated,
    corrected,
    remove_delay,
    smoothed,
    with_minimum_phase,
)
from xover.model.problems import Refused

FREQUENCY = 20 * 2 ** (np.arange(480) / 48)


def made(**changes) -> CapturedResponse:
    columns = {"magnitude_db": np.linspace(-3, 3, 480), "phase_deg": np.linspace(10, -170, 480)}
    return CapturedResponse(FREQUENCY, **{**columns, **changes})


def test_the_response_holds_the_bulk_delay():
    captured = CapturedResponse(np.array([250.0]), np.array([6.0]), np.array([0.0]), delay_ms=1.0)
    # By hand: 250 Hz and 1 ms are a quarter of a period, so −j.
    assert captured.response()[0] == pytest.approx(-1j * 10 ** (6 / 20))


def test_a_correction_is_subtracted_and_what_it_does_not_cover_left_out():
    """By hand: 2 dB at 100 Hz falling to 0 dB at 1600 Hz, straight in log frequency: 1 at 400."""
    correction = CapturedResponse(np.array([100.0, 1600.0]), np.array([2.0, 0.0]))
    result = corrected(made(magnitude_db=np.zeros(480)), correction)
    assert result.frequency_hz[0] >= 100
    assert result.frequency_hz[-1] <= 1600
    at = np.argmin(np.abs(result.frequency_hz - 400))
    expected = -2 + 2 * np.log2(result.frequency_hz[at] / 100) / 4
    assert result.magnitude_db[at] == pytest.approx(expected, abs=1e-9)
    assert "magnitude only" in result.understood[0]
    outside = np.count_nonzero((FREQUENCY < 100) | (FREQUENCY > 1600))
    assert result.understood[1].startswith(
        f"{outside} points outside the correction's range are left out (the capture went from 20 Hz"
    )


def test_a_correction_with_phase_takes_the_phase_too():
    correction = CapturedResponse(
        np.array([10.0, 40_000.0]), np.array([1.0, 1.0]), np.array([30.0, 30.0])
    )
    result = corrected(made(), correction)
    np.testing.assert_allclose(
        result.response(), made().response() / (10**0.05 * np.exp(1j * np.pi / 6))
    )


def test_a_correction_beside_the_capture_is_refused():
    beside = CapturedResponse(np.array([30_000.0, 40_000.0]), np.array([1.0, 1.0]))
    with pytest.raises(Refused, match="reaches from 30 kHz to 40 kHz, the capture lies outside"):
        corrected(made(), beside)


def test_calibration_makes_levels_sound_pressure():
    result = calibrated(made(), 100.0)
    assert result.level == "spl"
    np.testing.assert_allclose(result.magnitude_db, made().magnitude_db + 100.0)
    assert "+100.00 dB SPL" in result.understood[0]


@pytest.mark.parametrize("peak", [0.5, 0.01])
@pytest.mark.parametrize("seconds", [0.1, 0.537, 5.0])
def test_a_calibrator_recording_gives_the_level_of_full_scale(peak, seconds):
    """By hand: a sine of peak p at 94 dB SPL puts a sine of peak 1 at 94 − 20·log10 p. The tone may
    be off by 1 % (IEC 60942 allows class 2 calibrators about that, from memory) and lie in noise
    and an offset.
    """
    rng = np.random.default_rng(3)
    t = np.arange(int(48_000 * seconds)) / 48_000
    tone = peak * np.sin(2 * np.pi * 1007.3 * t + 0.4) + 0.01 * peak * rng.standard_normal(t.size)
    found = calibrator_spl_at_zero_db(tone + 0.1 * peak, sample_rate_hz=48_000.0)
    assert found == pytest.approx(94.0 - 20 * np.log10(peak), abs=0.02)


def test_what_is_no_calibrator_tone_is_refused():
    t = np.arange(48_000) / 48_000
    noise = 0.1 * np.random.default_rng(1).standard_normal(48_000)
    for samples, message in (
        (0.3 * np.sin(2 * np.pi * 250 * t), r"only 0 % of its power lies there, .* at 250 Hz"),
        (noise, "does not hold a steady tone of 1 kHz"),
        (np.zeros(48_000), "is silent"),
        (1e-6 * np.sin(2 * np.pi * 1000 * t), "is only −120.0 dB of full scale"),
        (np.clip(np.sin(2 * np.pi * 1000 * t), -0.5, 0.5), "is distorted by"),
        (np.clip(3 * np.sin(2 * np.pi * 1000 * t), -1, 1), "reaches full scale"),
        (np.sin(2 * np.pi * 1000 * t[:480]) / 2, "shorter than 0.1 s"),
    ):
        with pytest.raises(Refused, match=message):
            calibrator_spl_at_zero_db(samples, sample_rate_hz=48_000.0)


def test_a_calibrator_of_another_level_and_tone():
    """By hand: peak 0.25 at 114 dB SPL puts full scale at 126.04; others sound at 250 Hz."""
    t = np.arange(24_000) / 48_000
    tone = 0.25 * np.sin(2 * np.pi * 1000 * t)
    found = calibrator_spl_at_zero_db(tone, sample_rate_hz=48_000.0, calibrator_spl_db=114.0)
    assert found == pytest.approx(126.0412, abs=1e-3)
    tone = 0.25 * np.sin(2 * np.pi * 250 * t)
    found = calibrator_spl_at_zero_db(
        tone, sample_rate_hz=48_000.0, calibrator_spl_db=124.0, calibrator_hz=250.0
    )
    assert found == pytest.approx(136.0412, abs=1e-3)


def test_minimum_phase_in_place_of_phase_is_marked():
    """A second-order high-pass: scipy.signal's phase, at 50 Hz and above; its delay is given up."""
    b, a = signal.butter(2, 80, "high", analog=True)
    _, value = signal.freqs(b, a, FREQUENCY)
    captured = CapturedResponse(
        FREQUENCY, 20 * np.log10(np.abs(value)), np.full(480, 12.0), delay_ms=3.0
    )
    result = with_minimum_phase(captured)
    assert result.estimate
    assert result.delay_ms == 0.0
    np.testing.assert_allclose(result.phase_deg, np.angle(value, deg=True), atol=0.05)
    assert "an estimate" in result.understood[-1]
    assert "given up" in result.understood[-1]


@pytest.mark.parametrize("of", ["power", "complex"])
def test_a_constant_stays_constant_under_smoothing(of):
    flat = made(magnitude_db=np.full(480, -7.0), phase_deg=np.full(480, 40.0))
    result = smoothed(flat, 3, of=of)
    np.testing.assert_allclose(result.magnitude_db, -7.0, atol=1e-9)
    np.testing.assert_allclose(result.phase_deg, 40.0, atol=1e-9)
    assert "1/3 octave" in result.understood[0]


def test_power_and_complex_smoothing_of_a_bell_are_those_of_their_kind():
    """Linear-bin means of a +12 dB, Q 20 bell at 1 kHz (peaking section, 48 kHz, 2^16 bins), the
    pole Q being 20: computed by direct summation over the band's bins.
    """
    n = 65_536
    frequency = np.arange(1, n) * (24_000 / n)
    s = 1j * np.tan(np.pi * frequency / 48_000) / np.tan(np.pi * 1000 / 48_000)
    gain = 10 ** (12 / 20)
    bell = (s**2 + s * gain / 20 + 1) / (s**2 + s / 20 + 1)
    dense = CapturedResponse(frequency, 20 * np.log10(np.abs(bell)), np.angle(bell, deg=True))
    at = np.argmin(np.abs(frequency - 1000))
    for fraction in (3, 6, 12, 24):
        inside = np.abs(np.log2(frequency / frequency[at])) <= 1 / (2 * fraction)
        log_width = np.log((frequency + 12_000 / n) / (frequency - 12_000 / n))[inside]
        power = np.sum(np.abs(bell[inside]) ** 2 * log_width) / log_width.sum()
        whole = np.abs(np.sum(bell[inside] * log_width) / log_width.sum())
        found = smoothed(dense, fraction, of="power").magnitude_db[at]
        assert found == pytest.approx(10 * np.log10(power), abs=0.03)
        found = smoothed(dense, fraction, of="complex").magnitude_db[at]
        # Complex smoothing is made after the bulk delay is out; the bell's is zero.
        assert found == pytest.approx(20 * np.log10(whole), abs=0.03)


def test_smoothing_that_cannot_be_is_refused():
    with pytest.raises(Refused, match="from 1/1 to 1/48 octave, not 1/49"):
        smoothed(made(), 49)
    with pytest.raises(Refused, match="“power” or of the “complex”"):
        smoothed(made(), 3, of="voltage")
    with pytest.raises(Refused, match="needs a phase column"):
        smoothed(made(phase_deg=None), 3, of="complex")


def test_removing_the_delay_alters_the_response_and_says_so():
    delayed = made(delay_ms=12.0)
    result = remove_delay(delayed)
    assert result.delay_ms == 0.0
    np.testing.assert_allclose(result.response(), delayed.without_delay)
    assert "12.000 ms was removed" in result.understood[0]
    with pytest.raises(Refused, match="no phase column"):
        remove_delay(made(phase_deg=None))


def test_removing_the_delay_of_a_text_column_finds_it_first():
    frequency = np.linspace(10, 20_000, 4000)
    text = CapturedResponse(frequency, np.zeros(4000), -0.36 * frequency * 5.0)
    result = remove_delay(text)
    np.testing.assert_allclose(result.response(), 1.0, atol=0.21)
    assert "5.00" in result.understood[0]
