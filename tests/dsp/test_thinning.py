"""Thinning: how few points, how near to the dense curve, and what may never change."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from xover.dsp.captured import CapturedResponse, bulk_delay_ms
from xover.dsp.impulse import captured_from_impulse
from xover.dsp.thinning import is_dense, thinned, with_needed_delay

RATE_HZ = 48_000.0


def loudspeaker_like(length: int, delay: int) -> np.ndarray:
    """A box's impulse response: high-pass, crossover, resonance, roll-off. Over within 3 ms of the
    bulk delay from about 1 kHz up, where steps hold many bins.
    """
    impulse = np.zeros(length)
    impulse[delay] = 1.0
    for sos in (
        signal.butter(2, 900, "high", fs=RATE_HZ, output="sos"),
        signal.butter(4, 16_000, fs=RATE_HZ, output="sos"),
        signal.tf2sos(*signal.iirpeak(3000, 2, fs=RATE_HZ)),
    ):
        impulse = 0.5 * impulse + signal.sosfilt(sos, impulse)
    return impulse


def exact_response(frequency_hz: np.ndarray) -> np.ndarray:
    total = np.ones(frequency_hz.size, dtype=complex)
    for sos in (
        signal.butter(2, 900, "high", fs=RATE_HZ, output="sos"),
        signal.butter(4, 16_000, fs=RATE_HZ, output="sos"),
        signal.tf2sos(*signal.iirpeak(3000, 2, fs=RATE_HZ)),
    ):
        total = total * (0.5 + signal.freqz_sos(sos, frequency_hz, fs=RATE_HZ)[1])
    return total


@pytest.mark.parametrize("length", [4096, 16_384, 65_536, 262_144])
def test_a_thinned_capture_stays_within_0_02_db_and_0_2_degrees(length):
    """Reference: `scipy.signal.freqz_sos` at the kept frequencies, up to 20 kHz."""
    delay = 1234
    captured = captured_from_impulse(loudspeaker_like(length, delay), sample_rate_hz=RATE_HZ)
    few = thinned(captured)
    band = few.frequency_hz <= 20_000
    frequency = few.frequency_hz[band]
    exact = exact_response(frequency) * np.exp(-2j * np.pi * frequency * delay / RATE_HZ)
    ratio = few.response()[band] / exact
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.02
    assert np.max(np.abs(np.angle(ratio, deg=True))) < 0.2
    assert few.delay_ms == captured.delay_ms
    assert f"thinned from {captured.frequency_hz.size} to" in few.understood[-1]


def test_an_echo_within_3_ms_keeps_the_bound_where_the_step_is_short_against_it():
    """1 + a·e^(−jωτ): the mean over a step W hertz wide takes (πWτ)²/6 of the echo away (series of
    sin x/x), which is 0.003·a at 2 kHz and 3 ms; 0.1 of an echo keeps the bound to there.
    """
    samples = np.zeros(65_536)
    samples[500], samples[500 + 144] = 1.0, 0.1
    few = thinned(captured_from_impulse(samples, sample_rate_hz=RATE_HZ))
    low = few.frequency_hz < 2000
    exact = 1 + 0.1 * np.exp(-2j * np.pi * few.frequency_hz * 144 / RATE_HZ)
    ratio = few.without_delay / exact
    assert np.max(np.abs(20 * np.log10(np.abs(ratio[low])))) < 0.02
    assert np.max(np.abs(np.angle(ratio[low], deg=True))) < 0.2
    assert np.max(np.abs(20 * np.log10(np.abs(ratio[~low])))) < 0.4
    assert "the kept points are means, which miss single ones by up to 0." in few.understood[-1]


def test_a_strong_late_echo_is_smoothed_and_by_how_much_is_said():
    """0.5 of an echo 20 ms late: a step of 115 Hz at 16 kHz holds 2.3 of its ripples of 50 Hz. What
    is kept is the dense curve under the same window (numpy's mean over each step's bins), and the
    sentence names the largest miss, found here point by point.
    """
    samples = np.zeros(16_384)
    samples[500], samples[500 + 960] = 1.0, 0.5
    dense = captured_from_impulse(samples, sample_rate_hz=RATE_HZ)
    few = thinned(dense)
    step = np.floor(96 * np.log2(dense.frequency_hz / 20.0) + 0.5)
    for kept in range(0, few.frequency_hz.size, 50):
        own = step == np.floor(96 * np.log2(few.frequency_hz[kept] / 20.0) + 0.5)
        ratio = few.without_delay[kept] / np.mean(dense.without_delay[own])
        assert abs(20 * np.log10(abs(ratio))) < 0.02
        assert abs(np.angle(ratio, deg=True)) < 0.2
    band = dense.frequency_hz <= 20_000
    read = np.interp(np.log(dense.frequency_hz), np.log(few.frequency_hz), few.magnitude_db)
    missed = np.max(np.abs(read - dense.magnitude_db)[band])
    (told,) = re.findall(r"by up to (\d+\.\d+) dB", few.understood[-1])
    assert float(told) == pytest.approx(missed, abs=0.006)
    assert missed > 3


def test_never_more_than_one_point_in_a_96th_of_an_octave():
    few = thinned(captured_from_impulse(loudspeaker_like(262_144, 0), sample_rate_hz=RATE_HZ))
    step = np.floor(96 * np.log2(few.frequency_hz / 20.0) + 0.5)
    assert np.all(np.diff(step) >= 1)
    octaves = np.log2(few.frequency_hz[-1] / few.frequency_hz[0])
    assert few.frequency_hz.size <= 96 * octaves + 1
    # Full density from where a step is wider than two bins on.
    wide = few.frequency_hz > 2 * (RATE_HZ / 262_144) / (2 ** (1 / 96) - 1)
    assert np.all(np.diff(step[wide]) == 1)


def test_bins_wider_than_a_step_are_kept_as_they_are():
    dense = captured_from_impulse(loudspeaker_like(16_384, 700), sample_rate_hz=RATE_HZ)
    few = thinned(dense)
    # One bin a step at least below 1/(2^(1/96) − 1) = 138 bins.
    kept = np.flatnonzero(dense.frequency_hz < 138 * RATE_HZ / 16_384)
    np.testing.assert_array_equal(few.frequency_hz[kept], dense.frequency_hz[kept])
    np.testing.assert_allclose(few.magnitude_db[kept], dense.magnitude_db[kept], atol=1e-11)
    np.testing.assert_allclose(few.response()[kept], dense.response()[kept], rtol=1e-12)


def test_magnitude_only_is_a_mean_of_power_and_coherence_a_plain_mean():
    """By hand: two values, 0 and −20 dB, have the mean power (1 + 0.01)/2 = −2.967 dB."""
    frequency = np.linspace(1000, 2000, 2001)
    level = np.where(np.arange(2001) % 2, -20.0, 0.0)
    coherence = np.where(np.arange(2001) % 2, 0.5, 1.0)
    few = thinned(CapturedResponse(frequency, level, None, coherence))
    assert few.phase_deg is None
    # A step holds 14 to 29 points here, so an odd one out weighs at most a 14th.
    np.testing.assert_allclose(few.magnitude_db[1:-1], 10 * np.log10(0.505), atol=0.4)
    np.testing.assert_allclose(few.coherence[1:-1], 0.75, atol=0.02)
    even = few.frequency_hz.size // 2
    assert np.mean(few.magnitude_db[even - 20 : even + 20]) == pytest.approx(-2.967, abs=0.05)


def test_what_is_not_dense_is_left_alone():
    frequency = 20 * 2 ** (np.arange(960) / 96)
    captured = CapturedResponse(np.round(frequency, 2), np.sin(np.arange(960.0)))
    assert not is_dense(captured.frequency_hz)
    assert thinned(captured) is captured
    assert is_dense(20 * 2 ** (np.arange(1000) / 100))


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 100), st.floats(-40, 40), st.sampled_from([8192, 10_000, 50_000]))
def test_a_pure_delay_and_gain_passes_unchanged(delay_ms, gain_db, length):
    """Property: a constant stays constant, wherever it lies in time."""
    frequency = np.arange(1, length) * (24_000 / length)
    phase = -0.36 * frequency * delay_ms
    text = CapturedResponse(frequency, np.full(frequency.size, gain_db), phase)
    few = thinned(text)
    exact = 10 ** (gain_db / 20) * np.exp(-2e-3j * np.pi * few.frequency_hz * delay_ms)
    ratio = few.response() / exact
    # The delay is found to 1/8 period of the highest frequency: a ramp of 23° at most is left
    # in the mean, over a step less than 0.1°.
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 1e-3
    assert np.max(np.abs(np.angle(ratio, deg=True))) < 0.01


def test_text_keeps_no_bulk_delay_unless_its_phase_needs_it():
    frequency = np.linspace(5, 20_000, 4000)
    level = np.zeros(4000)
    short = thinned(CapturedResponse(frequency, level, -0.36 * frequency * 0.5))
    assert short.delay_ms == 0.0
    long = thinned(CapturedResponse(frequency, level, -0.36 * frequency * 20.0))
    assert long.delay_ms == pytest.approx(20.0, abs=0.01)
    assert "bulk delay of 20.0" in long.understood[-1]
    for few, delay in ((short, 0.5), (long, 20.0)):
        exact = np.exp(-2e-3j * np.pi * few.frequency_hz * delay)
        np.testing.assert_allclose(few.response(), exact, atol=1e-4)


def test_a_coarse_unwrapped_column_keeps_its_delay_apart_and_its_response():
    """12 points an octave, 8 ms: 474° from the last point but one to the last."""
    frequency = 20 * 2 ** (np.arange(120) / 12)
    captured = CapturedResponse(frequency, np.zeros(120), -0.36 * frequency * 8.0)
    eased = with_needed_delay(thinned(captured))
    assert eased.delay_ms == pytest.approx(8.0, abs=0.01)
    np.testing.assert_allclose(eased.response(), captured.response(), atol=1e-9)
    assert np.max(np.abs(np.diff(np.unwrap(eased.phase_deg, period=360)))) < 20


@pytest.mark.parametrize("delay_ms", [12.3, 41.87, 103.0])
def test_a_wrapped_column_too_coarse_to_unwrap_still_shows_its_delay(delay_ms):
    """48 points an octave: at 20 kHz and 41.87 ms 12 turns a step. A box with a crossover in it
    (scipy.signal's phase), whose own delay most points share, and 0.3 dB and 5° of noise. Between
    the points the true phase comes back.
    """
    rng = np.random.default_rng(2)
    frequency = 20 * 2 ** (np.arange(479) / 48)

    def exact_deg(f):
        low, high = (
            signal.freqs(*signal.butter(4, 1500, kind, analog=True), f)[1]
            for kind in ("low", "high")
        )
        box = signal.freqs(*signal.butter(4, 60, "high", analog=True), f)[1]
        return np.angle(box * (low + high), deg=True) - 0.36 * f * delay_ms

    phase = exact_deg(frequency) + rng.normal(0, 5, 479)
    captured = CapturedResponse(frequency, rng.normal(0, 0.3, 479), (phase + 180) % 360 - 180)
    eased = with_needed_delay(captured)
    assert eased.delay_ms == pytest.approx(delay_ms, abs=0.5)
    np.testing.assert_allclose(eased.response(), captured.response(), atol=1e-9)
    between = np.sqrt(frequency[1:] * frequency[:-1])
    unwrapped = np.unwrap(eased.phase_deg, period=360)
    read = np.interp(np.log(between), np.log(frequency), unwrapped)
    error = read - 0.36 * between * eased.delay_ms - exact_deg(between)
    assert np.max(np.abs((error + 180) % 360 - 180)) < 20
    assert "is kept apart from the phase column" in eased.understood[-1]


def test_phase_flips_at_nulls_ask_for_no_bulk_delay():
    frequency = 20 * 2 ** (np.arange(480) / 48)
    phase = np.where(np.floor(np.arange(480) / 60) % 2, 180.0, 0.0)
    captured = CapturedResponse(frequency, np.zeros(480), phase)
    assert with_needed_delay(captured) is captured


@pytest.mark.parametrize("delay_ms", [-3.0, 0.0, 2.5, 40.0])
def test_the_bulk_delay_is_the_time_of_the_largest_of_the_impulse_response(delay_ms):
    frequency = np.linspace(10, 20_000, 4000)
    captured = CapturedResponse(frequency, np.zeros(4000), -0.36 * frequency * delay_ms)
    # Resolution: an eighth of the highest frequency's period, half of it either way: 3.1 µs.
    assert bulk_delay_ms(captured) == pytest.approx(delay_ms, abs=0.0032)
