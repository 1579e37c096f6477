"""Windows on impulse responses against scipy's and against sums written out; what is left out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from xover.dsp.impulse import captured_from_impulse
from xover.dsp.impulse_window import ImpulseWindow, gate_window, window_told
from xover.model.problems import Refused

RATE_HZ = 48_000.0
ONSET = 480


def with_echo(length: int = 24_000, echo: int = 600) -> np.ndarray:
    """A high-passed impulse at 10 ms and its echo 12.5 ms later."""
    samples = np.zeros(length)
    samples[ONSET], samples[ONSET + echo] = 1.0, 0.6
    return signal.sosfilt(signal.butter(2, 300, "high", fs=RATE_HZ, output="sos"), samples)


def read(samples, **window):
    return captured_from_impulse(samples, sample_rate_hz=RATE_HZ, window=ImpulseWindow(**window))


def test_a_gate_with_a_lead_as_long_is_scipys_tukey_window():
    """Reference: `scipy.signal.windows.tukey`, a fifth of each half fading."""
    window = gate_window(2001, sample_rate_hz=RATE_HZ, onset=1000, gate_ms=12.5, lead_ms=12.5)
    np.testing.assert_allclose(window[400:1601], signal.windows.tukey(1201, 0.2), atol=1e-12)
    assert not window[:400].any()
    assert not window[1601:].any()


def test_without_a_lead_all_before_the_onset_is_kept():
    window = gate_window(2001, sample_rate_hz=RATE_HZ, onset=1000, gate_ms=5.0, lead_ms=None)
    assert np.all(window[: 1000 + 192] == 1.0)
    assert not window[1240:].any()
    hard = gate_window(2001, sample_rate_hz=RATE_HZ, onset=1000, gate_ms=5.0, lead_ms=0.0)
    assert not hard[:1000].any()
    assert hard[1000] == 1.0


def test_a_gate_takes_the_echo_out_and_keeps_time_zero():
    """Reference: scipy's filter times the delay; the filter has died away within the gate."""
    gated = read(with_echo(), gate_ms=10.0)
    assert gated.frequency_hz[0] == pytest.approx(300.0)
    sos = signal.butter(2, 300, "high", fs=RATE_HZ, output="sos")
    _, exact = signal.freqz_sos(sos, gated.frequency_hz, fs=RATE_HZ)
    exact = exact * np.exp(-2j * np.pi * gated.frequency_hz * ONSET / RATE_HZ)
    np.testing.assert_allclose(gated.response(), exact, atol=1e-3)
    assert any(
        "10.00 ms after the onset at 10.000 ms and all before it" in one
        and "unusable below 300 Hz (3/window): left out" in one
        for one in gated.understood
    )


def by_hand(samples: np.ndarray, hz: float, *, after_s: float, before_s: float) -> complex:
    """The sum over all samples, each under its own cosine."""
    t = (np.arange(samples.size) - ONSET) / RATE_HZ
    place = np.where(t >= 0.0, t / after_s, -t / before_s)
    weight = np.where(place <= 0.8, 1.0, 0.5 * (1.0 + np.cos(np.pi * (place - 0.8) / 0.2)))
    weight[place > 1.0] = 0.0
    turn = np.exp(-2j * np.pi * hz * np.arange(samples.size) / RATE_HZ)
    return complex(np.sum(samples * weight * turn))


@pytest.mark.parametrize(
    ("window", "limits_s"),
    [
        ({"cycles": 6.0}, (np.inf, np.inf)),
        ({"cycles": 4.5, "lead_ms": 1.0}, (np.inf, 0.001)),
        ({"cycles": 20.0, "gate_ms": 40.0}, (0.040, np.inf)),
    ],
)
def test_a_window_of_periods_is_the_sum_written_out(window, limits_s):
    rng = np.random.default_rng(3)
    samples = with_echo() + 0.001 * rng.standard_normal(24_000)
    captured = read(samples, **window)
    assert np.allclose(np.diff(np.log2(captured.frequency_hz)), 1 / 96)
    for index in (0, 100, 300, captured.frequency_hz.size - 1):
        hz = float(captured.frequency_hz[index])
        length_s = window["cycles"] / hz
        exact = by_hand(
            samples, hz,
            after_s=min(length_s, limits_s[0]), before_s=min(length_s, limits_s[1]),
        )  # fmt: skip
        np.testing.assert_allclose(captured.response()[index], exact, rtol=1e-9)


def test_a_window_of_periods_lets_echoes_in_at_low_frequencies_alone():
    samples = np.zeros(48_000)
    samples[ONSET], samples[ONSET + 600] = 1.0, 0.6
    captured = read(samples, cycles=5.0)
    high = captured.frequency_hz > 5.0 / 0.0125
    np.testing.assert_allclose(captured.magnitude_db[high], 0.0, atol=1e-9)
    low = captured.frequency_hz < 0.8 * 5.0 / 0.0125
    comb = 1.0 + 0.6 * np.exp(-2j * np.pi * captured.frequency_hz[low] * 0.0125)
    np.testing.assert_allclose(captured.magnitude_db[low], 20 * np.log10(np.abs(comb)), atol=1e-9)


def test_what_the_file_does_not_hold_is_left_out():
    samples = np.zeros(ONSET + 4800)
    samples[ONSET] = 1.0
    assert read(samples, cycles=10.0).frequency_hz[0] == pytest.approx(100.0, rel=0.01)
    assert read(samples, cycles=10.0).frequency_hz[0] >= 100.0 * (1 - 1e-9)
    assert read(samples, cycles=3.0, gate_ms=20.0).frequency_hz[0] >= 150.0 * (1 - 1e-9)


def test_the_onset_can_be_given():
    samples = np.zeros(9600)
    samples[100], samples[4800] = 0.05, 1.0
    late = read(samples, gate_ms=30.0, lead_ms=5.0)
    assert late.delay_ms == 100.0
    early = read(samples, gate_ms=30.0, lead_ms=1.0, onset_ms=100 / 48)
    assert early.delay_ms == pytest.approx(100 / 48)
    np.testing.assert_allclose(early.magnitude_db, 20 * np.log10(0.05), atol=1e-9)
    assert "onset (as given) at 2.083 ms" in " ".join(early.understood)


@pytest.mark.parametrize(
    ("window", "match"),
    [
        ({"window_ms": 20.0, "gate_ms": 5.0}, "give one of the two kinds"),
        ({"window_ms": 20.0, "cycles": 5.0}, "give one of the two kinds"),
        ({"lead_ms": 5.0}, "--lead goes with --gate or --cycles"),
        ({"window_ms": 20.0, "onset_ms": 5.0}, "--onset goes with --gate or --cycles"),
        ({"cycles": 2.0}, "from 3 to 50 periods, not 2"),
        ({"cycles": float("nan")}, "from 3 to 50 periods, not nan"),
        ({"gate_ms": float("nan")}, "a gate must be above 0 ms"),
        ({"gate_ms": 5.0, "lead_ms": -1.0}, "a lead must be 0 ms or more"),
        ({"gate_ms": 500.0}, r"the file holds 490\.00 ms after the onset"),
        ({"gate_ms": 5.0, "onset_ms": 600.0}, "lies outside the file's"),
        ({"gate_ms": 5.0, "onset_ms": float("inf")}, "lies outside the file's"),
        ({"gate_ms": 0.1}, "the window leaves no points"),
        ({"gate_ms": 5.0, "lead_ms": 1.0, "onset_ms": 2.0}, "nothing but silence; look at --onset"),
    ],
)
def test_windows_that_cannot_be_are_refused(window, match):
    with pytest.raises(Refused, match=match):
        read(with_echo(), **window)


def test_the_window_is_found_again_in_a_note():
    def told(**window):
        return window_told("\n".join(("audio file (…)", *read(with_echo(), **window).understood)))

    assert told() == ""
    assert told(window_ms=100.0).startswith("window of 100.00 ms from sample 0")
    assert told(gate_ms=50.0) != told(gate_ms=50.0, lead_ms=2.0)
    assert told(gate_ms=50.0) != told(gate_ms=50.0, onset_ms=9.0)
    assert told(cycles=5.0).startswith("window of 5 periods of each frequency after the onset")
    assert window_told("columns in the usual order") is None
