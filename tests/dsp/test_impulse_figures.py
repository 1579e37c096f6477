"""Onset, polarity, noise floor and end of the decay, on responses whose figures are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from xover.dsp.impulse_figures import figures_of

RATE_HZ = 48_000


def figures(samples: np.ndarray):
    return figures_of(samples, sample_rate_hz=float(RATE_HZ))


def box(band_hz: tuple[float, float], *, length: int = 24_000, at: int = 480) -> np.ndarray:
    samples = np.zeros(length)
    samples[at] = 1.0
    return signal.sosfilt(signal.butter(2, band_hz, "band", fs=RATE_HZ, output="sos"), samples)


def decay(time_s: float, floor_db: float, length_s: float, seed: int) -> tuple[np.ndarray, float]:
    """A direct sound at 10 ms, noise decaying 60 dB in `time_s`, stationary noise; its end in ms.

    The end is where both noises are equally strong: the decaying one starts 15.6 dB below the peak.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    tail = 10.0 ** (-3.0 * t / time_s) * rng.standard_normal(t.size)
    tail[0] = 6.0
    samples = np.concatenate([np.zeros(480), tail])
    samples += 6.0 * 10.0 ** (floor_db / 20.0) * rng.standard_normal(samples.size)
    return samples, 10.0 + 1000.0 * time_s * (-floor_db - 20.0 * np.log10(6.0)) / 60.0


@pytest.mark.parametrize(
    ("time_s", "floor_db", "length_s"),
    [(0.5, -60.0, 2.0), (1.5, -50.0, 3.0), (0.3, -80.0, 1.0), (0.05, -60.0, 1.0)],
)
@pytest.mark.parametrize("seed", [0, 1])
def test_noise_floor_and_end_of_the_decay(time_s, floor_db, length_s, seed):
    """Exponential decays: the crossing follows from their rate, within 2 dB of decay."""
    samples, end_ms = decay(time_s, floor_db, length_s, seed)
    found = figures(samples)
    assert found.noise_floor_db == pytest.approx(floor_db, abs=0.3)
    assert found.decay_end_ms == pytest.approx(end_ms, abs=2000.0 * time_s / 60.0)
    assert found.onset_ms == 10.0
    assert not found.cut
    assert "the decay meets it at" in found.sentences()[1]


def test_a_file_that_ends_before_its_noise_is_said():
    samples, _ = decay(2.0, -70.0, 1.0, 0)
    found = figures(samples)
    assert found.cut
    assert found.noise_floor_db is None
    assert "ends before the decay" in found.sentences()[1]


def test_digital_silence_and_noise_without_a_decay():
    assert "digital silence" in figures(box((60, 15_000))).sentences()[1]
    noise = 0.3 * np.random.default_rng(1).standard_normal(48_000)
    noise[480] = 1.5
    found = figures(noise)
    assert found.decay_end_ms is None
    assert found.noise_floor_db == pytest.approx(-14.0, abs=0.5)
    assert "this hardly is an impulse response" in found.sentences()[1]
    quiet = 0.003 * np.random.default_rng(1).standard_normal(48_000)
    quiet[480] = 1.0
    assert "too short to tell" in figures(quiet).sentences()[1]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_polarity_of_a_wide_band_is_that_of_the_impulse(sign):
    found = figures(sign * box((50, 16_000)))
    assert found.positive == (sign > 0)
    assert not found.polarity_in_doubt
    assert found.opposite_db < -6.0


@pytest.mark.parametrize("band_hz", [(30, 100), (80, 120), (500, 1000)])
def test_polarity_of_a_narrow_band_is_in_doubt(band_hz):
    found = figures(box(band_hz))
    assert found.polarity_in_doubt
    assert "in doubt" in found.sentences()[0]


def test_a_louder_inverted_reflection_does_not_decide():
    direct = box((60, 15_000))
    found = figures(direct - 1.5 * np.roll(direct, 480))
    assert found.positive
    assert found.onset_ms == 10.0


def test_one_sample_has_no_other_half_wave():
    samples = np.zeros(4800)
    samples[10] = -0.5
    found = figures(samples)
    assert found.sentences()[0] == "polarity of the first arrival: negative"


@pytest.mark.parametrize("length", [2, 3, 50])
def test_the_shortest_responses_have_figures_too(length):
    samples = np.random.default_rng(length).standard_normal(length)
    assert figures(samples).sentences()
