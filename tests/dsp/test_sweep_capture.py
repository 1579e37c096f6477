"""What a recording of a sweep shares in time, and every way in which there is nothing to be had."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.dsp.played import noise, play
from xover.design.signals import Way, sweep_signal
from xover.dsp.sweep_capture import deconvolve
from xover.model.problems import Refused

FS = 48_000
NOTE = sweep_signal([Way(None, 20.0, 20_000.0)], duration_s=1.5).note
WAYS = [Way("Sub", 30.0, 120.0), Way("L", 90.0, 16_000.0), Way("R", 90.0, 16_000.0)]
TAKES = sweep_signal(WAYS, duration_s=1.0).note
FLIGHTS_MS = (10.0, 14.123, 20.5004)


@pytest.fixture(scope="module")
def heard() -> np.ndarray:
    sos = signal.butter(4, [40.0, 9_000.0], "band", fs=FS, output="sos")
    clean = signal.sosfilt(sos, play(NOTE, rate_hz=FS, lead_s=0.5))
    return clean + noise(clean.size, below_db=60.0, level_dbfs=NOTE.level_dbfs)


@pytest.fixture(scope="module")
def three() -> np.ndarray:
    """Three outputs, each with a flight of its own and the same high-pass, 80 ppm apart."""
    sos = signal.butter(2, 20.0, "high", fs=FS, output="sos")
    rate_hz = FS * (1.0 + 80e-6)
    parts = [
        play(TAKES, rate_hz=rate_hz, channel=channel, late_s=0.001 * flight_ms)
        for channel, flight_ms in enumerate(FLIGHTS_MS, start=1)
    ]
    total = signal.sosfilt(sos, np.sum(parts, axis=0))
    return total + noise(total.size, below_db=60.0, level_dbfs=TAKES.level_dbfs)


def test_takes_share_the_time_zero_of_the_mark(three: np.ndarray) -> None:
    """Delays between takes are those of the flights, to a microsecond; the mark is L's (the first
    of those that reach highest).
    """
    captures = [deconvolve(three, TAKES, sample_rate_hz=FS, take=k) for k in range(3)]
    sos = signal.butter(2, 20.0, "high", fs=FS, output="sos")
    late_s = []
    for captured, (low_hz, high_hz) in zip(
        captures, ((50, 90), (300, 12_000), (300, 12_000)), strict=True
    ):
        assert captured.shares_time
        assert captured.sweep is not None
        assert captured.sweep.playings == 1
        assert captured.sweep.clock_ppm == pytest.approx(80.0, abs=0.1)
        at = captured.frequency_hz
        inside = (at > low_hz) & (at < high_hz)
        want = signal.freqz_sos(sos, at[inside], fs=FS)[1]
        turn = np.unwrap(np.angle(captured.without_delay[inside] / want))
        assert np.abs(captured.magnitude_db[inside] - 20.0 * np.log10(np.abs(want))).max() < 0.1
        rest_s = -np.sum(turn * at[inside]) / np.sum(at[inside] ** 2) / (2.0 * np.pi)
        late_s.append(rest_s + 0.001 * captured.delay_ms)
    assert 1000.0 * (late_s[2] - late_s[1]) == pytest.approx(20.5004 - 14.123, abs=1e-4)
    # A band of 90 Hz tells a delay less finely.
    assert 1000.0 * (late_s[0] - late_s[1]) == pytest.approx(10.0 - 14.123, abs=0.01)
    assert 1000.0 * late_s[1] == pytest.approx(0.0, abs=0.05)


def test_a_take_without_its_mark_shares_nothing_and_is_refused(three: np.ndarray) -> None:
    late = three[int(1.2 * FS) :]
    with pytest.raises(Refused, match="the timing mark was not found"):
        deconvolve(late, TAKES, sample_rate_hz=FS, take=1)


def test_time_zero_of_the_file(heard: np.ndarray) -> None:
    """Started with the file, the recorder has it 0.5 s late, plus what the filter delays."""
    captured = deconvolve(heard, NOTE, sample_rate_hz=FS, time_zero="file")
    assert captured.shares_time
    assert captured.delay_ms == pytest.approx(500.0, abs=0.1)
    direct = deconvolve(heard, NOTE, sample_rate_hz=FS)
    assert direct.delay_ms == 0.0
    assert not direct.shares_time
    assert any("time zero is arbitrary" in sentence for sentence in direct.understood)


def test_a_window_is_kept_alike_everywhere(heard: np.ndarray) -> None:
    captured = deconvolve(heard, NOTE, sample_rate_hz=FS, window_ms=50.0)
    assert captured.frequency_hz[0] == pytest.approx(60.0, abs=1.0)
    assert any("50.0 ms, the last fifth" in sentence for sentence in captured.understood)


def test_clipping_is_told_with_how_much(heard: np.ndarray) -> None:
    loud = heard / np.abs(heard).max() * 1.1
    captured = deconvolve(np.clip(loud, -1.0, 1.0), NOTE, sample_rate_hz=FS)
    assert captured.sweep is not None
    assert 0.1 < captured.sweep.clipped_percent < 30.0
    assert any("stand at full scale: the recording is" in said for said in captured.understood)


FAULTS = {
    "too short": (lambda y: y[: int(0.9 * FS)], "lasts 0.9 s, the sweep 1.5 s"),
    "begun too late": (lambda y: y[int(2.6 * FS) :], "begins 0.5 s into the sweep"),
    "ended too early": (lambda y: y[: int(2.9 * FS)], "ends 0.7 s before the sweep does"),
    "clipped": (lambda y: np.clip(100.0 * y, -1.0, 1.0), "clipped throughout"),
    "noise alone": (
        lambda y: np.random.default_rng(1).standard_normal(y.size),
        "is not in this recording",
    ),
    "hum": (
        lambda y: np.sin(np.arange(y.size) * 2.0 * np.pi * 50.0 / FS) + 1e-3 * y,
        "is not in this recording",
    ),
    "too noisy": (
        lambda y: y + noise(y.size, below_db=-20.0, level_dbfs=NOTE.level_dbfs),
        "too noisy",
    ),
    "a wrong rate": (lambda y: signal.resample_poly(y, 160, 147), "sample rate|does not fit"),
}


@pytest.mark.parametrize("name", list(FAULTS))
def test_one_sentence_each(heard: np.ndarray, name: str) -> None:
    change, sentence = FAULTS[name]
    with pytest.raises(Refused, match=sentence) as refused:
        deconvolve(change(heard), NOTE, sample_rate_hz=FS)
    assert len(refused.value.faults) == 1


@pytest.mark.parametrize(
    ("band", "duration_s"),
    [((20, 20_000), 1.6), ((20, 20_000), 3.0), ((30, 20_000), 1.5), ((20, 16_000), 1.5),
     ((30, 100), 1.5)],
)  # fmt: skip
def test_another_sweep_than_the_one_named(heard: np.ndarray, band, duration_s: float) -> None:
    other = sweep_signal([Way(None, *band)], duration_s=duration_s).note
    with pytest.raises(Refused, match=r"another sweep|another one|is not in this"):
        deconvolve(heard, other, sample_rate_hz=FS)


def test_no_such_excitation() -> None:
    heard = np.random.default_rng(1).standard_normal(FS)
    with pytest.raises(Refused, match="silent"):
        deconvolve(heard, np.zeros(FS), sample_rate_hz=FS)
    with pytest.raises(Refused, match="less than an octave"):
        deconvolve(heard, np.sin(np.arange(FS) * 0.1), sample_rate_hz=FS)
    with pytest.raises(Refused, match="no take 3"):
        deconvolve(heard, TAKES, sample_rate_hz=FS, take=3)


def test_hum_and_an_offset_do_not_hide_it(heard: np.ndarray) -> None:
    time_s = np.arange(heard.size) / FS
    hum = 0.03 * np.sin(2.0 * np.pi * 50.0 * time_s) + 0.2
    clean = deconvolve(heard, NOTE, sample_rate_hz=FS)
    captured = deconvolve(heard + hum, NOTE, sample_rate_hz=FS)
    at = np.geomspace(300.0, 15_000.0, 40)
    levels = [np.interp(at, one.frequency_hz, one.magnitude_db) for one in (clean, captured)]
    assert np.abs(levels[1] - levels[0]).max() < 0.05


def test_samples_lost_on_the_way(heard: np.ndarray) -> None:
    """The marks stand nearer together than they were played, further than any clock would."""
    lost = np.delete(heard, np.arange(int(2.6 * FS), int(2.6 * FS) + 96))
    with pytest.raises(Refused, match=r"2.0 ms nearer together than they were played"):
        deconvolve(lost, NOTE, sample_rate_hz=FS)
