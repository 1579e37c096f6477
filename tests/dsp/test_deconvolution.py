"""Recordings with a known answer: the filter that scipy ran, whatever rate, clock and noise.

The figures to be held: 0.05 dB and 0.5° at 1/48 octave where the filter is within 10 dB of its
peak, 0.5 dB down to −30 dB, from 30 Hz to 18 kHz, the noise's rms 60 dB below the sweep's.
"""

from __future__ import annotations

import numpy as np
import pyfar as pf
import pytest
from scipy import signal

from tests.dsp.played import noise, off, play
from xover.design.signals import Way, sweep_signal
from xover.dsp.deconvolution import Deconvolver, SweepExcitation, delay_between
from xover.dsp.sweep import good_length, sweep_samples, sweep_shape
from xover.dsp.sweep_capture import deconvolve

FS = 48_000
FULL = sweep_signal([Way(None, 20.0, 20_000.0)], duration_s=1.5).note
BARE = sweep_signal([Way(None, 20.0, 20_000.0)], duration_s=1.5, marks=False).note


def box(low_hz: float, high_hz: float, rate_hz: float) -> np.ndarray:
    return np.vstack(
        [
            signal.butter(4, low_hz, "high", fs=rate_hz, output="sos"),
            signal.butter(2, high_hz, "low", fs=rate_hz, output="sos"),
        ]
    )


@pytest.mark.parametrize(
    ("rate_hz", "ppm", "band_hz"),
    [
        (48_000, 0.0, (40.0, 9_000.0)),
        (48_000, 100.0, (40.0, 9_000.0)),
        (44_100, -100.0, (300.0, 15_000.0)),
        (96_000, 37.0, (25.0, 100.0)),
    ],
)
def test_the_filter_comes_back(rate_hz: int, ppm: float, band_hz: tuple[float, float]) -> None:
    sos = box(*band_hz, rate_hz)
    heard = signal.sosfilt(sos, play(FULL, rate_hz=rate_hz * (1.0 + 1e-6 * ppm), lead_s=0.777))
    heard += noise(heard.size, below_db=60.0, level_dbfs=FULL.level_dbfs)
    captured = deconvolve(heard, FULL, sample_rate_hz=rate_hz)
    near_db, near_deg, down_db = off(captured, sos, rate_hz=rate_hz)
    assert near_db < 0.05
    assert near_deg < 0.5
    assert down_db < 0.5
    found = captured.sweep
    assert found is not None
    assert found.playings == 1
    assert found.clock_ppm == pytest.approx(ppm, abs=0.1)
    assert found.clipped_percent == 0.0
    assert not captured.shares_time


@pytest.mark.parametrize("ppm", [0.0, 100.0, -60.0])
def test_without_marks_the_clock_is_read_from_the_response(ppm: float) -> None:
    sos = box(40.0, 9_000.0, FS)
    heard = signal.sosfilt(sos, play(BARE, rate_hz=FS * (1.0 + 1e-6 * ppm), tail_s=1.0))
    heard += noise(heard.size, below_db=60.0, level_dbfs=BARE.level_dbfs)
    captured = deconvolve(heard, BARE, sample_rate_hz=FS)
    near_db, near_deg, _ = off(captured, sos, rate_hz=FS)
    assert near_db < 0.05
    assert near_deg < 0.5
    said = "\n".join(captured.understood)
    assert ("seems to run" in said) == (ppm != 0.0)


@pytest.mark.filterwarnings("ignore::pyfar.classes.warnings.PyfarDeprecationWarning")
def test_as_pyfar_deconvolves() -> None:
    """A 4th-order 100 Hz high-pass: −24.0997, −3.0103, −0.0169 dB by pyfar's deconvolution."""
    shape = sweep_shape(20, 20_000, 1.0)
    sweep = sweep_samples(shape, sample_rate_hz=FS)
    sos = signal.butter(4, 100.0, "high", fs=FS, output="sos")
    heard = signal.sosfilt(sos, np.concatenate((sweep, np.zeros(sweep.size))))
    theirs = pf.dsp.deconvolve(
        pf.Signal(heard, FS), pf.Signal(np.concatenate((sweep, np.zeros(sweep.size))), FS),
        frequency_range=(25, 19_000),
    )  # fmt: skip
    work = Deconvolver(SweepExcitation(shape), sample_rate_hz=FS, length=heard.size)
    ours = work.response(heard)
    for at_hz, level_db in ((50.0, -24.0997), (100.0, -3.0103), (200.0, -0.0169)):
        bin_ours = np.argmin(np.abs(work.frequency_hz - at_hz))
        assert 20.0 * np.log10(abs(ours[bin_ours])) == pytest.approx(level_db, abs=2e-3)
        other = theirs.freq[0][np.argmin(np.abs(theirs.frequencies - at_hz))]
        assert abs(ours[bin_ours] / other - 1.0) < 2e-3


def test_distortion_stands_apart_and_is_told() -> None:
    """Y = x + a·x² + b·x³ of a sine with peak A: 2nd a·A/2, 3rd b·A²/4 of the fundamental."""
    heard = play(FULL, rate_hz=FS)
    peak = 10.0 ** (FULL.level_dbfs / 20.0)
    second, third = 0.01, 0.003
    heard = heard + 2.0 * second / peak * heard**2 + 4.0 * third / peak**2 * heard**3
    heard += noise(heard.size, below_db=70.0, level_dbfs=FULL.level_dbfs)
    captured = deconvolve(heard, FULL, sample_rate_hz=FS)
    assert captured.sweep is not None
    told = {(o, round(f)): level for o, f, level, _ in captured.sweep.distortion}
    # The cube adds 3·b·x/4·A² to the fundamental: 4·0.003·3/4 = 0.9 %.
    assert 10.0 ** (told[2, 1000] / 20.0) == pytest.approx(second / 1.009, rel=0.04)
    assert 10.0 ** (told[3, 1000] / 20.0) == pytest.approx(third / 1.009, rel=0.06)
    assert told[4, 1000] is None
    assert told[5, 1000] is None
    inside = (captured.frequency_hz > 40.0) & (captured.frequency_hz < 15_000.0)
    assert np.abs(captured.magnitude_db[inside] - 20.0 * np.log10(1.009)).max() < 0.1
    assert any("2nd at most 0.99" in sentence for sentence in captured.understood)


def test_several_playings_are_averaged() -> None:
    sos = box(40.0, 9_000.0, FS)
    leads = (0.5, 0.777, 0.3)
    heard = np.concatenate([play(FULL, rate_hz=FS, lead_s=lead, tail_s=0.5) for lead in leads])
    heard = signal.sosfilt(sos, heard)
    heard += noise(heard.size, below_db=40.0, level_dbfs=FULL.level_dbfs)
    captured = deconvolve(heard, FULL, sample_rate_hz=FS)
    assert captured.sweep is not None
    assert captured.sweep.playings == 3
    near_db, near_deg, _ = off(captured, sos, rate_hz=FS)
    assert near_db < 0.1
    assert near_deg < 1.0


def test_any_broadband_file_will_do() -> None:
    """Noise as the excitation, its file at 44.1 kHz, the recording at 48 kHz."""
    rng = np.random.default_rng(3)
    length = 3 * 44_100
    played = 0.1 * rng.standard_normal(length)
    low_pass = signal.butter(8, 18_500.0, fs=44_100, output="sos")
    played = signal.sosfiltfilt(low_pass, played)
    at_48 = signal.resample(played, 3 * FS)
    sos = box(100.0, 9_000.0, FS)
    heard = signal.sosfilt(sos, np.concatenate((np.zeros(9_600), at_48, np.zeros(FS))))
    heard += 1e-4 * rng.standard_normal(heard.size)
    captured = deconvolve(heard, played, sample_rate_hz=FS, sweep_rate_hz=44_100)
    near_db, near_deg, _ = off(captured, sos, rate_hz=FS, low_hz=60.0, high_hz=14_000.0)
    # Noise has nulls where a bin says little: short of a sweep's accuracy, by its nature.
    assert near_db < 0.2
    assert near_deg < 1.5


def test_delays_are_found_to_a_small_part_of_a_sample() -> None:
    shape = sweep_shape(50, 15_000, 0.3)
    one = sweep_samples(shape, sample_rate_hz=FS)
    two = np.concatenate((np.zeros(41), sweep_samples(shape, sample_rate_hz=FS, offset_s=0.3 / FS)))
    late_s = delay_between(one, two[: one.size], sample_rate_hz=FS)
    assert late_s * FS == pytest.approx(40.7, abs=1e-3)


def test_the_length_of_a_recording_need_not_be_a_good_one() -> None:
    assert good_length(240_001) == 243_000


def test_the_impulse_response_is_the_transform_of_the_response() -> None:
    """By the quicker transform as by numpy's; negative times at the end."""
    shape = sweep_shape(20, 20_000, 0.5)
    sweep = sweep_samples(shape, sample_rate_hz=FS)
    sos = signal.butter(4, 100.0, "high", fs=FS, output="sos")
    heard = signal.sosfilt(sos, np.concatenate((sweep, np.zeros(sweep.size))))
    work = Deconvolver(SweepExcitation(shape), sample_rate_hz=FS, length=good_length(heard.size))
    plain = np.fft.irfft(work.response(heard), work.length)
    near = np.r_[0 : FS // 10, -FS // 10 : 0]
    assert np.abs(work.impulse(heard) - plain)[near].max() < 1e-8 * np.abs(plain).max()
