"""Power smoothing: constants, exact integrals, a published figure, deep stopbands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from tests.dsp.oracle import eq_response
from xover.dsp.axis import Axis
from xover.dsp.biquad import section_of, section_response
from xover.dsp.smoothing import power_smooth
from xover.model.processing import EqSection

FRACTIONS = [1, 2, 3, 6, 12, 24, 48]


def axes() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(3)
    return {
        "log": 20.0 * 2.0 ** (np.arange(480) / 48.0),
        "linear": np.arange(1.0, 3000.0) * 7.3,
        "uneven": np.sort(rng.uniform(20.0, 20_000.0, 700)),
        "sparse": np.array([25.0, 31.5, 40.0, 100.0, 101.0, 8000.0]),
        "two": np.array([100.0, 110.0]),
        "one": np.array([1000.0]),
    }


@pytest.mark.parametrize("fraction", FRACTIONS)
@pytest.mark.parametrize("name", list(axes()))
def test_constants_stay_constant(name: str, fraction: int) -> None:
    f = axes()[name]
    assert power_smooth(f, np.full(f.size, 3.3), fraction=fraction) == pytest.approx(3.3, rel=1e-12)


@given(
    st.integers(0, 1000), st.sampled_from(FRACTIONS), st.sampled_from(["log", "uneven", "sparse"])
)
def test_against_scipy_quadrature(seed: int, fraction: int, name: str) -> None:
    """scipy.integrate.trapezoid of the piecewise linear power between the exact band edges.

    Edges f·2^(±1/2n) (IEC 61260-1 form), cut at the ends of the axis.
    """
    f = axes()[name]
    power = np.random.default_rng(seed).uniform(0.0, 1.0, f.size)
    got = power_smooth(f, power, fraction=fraction)
    x = np.log2(f)
    for index in np.random.default_rng(seed).integers(0, f.size, 5):
        low = max(x[index] - 0.5 / fraction, x[0])
        high = min(x[index] + 0.5 / fraction, x[-1])
        nodes = np.concatenate([[low], x[(x > low) & (x < high)], [high]])
        mean = integrate.trapezoid(np.interp(nodes, x, power), nodes) / (high - low)
        assert got[index] == pytest.approx(mean, rel=1e-11)


def test_a_linear_slope_keeps_its_middle() -> None:
    f = axes()["log"]
    power = 5.0 + np.log2(f)
    inner = slice(30, -30)
    assert power_smooth(f, power, fraction=1)[inner] == pytest.approx(power[inner], rel=1e-12)


def test_a_stopband_keeps_its_digits() -> None:
    """24th order in power over 1/6 octave, far below the passband: closed-form mean of f^−24."""
    f = 20.0 * 2.0 ** (np.arange(480 * 4) / 192.0)
    power = np.minimum(1.0, (100.0 / f) ** 24)
    got = power_smooth(f, power, fraction=6)
    half = np.log(2.0) / 12.0
    ratio = np.sinh(24.0 * half) / (24.0 * half)
    deep = (f > 5_000.0) & (f < 15_000.0)
    assert got[deep] / power[deep] == pytest.approx(ratio, rel=1e-3)


@pytest.mark.parametrize(
    ("fraction", "level_db"), [(3, 7.2865), (6, 9.3061), (12, 10.7745), (24, 11.5949)]
)
def test_a_sharp_bell(fraction: int, level_db: float) -> None:
    """+12 dB, 1 kHz, pole Q 20, at 48 kHz, value at 1 kHz: the integral itself, and a mean of bins.

    Exact: scipy.integrate.quad over log frequency of the 40-digit response. Figures: numpy's plain
    mean of the power of whole 2.9 Hz bins of a pyfar bell (type II), hence only 0.04 dB.
    """
    bell = EqSection(kind="peak", frequency_hz=1000.0, gain_db=12.0, q=20.0 / 10.0 ** (12.0 / 40.0))

    def smoothed(f: np.ndarray) -> float:
        power = np.abs(section_response(section_of(bell), Axis(f, 48_000.0))) ** 2
        return float(power_smooth(f, power, fraction=fraction, at_hz=np.array([1000.0]))[0])

    half = 0.5 / fraction
    exact, _ = integrate.quad(
        lambda x: abs(complex(eq_response(bell, 1000.0 * 2.0**x, 48_000.0))) ** 2, -half, half
    )
    assert smoothed(np.arange(600.0, 1600.0, 0.1)) == pytest.approx(exact / (2.0 * half), rel=1e-5)
    bins = np.arange(1, 8192) * 48_000.0 / 16_384.0
    assert 10.0 * np.log10(smoothed(bins)) == pytest.approx(level_db, abs=0.04)


def test_other_frequencies_than_the_data() -> None:
    f = axes()["uneven"]
    power = np.random.default_rng(1).uniform(0.0, 1.0, f.size)
    own = power_smooth(f, power, fraction=3)
    assert power_smooth(f, power, fraction=3, at_hz=f[100:200]) == pytest.approx(own[100:200])


@pytest.mark.parametrize("shape", ["rising", "falling", "notch", "signed"])
def test_what_is_small_beside_its_neighbours_keeps_its_digits(shape: str) -> None:
    """scipy.integrate.trapezoid band by band, over 16 decades of power."""
    f = np.arange(1.0, 20_001.0)
    x = np.log2(f / 500.0)
    power = {
        "rising": 10.0 ** (np.minimum(0.0, 3.0 * x)),
        "falling": 10.0 ** (np.minimum(0.0, -3.0 * x)),
        "notch": np.maximum(1e-16, np.minimum(1.0, np.abs(x) ** 16)),
        "signed": np.cos(40.0 * x),
    }[shape]
    at_hz = np.geomspace(3.0, 15_000.0, 60)
    got = power_smooth(f, power, fraction=12, at_hz=at_hz)
    axis = np.log2(f)
    for value, middle in zip(got, np.log2(at_hz), strict=True):
        low, high = middle - 1.0 / 24.0, middle + 1.0 / 24.0
        nodes = np.concatenate([[low], axis[(axis > low) & (axis < high)], [high]])
        mean = integrate.trapezoid(np.interp(nodes, axis, power), nodes) / (high - low)
        assert value == pytest.approx(mean, rel=1e-9, abs=1e-13 if shape == "signed" else 0.0)
