"""Exponential sweeps against the published formulas, scipy and pyfar."""

from __future__ import annotations

import math

import numpy as np
import pyfar as pf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from xover.dsp.sweep import (
    closed_form_spectrum,
    good_length,
    reach,
    sweep_samples,
    sweep_shape,
    sweep_spectrum,
)
from xover.model.problems import Refused

FS = 48_000


@pytest.mark.parametrize(
    ("band", "duration_s", "rate_s", "advances_ms"),
    [
        ((20, 20_000), 1.0, 0.144764827, (100.3433, 159.0404, 200.6867, 232.9900)),
        ((20, 20_000), 5.0, 0.723824, (501.717, 795.202, 1003.433, 1164.950)),
        ((20, 20_000), 10.0, 1.447648, (1003.433, 1590.404)),
        ((50, 16_000), 3.0, 0.520082, (360.493,)),
    ],
)
def test_rate_and_harmonic_advances(band, duration_s, rate_s, advances_ms) -> None:
    """L = T/ln(f2/f1) and Δt_k = L·ln k, Farina 2000; figures computed from those formulas."""
    shape = sweep_shape(*band, duration_s)
    assert shape.rate_s == pytest.approx(rate_s, rel=1e-6)
    for order, advance_ms in enumerate(advances_ms, start=2):
        assert 1000.0 * shape.rate_s * math.log(order) == pytest.approx(advance_ms, abs=6e-4)
    middle = np.sqrt(band[0] * band[1])
    assert shape.frequency_hz(duration_s / 2) == pytest.approx(middle, rel=1e-9)


def test_the_middle_of_five_seconds_is_632_hz() -> None:
    assert sweep_shape(20, 20_000, 5).frequency_hz(2.5) == pytest.approx(632.4555, abs=1e-4)


def test_the_phase_runs_as_in_scipy_and_pyfar() -> None:
    """Both start at 0 (Farina's form); the synchronised form is that turned by 2π·f1·L."""
    bare = sweep_shape(20, 20_000, 1.0, fade_in_s=0.0, fade_out_s=0.0)
    time_s = np.arange(FS) / FS
    turn = np.rad2deg(2.0 * np.pi * 20.0 * bare.rate_s)
    ours = sweep_samples(bare, sample_rate_hz=FS)
    chirp = signal.chirp(time_s, 20, 1.0, 20_000, "logarithmic", phi=-90.0 + turn)
    assert np.abs(ours - chirp).max() < 1e-9
    quarter = signal.chirp(time_s, 20, 1.0, 20_000, "logarithmic", phi=turn)
    unturned = np.cos(np.deg2rad(turn)) * ours - np.sin(np.deg2rad(turn)) * quarter
    theirs = pf.signals.exponential_sweep_time(
        FS, [20, 20_000], n_fade_out=0, sampling_rate=FS
    ).time[0]
    assert np.abs(unturned - theirs).max() < 1e-9


@settings(max_examples=20)
@given(st.integers(2, 5), st.floats(0.0, 0.5))
def test_harmonics_are_the_same_sweep_earlier(order: int, time_s: float) -> None:
    """k·φ(t) = φ(t + L·ln k): what synchronised means."""
    shape = sweep_shape(30, 15_000, 2.0)

    def phase(t: float) -> float:
        return 2.0 * np.pi * shape.start_hz * shape.rate_s * np.exp(t / shape.rate_s)

    advance_s = shape.rate_s * math.log(order)
    assert order * phase(time_s) == pytest.approx(phase(time_s + advance_s), rel=1e-12)


def test_the_spectrum_is_that_of_the_closed_form() -> None:
    """|X| ≈ fs·√(L/f)/2: 913.15, 288.76 and 91.315 for T = 1 s (computed from the formula)."""
    at = np.array([100.0, 1000.0, 10_000.0])
    one = sweep_shape(20, 20_000, 1.0)
    size = np.abs(closed_form_spectrum(one, at, sample_rate_hz=FS))
    assert size == pytest.approx([913.15, 288.76, 91.315], rel=2e-5)
    five = sweep_shape(20, 20_000, 5.0)
    length = good_length(6 * 96_000)
    spectrum = sweep_spectrum(five, sample_rate_hz=96_000, length=length)
    ratio = spectrum[1000 * length // 96_000] / closed_form_spectrum(
        five, np.array([1000.0]), sample_rate_hz=96_000
    )
    assert abs(ratio[0]) == pytest.approx(1.0, abs=2e-4)
    assert np.angle(ratio[0], deg=True) == pytest.approx(0.0, abs=0.11)


def test_another_rate_is_evaluated_not_folded() -> None:
    """At 44.1 kHz a sweep to 24 kHz has the spectrum that it has at 96 kHz, up to half the rate."""
    shape = sweep_shape(40, 24_000, 0.5)
    low = sweep_spectrum(shape, sample_rate_hz=44_100, length=44_100) / 44_100
    high = sweep_spectrum(shape, sample_rate_hz=176_400, length=176_400) / 176_400
    inside = slice(100, 22_000)
    difference = low[inside] - high[: low.size][inside]
    assert np.abs(difference / high[: low.size][inside]).max() < 2e-3


@given(st.integers(2, 2_000_000))
def test_good_lengths_have_small_factors(count: int) -> None:
    length = rest = good_length(count)
    for factor in (2, 3, 5):
        while rest % factor == 0:
            rest //= factor
    assert rest == 1
    assert length % 2 == 0
    assert count <= length <= max(2, 1.3 * count + 2)


def test_reach_lies_inside() -> None:
    ends = reach(sweep_shape(20, 20_000, 3.0))
    assert 20.0 < ends.edge_low_hz < ends.low_hz < 30.0
    assert 18_000.0 < ends.high_hz < ends.edge_high_hz < 20_000.0


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((100, 50, 1.0), "a sweep rises"),
        ((0, 50, 1.0), "a sweep rises"),
        ((20, 200, 0.01), "between 0.05 and 600 s"),
    ],
)
def test_no_such_sweep(arguments, sentence: str) -> None:
    with pytest.raises(Refused, match=sentence):
        sweep_shape(*arguments)
    with pytest.raises(Refused, match="fades"):
        sweep_shape(20, 200, 1.0, fade_in_s=0.9, fade_out_s=0.2)
