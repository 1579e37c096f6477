"""Conventions of devices: published tables, other libraries, there and back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from xover.dsp import conventions as c
from xover.dsp.axis import Axis
from xover.dsp.biquad import section_of, section_response
from xover.model.processing import EqSection
from xover.model.profile import GAIN_DEPENDENT

# Computed from H(s) = (s² + g·s/Qp + 1)/(s² + s/Qp + 1) with the width between the edges at the
# defining level, Qp = (1/x)·√((g² − G_B²)/(G_B² − 1)) (S. J. Orfanidis, JAES 45(6), 1997, form):
# the preset's Q for a quoted Q of 2, boost / cut.
TABLE = {
    3.0: {"denominator": 1.6828, "constant-q": (1.6828, 2.3770)},
    6.0: {
        "denominator": 1.4159,
        "constant-q": (1.4159, 2.8251),
        "minus-3-db": 2.0072,
        "from-flat-3-db": 1.9929,
    },
    9.0: {
        "denominator": 1.1913,
        "constant-q": (1.1913, 3.3576),
        "minus-3-db": 1.3773,
        "from-flat-3-db": 2.9043,
    },
    12.0: {
        "denominator": 1.0024,
        "constant-q": (1.0024, 3.9905),
        "minus-3-db": 1.0723,
        "from-flat-3-db": 3.7303,
    },
}
UNITS = ("q", "bandwidth_octaves")
CONVENTIONS = ("half-gain", "denominator", "constant-q", *GAIN_DEPENDENT)


@pytest.mark.parametrize("gain_db", TABLE)
def test_table_of_conventions(gain_db):
    for name, expected in TABLE[gain_db].items():
        boost, cut = expected if isinstance(expected, tuple) else (expected, expected)
        for sign, value in ((1.0, boost), (-1.0, cut)):
            found = c.q_from_width(2.0, sign * gain_db, unit="q", convention=name)
            assert found == pytest.approx(value, abs=5e-5)


def edges(gain_db: float, q: float, level_db: float) -> float:
    """The width in octaves of a peak at one level, found on its own response."""
    axis = Axis.log(20_000, sample_rate_hz=48e6, low_hz=250.0, high_hz=4000.0)
    item = EqSection(kind="peak", frequency_hz=1000.0, gain_db=gain_db, q=q)
    level = 20.0 * np.log10(np.abs(section_response(section_of(item), axis)))
    inside = axis.frequency_hz[np.abs(level) >= abs(level_db)]
    return math.log2(inside[-1] / inside[0])


@pytest.mark.parametrize("gain_db", [12.0, -12.0, 8.0])
@pytest.mark.parametrize(
    ("convention", "below_peak_db"), [("half-gain", None), ("minus-3-db", 3.0103)]
)
def test_the_bandwidth_is_where_the_convention_says(gain_db, convention, below_peak_db):
    # The definition itself, read off the response (analogue).
    q = c.q_from_width(1.0, gain_db, unit="bandwidth_octaves", convention=convention)
    size = abs(gain_db)
    level = size / 2.0 if below_peak_db is None else size - below_peak_db
    assert edges(gain_db, q, level) == pytest.approx(1.0, abs=3e-4)


def test_from_flat_is_3_db_above_flat():
    q = c.q_from_width(1.0, 12.0, unit="bandwidth_octaves", convention="from-flat-3-db")
    assert edges(12.0, q, 3.0103) == pytest.approx(1.0, abs=3e-4)


@given(
    st.floats(0.1, 50.0),
    st.floats(-18.0, 18.0),
    st.sampled_from(UNITS),
    st.sampled_from(CONVENTIONS),
)
def test_there_and_back(q, gain_db, unit, convention):
    if convention in GAIN_DEPENDENT and abs(gain_db) < 6.0:
        gain_db = math.copysign(6.0, gain_db) + gain_db
    width = c.width_from_q(q, gain_db, unit=unit, convention=convention)
    assert c.q_from_width(width, gain_db, unit=unit, convention=convention) == pytest.approx(q)


def test_octaves_of_q():
    # Handbook pairs: Q 1.414 is one octave, 4.318 one third, 0.667 two octaves (RBJ's formula).
    assert c.octaves_from_q(math.sqrt(2.0)) == pytest.approx(1.0, abs=1e-3)
    assert c.octaves_from_q(4.318) == pytest.approx(1.0 / 3.0, abs=1e-4)
    assert c.octaves_from_q(2.0 / 3.0) == pytest.approx(2.0, abs=1e-9)


@given(st.floats(0.2, 3.0), st.floats(-15.0, 15.0))
def test_shelf_slope_there_and_back(q, gain_db):
    slope = c.slope_from_q(q, gain_db)
    if slope > 0.0:
        assert c.q_from_slope(slope, gain_db) == pytest.approx(q)
    assert c.q_from_slope(1.0, gain_db) == pytest.approx(c.BUTTERWORTH_Q)


@pytest.mark.parametrize("is_high", [False, True])
@pytest.mark.parametrize("gain_db", [12.0, -12.0, 18.0])
def test_shelf_corners(is_high, gain_db):
    # +12 dB: factors 1.412538 and 0.707946, a high shelf the reciprocals (pyfar's shelf types).
    up = c.shelf_corner_factor("3-db-from-plateau", gain_db, is_high=is_high)
    down = c.shelf_corner_factor("3-db-from-flat", gain_db, is_high=is_high)
    assert up * down == pytest.approx(1.0)
    if abs(gain_db) == 12.0:
        assert up == pytest.approx(0.707946 if is_high else 1.412538, abs=1e-6)
    # 18 dB is enough for the level there to be near 3 dB from flat.
    kind = "high_shelf" if is_high else "low_shelf"
    item = EqSection(kind=kind, frequency_hz=1000.0 * down, gain_db=gain_db, q=c.BUTTERWORTH_Q)
    at = section_response(section_of(item), Axis(np.array([1000.0]), 48e6))
    assert abs(20.0 * np.log10(abs(at[0]))) == pytest.approx(3.01, abs=0.3)


@pytest.mark.parametrize("slope", [12, 18, 24, 30, 36, 42, 48])
def test_bessel_frequencies(slope):
    # scipy.signal.bessel: norm "mag", "phase" and "delay".
    order = slope // 6
    for normalisation in ("phase", "delay"):
        b, a = signal.bessel(order, 1.0, analog=True, norm=normalisation)
        w, h = signal.freqs(b, a, np.geomspace(0.5, 5.0, 200_001))
        corner = w[np.argmin(np.abs(np.abs(h) - math.sqrt(0.5)))]
        assert c.bessel_factor(normalisation, slope, "low_pass") == pytest.approx(corner, rel=2e-5)
        inverse = c.bessel_factor(normalisation, slope, "high_pass")
        assert inverse == pytest.approx(1.0 / corner, rel=2e-5)


@given(st.floats(0.2, 30.0), st.floats(20.0, 20_000.0))
def test_width_corrected_there_and_back(q, frequency_hz):
    typed = c.typed_q(q, frequency_hz, 48_000.0)
    assert c.running_q(typed, frequency_hz, 48_000.0) == pytest.approx(q, rel=1e-9)


def test_width_corrected_bandwidth():
    # One octave at 12 kHz and 48 kHz between the half-gain points, measured on the running filter.
    q = c.running_q(math.sqrt(2.0), 12_000.0, 48_000.0)
    axis = Axis.log(20_000, sample_rate_hz=48_000.0, low_hz=5_000.0, high_hz=23_000.0)
    item = EqSection(kind="peak", frequency_hz=12_000.0, gain_db=2.0, q=q)
    level = 20.0 * np.log10(np.abs(section_response(section_of(item), axis)))
    inside = axis.frequency_hz[level >= 1.0]
    assert math.log2(inside[-1] / inside[0]) == pytest.approx(1.0, abs=0.06)
