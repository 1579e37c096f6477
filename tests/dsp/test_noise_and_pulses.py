"""Noise, pulses and steps: spectra by scipy, crest factors and levels counted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from xover.dsp.noise_and_pulses import band_pulse, level_steps, lobe_ratio_db, pink_noise
from xover.model.problems import Refused

FS = 48_000


@pytest.mark.parametrize(
    ("crest_db", "band"),
    [(6.5, (20, 20_000)), (9.0, (40, 400)), (12.0, (20, 20_000)), (14.0, (500, 5_000))],
)
def test_pink_noise_falls_by_3_db_an_octave_with_its_crest_factor(crest_db, band) -> None:
    """Equal power in each octave is −10·log10(2) = −3.0103 dB an octave of density."""
    low_hz, high_hz = band
    samples = pink_noise(
        low_hz, high_hz, crest_db=crest_db, duration_s=4.0, sample_rate_hz=FS, seed=7
    )
    rms = np.sqrt(np.mean(samples**2))
    assert rms == pytest.approx(1.0, abs=1e-9)
    assert 20.0 * np.log10(np.abs(samples).max() / rms) == pytest.approx(crest_db, abs=0.11)
    frequency_hz, density = signal.welch(samples, FS, nperseg=16_384)
    inside = (frequency_hz > 1.3 * low_hz) & (frequency_hz < high_hz / 1.15)
    octave, level_db = np.log2(frequency_hz[inside]), 10.0 * np.log10(density[inside])
    slope, offset = np.polyfit(octave, level_db, 1, w=1.0 / np.sqrt(frequency_hz[inside]))
    assert slope == pytest.approx(-3.01, abs=0.15)
    thirds = np.arange(np.log2(1.6 * low_hz), np.log2(high_hz / 1.3), 1.0 / 3.0)
    for at in thirds[:-1]:
        band_db = level_db[(octave >= at) & (octave < at + 1.0 / 3.0)]
        middle = octave[(octave >= at) & (octave < at + 1.0 / 3.0)]
        if band_db.size > 4:
            assert np.mean(band_db - slope * middle - offset) == pytest.approx(0.0, abs=1.0)
    outside = density[(frequency_hz > 1.2 * high_hz)]
    assert outside.size == 0 or outside.max() < 1e-4 * density.max()


def test_noise_is_that_of_its_seed() -> None:
    one, same, other = (
        pink_noise(100, 8_000, crest_db=11.0, duration_s=0.5, sample_rate_hz=FS, seed=seed)
        for seed in (1, 1, 2)
    )
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


@pytest.mark.parametrize("crest_db", [3.0, 20.0])
def test_no_such_crest_factor(crest_db: float) -> None:
    with pytest.raises(Refused, match="crest factor"):
        pink_noise(20, 20_000, crest_db=crest_db, duration_s=1.0, sample_rate_hz=FS, seed=1)


@pytest.mark.parametrize("band", [(20, 240), (60, 12_000), (1_000, 18_000)])
def test_a_pulse_swings_upward_furthest_and_stays_in_its_band(band) -> None:
    pulse, middle = band_pulse(*band, sample_rate_hz=FS)
    assert pulse[middle] == pulse.max() == 1.0
    assert lobe_ratio_db(pulse) > 3.0
    power = np.abs(np.fft.rfft(pulse, 1 << 17)) ** 2
    frequency_hz = np.arange(power.size) * FS / (1 << 17)
    inside = (frequency_hz > 0.8 * band[0]) & (frequency_hz < 1.2 * band[1])
    assert power[inside].sum() > 0.9999 * power.sum()
    # Through a box's band-pass the largest swing still tells the polarity.
    sos = signal.butter(2, [band[0] * 1.5, band[1] / 1.5], "band", fs=FS, output="sos")
    for sign in (1.0, -1.0):
        heard = sign * signal.sosfilt(sos, pulse)
        assert np.sign(heard[np.argmax(np.abs(heard))]) == sign


def test_too_narrow_for_a_polarity() -> None:
    with pytest.raises(Refused, match=r"less than 1.3 octaves"):
        band_pulse(40, 80, sample_rate_hz=FS)


def test_steps_stand_at_their_levels() -> None:
    levels_db = np.array([-40.0, -20.0, -10.0])
    samples, starts = level_steps(
        levels_db, frequency_hz=100.0, hold_s=0.3, rest_s=0.1, sample_rate_hz=FS
    )
    for start, level_db in zip(starts, levels_db, strict=True):
        held = samples[start + 2_400 : start + 12_000]  # whole periods, clear of the edges
        assert 10.0 * np.log10(2.0 * np.mean(held**2)) == pytest.approx(level_db, abs=0.01)
        rest = samples[start - 2_400 : start]  # at the lowest level, so that a limiter lets go
        assert 10.0 * np.log10(2.0 * np.mean(rest**2)) == pytest.approx(-40.0, abs=0.01)
    with pytest.raises(Refused, match="each step must last"):
        level_steps(levels_db, frequency_hz=20.0, hold_s=0.1, rest_s=0.1, sample_rate_hz=FS)
