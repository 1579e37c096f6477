"""Crossover filters: poles, levels at the corner, sums.

Butterworth and Linkwitz-Riley values: scipy.signal 1.17.1, agreed to six digits by Octave 7.3;
alignments after S. P. Lipshitz and J. Vanderkooy, "In-Phase Crossover Network Design", JAES
34(11), 1986. Bessel values: scipy.signal.bessel, norm="mag".
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from tests.dsp.oracle import bessel_roots
from tests.dsp.running import digital_coefficients
from xover.dsp.axis import Axis
from xover.dsp.biquad import section_of
from xover.dsp.crossover import (
    BESSEL_POLES,
    HIGH_PASS,
    LOW_PASS,
    crossover_sections,
    family_poles,
)
from xover.dsp.response import cascade_response, crossover_response
from xover.model.processing import Crossover, EqSection
from xover.model.words import FAMILY_SLOPES

FS = 48_000.0
ALL = [(family, slope) for family, slopes in FAMILY_SLOPES.items() for slope in slopes]
DENSE = Axis.log(sample_rate_hz=FS)


def filter_of(family, slope: int, frequency_hz: float = 1000.0) -> Crossover:  # type: ignore[no-untyped-def]
    return Crossover(family=family, slope_db_per_octave=slope, frequency_hz=frequency_hz)


def sides(item: Crossover, axis: Axis) -> tuple[np.ndarray, np.ndarray]:
    return crossover_response(item, LOW_PASS, axis), crossover_response(item, HIGH_PASS, axis)


def db(response: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.abs(response))


BUTTERWORTH_Q = {
    1: [], 2: [0.70710678], 3: [1.0], 4: [0.54119610, 1.30656296], 5: [0.61803399, 1.61803399],
    6: [0.51763809, 0.70710678, 1.93185165], 7: [0.55495813, 0.80193774, 2.24697960],
    8: [0.50979558, 0.60134489, 0.89997622, 2.56291545],
}  # fmt: skip


@pytest.mark.parametrize("order", range(1, 9))
def test_butterworth_section_q(order: int) -> None:
    poles, power = family_poles("butterworth", 6 * order)
    assert power == 1
    assert sorted(q for _, q in poles if q is not None) == pytest.approx(
        BUTTERWORTH_Q[order], abs=5e-9
    )
    assert sum(q is None for _, q in poles) == order % 2


BESSEL = {
    2: ([0.577350], [1.272020]),
    3: ([0.691047, None], [1.447617, 1.322676]),
    4: ([0.521935, 0.805538], [1.430172, 1.603358]),
    5: ([0.563536, 0.916477, None], [1.556347, 1.755378, 1.502316]),
    6: ([0.510318, 0.611195, 1.023314], [1.603919, 1.689168, 1.904708]),
    7: ([0.532356, 0.660821, 1.126258, None], [1.716356, 1.822417, 2.049491, 1.684368]),
    8: ([0.505991, 0.559609, 0.710852, 1.225669], [1.778466, 1.832093, 1.953196, 2.188726]),
}


@pytest.mark.parametrize("order", range(2, 9))
def test_bessel_table(order: int) -> None:
    """Six digits from scipy.signal.bessel(norm="mag"); all digits from the polynomial (mpmath)."""
    poles = BESSEL_POLES[order]
    q_values, factors = BESSEL[order]
    assert [q for _, q in poles] == [
        None if q is None else pytest.approx(q, abs=6e-7) for q in q_values
    ]
    assert [factor for factor, _ in poles] == pytest.approx(factors, abs=6e-7)
    upper = [root for root in bessel_roots(order) if root.imag > -1e-30]
    computed = sorted(
        (float(abs(r)), None if abs(r.imag) < 1e-30 else float(abs(r) / (-2 * r.real)))
        for r in upper
    )
    assert [f for f, _ in computed] == pytest.approx(sorted(f for f, _ in poles), rel=1e-15)
    assert {round(q, 14) for _, q in computed if q} == {round(q, 14) for _, q in poles if q}


@pytest.mark.parametrize(("family", "slope"), ALL)
def test_level_at_the_corner(family, slope: int) -> None:  # type: ignore[no-untyped-def]
    """−3.01 dB for Butterworth and Bessel, −6.02 dB for Linkwitz-Riley, by definition."""
    expected = -20 * math.log10(2) if family == "linkwitz-riley" else -10 * math.log10(2)
    for frequency_hz in (25.0, 1000.0, 17_000.0):
        axis = Axis(np.array([frequency_hz]), FS)
        for response in sides(filter_of(family, slope, frequency_hz), axis):
            assert db(response) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("family", "slope"), ALL)
def test_against_scipy_designers(family, slope: int) -> None:  # type: ignore[no-untyped-def]
    """scipy.signal.butter and bessel(norm="mag") as second-order sections, freqz_sos."""
    order = slope // 6
    item = filter_of(family, slope)
    for side, name in ((LOW_PASS, "lowpass"), (HIGH_PASS, "highpass")):
        if family == "bessel":
            sos = signal.bessel(order, 1000.0, name, norm="mag", fs=FS, output="sos")
        elif family == "linkwitz-riley":
            sos = np.tile(signal.butter(order // 2, 1000.0, name, fs=FS, output="sos"), (2, 1))
        else:
            sos = signal.butter(order, 1000.0, name, fs=FS, output="sos")
        _, expected = signal.freqz_sos(sos, DENSE.frequency_hz, fs=FS)
        got = crossover_response(item, side, DENSE)
        audible = np.abs(expected) > 1e-6
        assert np.abs(got / expected - 1.0)[audible].max() < 1e-6  # what freqz_sos itself keeps
        assert cascade_response(crossover_sections(item, side), DENSE) == pytest.approx(got)


@pytest.mark.parametrize(
    ("slope", "sign", "level_2fc_db"),
    [(12, -1, -13.9794), (24, 1, -24.6090), (36, -1, -36.2583), (48, 1, -48.1987)],
)
def test_linkwitz_riley_sums_flat(slope: int, sign: int, level_2fc_db: float) -> None:
    """Order 4k with normal polarity, 4k + 2 with one side inverted; the other way a null at fc."""
    low, high = sides(filter_of("linkwitz-riley", slope), DENSE)
    assert np.abs(db(low + sign * high)).max() < 1e-9
    low, high = sides(filter_of("linkwitz-riley", slope), Axis(np.array([1000.0]), FS))
    assert abs(low - sign * high) < 1e-12
    # The analogue low-pass an octave up; a high sample rate stands for analogue.
    analogue = Axis(np.array([200.0]), 384_000.0)
    low, _ = sides(filter_of("linkwitz-riley", slope, 100.0), analogue)
    assert db(low) == pytest.approx(level_2fc_db, abs=1e-4)


def test_digital_linkwitz_riley_levels() -> None:
    """LR4 at 1 kHz, 48 kHz: scipy, agreed by ffmpeg acrossover and pyfar crossover."""
    axis = Axis(np.array([500.0, 1000.0, 2000.0, 8000.0]), FS)
    low, high = sides(filter_of("linkwitz-riley", 24), axis)
    assert db(low) == pytest.approx([-0.52439, -6.02060, -24.74983, -75.59424], abs=6e-6)
    assert db(high) == pytest.approx([-24.64405, -6.02060, -0.51785, -0.00144], abs=6e-6)


@pytest.mark.parametrize("order", range(1, 9))
def test_butterworth_is_power_complementary(order: int) -> None:
    """|LP|² + |HP|² = 1 for every order; and for odd orders LP ± HP is an all-pass."""
    low, high = sides(filter_of("butterworth", 6 * order), DENSE)
    assert np.abs(low) ** 2 + np.abs(high) ** 2 == pytest.approx(1.0, abs=1e-12)
    if order % 2:
        assert np.abs(low + high) == pytest.approx(1.0, abs=1e-12)
        assert np.abs(low - high) == pytest.approx(1.0, abs=1e-12)


def test_three_way_needs_the_other_all_pass() -> None:
    """LR4 500/1000 Hz in tree form: −3.568 dB near 610 Hz without, flat with the all-pass.

    Analogue figures computed with scipy; the sample rate here is high enough to stand for it.
    """
    axis = Axis(np.linspace(400.0, 900.0, 501), 384_000.0)
    low_1, high_1 = sides(filter_of("linkwitz-riley", 24, 500.0), axis)
    low_2, high_2 = sides(filter_of("linkwitz-riley", 24, 1000.0), axis)
    bare_db = db(low_1 + high_1 * low_2 + high_1 * high_2)
    assert bare_db.min() == pytest.approx(-3.568, abs=1e-3)
    assert axis.frequency_hz[bare_db.argmin()] == pytest.approx(610.0, abs=1.0)
    all_pass = cascade_response(
        [section_of(EqSection(kind="all_pass", frequency_hz=1000.0, q=math.sqrt(0.5)))], axis
    )
    whole_db = db(low_1 * all_pass + high_1 * low_2 + high_1 * high_2)
    assert np.abs(whole_db).max() < 1e-9


def test_sections_run_as_digital_filters() -> None:
    """The same filter as coefficients through scipy.signal.freqz_sos."""
    item = filter_of("bessel", 42, 800.0)
    rows = [
        [*c[:3], 1.0, *c[3:]]
        for c in (
            digital_coefficients(s, sample_rate_hz=FS) for s in crossover_sections(item, HIGH_PASS)
        )
    ]
    axis = Axis(np.geomspace(200.0, 20_000.0, 50), FS)
    _, expected = signal.freqz_sos(rows, axis.frequency_hz, fs=FS)
    assert np.abs(crossover_response(item, HIGH_PASS, axis) - expected).max() < 1e-9


def test_a_slope_the_family_does_not_have() -> None:
    with pytest.raises(ValueError, match="linkwitz-riley has no slope of 18 dB"):
        crossover_response(filter_of("linkwitz-riley", 18), LOW_PASS, DENSE)
