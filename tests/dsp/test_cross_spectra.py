"""Averaged cross-spectra against scipy's Welch; the delay between channels against the true one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from xover.dsp.channel_delay import fine_delay, whole_delay
from xover.dsp.cross_spectra import CrossSpectra, coherence_by_chance, windows_in
from xover.dsp.two_channels import aligned

RATE_HZ = 48_000.0


def noisy_pair(count: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(count)
    y = signal.lfilter([0.5, 0.2, -0.1], [1.0, -0.7], x) + 0.3 * rng.standard_normal(count)
    return np.stack([x, y])


def added(spectra: CrossSpectra, pair: np.ndarray, block: int) -> CrossSpectra:
    for start in range(0, pair.shape[1], block):
        spectra.add(pair[:, start : start + block])
    return spectra


@pytest.mark.parametrize("length", [64, 2048])
@pytest.mark.parametrize("block", [1000, 4096, 30_001])
def test_h1_and_coherence_are_scipys_on_the_same_windows(length, block):
    """Reference: `scipy.signal.csd`, `welch` and `coherence`, Hann, half overlap, no detrending."""
    pair = noisy_pair(30_001)
    how = {"fs": RATE_HZ, "nperseg": length, "noverlap": length // 2, "detrend": False}
    frequency_hz, both = signal.csd(*pair, **how)
    _, own = signal.welch(pair[0], **how)
    _, coherence = signal.coherence(*pair, **how)
    spectra = added(CrossSpectra(length), pair, block)
    assert spectra.count == windows_in(30_001, length)
    np.testing.assert_allclose(spectra.frequency_hz(RATE_HZ), frequency_hz)
    # scipy doubles all bins but the outer two, of both spectra alike.
    np.testing.assert_allclose(spectra.h1(), both / own, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(spectra.coherence(), coherence, rtol=1e-9)


def test_some_bins_are_those_of_all():
    pair = noisy_pair(20_000)
    whole = added(CrossSpectra(512), pair, 3000)
    some = added(CrossSpectra(512, 10, 40), pair, 7777)
    np.testing.assert_allclose(some.h1(), whole.h1()[10:40], rtol=1e-12)
    np.testing.assert_allclose(some.frequency_hz(RATE_HZ), whole.frequency_hz(RATE_HZ)[10:40])


def test_silence_has_neither_response_nor_coherence():
    spectra = added(CrossSpectra(64), np.zeros((2, 1000)), 1000)
    assert not spectra.h1().any()
    assert not spectra.coherence().any()


def test_coherence_is_the_share_of_what_is_common():
    """γ² = S/(S + N) for noise of power N on the measurement (Bendat and Piersol)."""
    rng = np.random.default_rng(2)
    x = rng.standard_normal(400_000)
    pair = np.stack([x, x + 0.5 * rng.standard_normal(x.size)])
    spectra = added(CrossSpectra(256), pair, 65_536)
    assert spectra.coherence()[5:-5].mean() == pytest.approx(1.0 / 1.25, abs=0.003)


def test_coherence_by_chance_is_that_of_unrelated_noise():
    """Reference: scipy's beta distribution, whose (1, n − 1) the estimate follows, and trials."""
    for windows in (20, 200):
        independent = windows / (1 + 2 / 36)
        exact = stats.beta.ppf(0.95, 1, independent - 1)
        assert coherence_by_chance(windows) == pytest.approx(exact, rel=1e-9)
    rng = np.random.default_rng(5)
    trials = [
        added(CrossSpectra(64), rng.standard_normal((2, 64 * 20)), 4096).coherence()[2:-2:3]
        for _ in range(200)
    ]
    above = np.mean(np.concatenate(trials) > coherence_by_chance(39))
    assert above == pytest.approx(0.05, abs=0.015)
    assert coherence_by_chance(1) == 1.0


@pytest.mark.parametrize("lag", [0, 1, 700, -1, -333])
@pytest.mark.parametrize("block", [100, 999])
def test_alignment_takes_a_lag_out_block_by_block(lag, block):
    x = np.arange(5000.0)
    pair = np.stack([x, x - lag])
    blocks = (pair[:, k : k + block] for k in range(0, 5000, block))
    together = np.concatenate(list(aligned(blocks, lag)), axis=1)
    assert together.shape == (2, 5000 - abs(lag))
    np.testing.assert_array_equal(together[0], together[1])


def delayed(x: np.ndarray, samples: float) -> np.ndarray:
    """`x` later by any part of a sample, through its spectrum, circular over twice its length."""
    spectrum = np.fft.rfft(x, 2 * x.size)
    turn = np.exp(-2j * np.pi * np.arange(spectrum.size) * samples / (2 * x.size))
    return np.fft.irfft(spectrum * turn)[: x.size]


@settings(max_examples=12, deadline=None)
@given(
    delay=st.floats(-9000.0, 9000.0),
    band_hz=st.sampled_from([(200.0, 5000.0), (100.0, 1000.0), (2000.0, 16_000.0)]),
    inverted=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_a_delay_is_found_to_a_twentieth_of_a_sample(delay, band_hz, inverted, seed):
    """Band-limited noise with noise 20 dB below it on the measurement; the delay is put in."""
    rng = np.random.default_rng(seed)
    sos = signal.butter(4, band_hz, "band", fs=RATE_HZ, output="sos")
    x = signal.sosfilt(sos, rng.standard_normal(1 << 18))
    y = (-1 if inverted else 1) * delayed(x, delay)
    y += 0.1 * x.std() * rng.standard_normal(x.size)
    pair = np.stack([x, y])
    lag = whole_delay(added(CrossSpectra(1 << 15), pair, 1 << 16))
    spectra = CrossSpectra(1 << 13)
    for block in aligned((pair[:, k : k + 50_000] for k in range(0, x.size, 50_000)), lag):
        spectra.add(block)
    assert lag + fine_delay(spectra) == pytest.approx(delay, abs=0.05)
