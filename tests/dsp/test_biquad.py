"""Sections: coefficients, levels and identities.

Coefficients and responses: Audio EQ Cookbook (R. Bristow-Johnson; W3C Note, 8 June 2021),
computed from its formulas with numpy at fs = 48 kHz, a0 = 1, and confirmed to 1e-4 dB by two
command-line audio processors. S = 1 is Q = 1/√2; 1 octave is 1/Q = 2·sinh(ln2/2·N·w0/sin w0).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from tests.dsp.running import digital_coefficients
from xover.dsp.axis import Axis
from xover.dsp.biquad import (
    section_group_delay_s,
    section_of,
    section_response,
)
from xover.model.processing import EqSection
from xover.model.words import EQ_SHAPES

FS = 48_000.0


def eq(kind, frequency_hz, gain_db=None, q=None, order=None):  # type: ignore[no-untyped-def]
    fields = {"gain_db": gain_db, "q": q, "order": order}
    given_fields = {name: value for name, value in fields.items() if value is not None}
    return EqSection(kind=kind, frequency_hz=float(frequency_hz), **given_fields)


def level_db(item: EqSection, *frequency_hz: float) -> np.ndarray:
    response = section_response(section_of(item), Axis(np.array(frequency_hz), FS))
    return 20.0 * np.log10(np.abs(response))


def q_of_slope(slope: float, gain_db: float) -> float:
    """1/Q = √((A + 1/A)(1/S − 1) + 2), Audio EQ Cookbook."""
    a = 10.0 ** (gain_db / 40.0)
    return 1.0 / math.sqrt((a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0)


def q_of_octaves(octaves: float, frequency_hz: float) -> float:
    w0 = 2.0 * math.pi * frequency_hz / FS
    return 0.5 / math.sinh(0.5 * math.log(2.0) * octaves * w0 / math.sin(w0))


BUTTER = math.sqrt(0.5)
COEFFICIENTS = [
    (eq("peak", 1000, 6.0, math.sqrt(2.0)),
     1.031486802693, -1.920157660532, 0.905239822599, -1.920157660532, 0.936726625293),
    (eq("peak", 1000, 6.0, 2.0),
     1.022472768220, -1.938116580557, 0.932367743911, -1.938116580557, 0.954840512131),
    (eq("peak", 1000, -6.0, 2.0),
     0.978021157220, -1.895519020943, 0.933854222634, -1.895519020943, 0.911875379854),
    (eq("peak", 16000, 6.0, q_of_octaves(1.0, 16000.0)),
     1.363825131961, 0.634442973988, -0.094939183985, 0.634442973988, 0.268885947977),
    (eq("peak", 63, -9.0, 4.318),
     0.998967354377, -1.996731025691, 0.997831569823, -1.996731025691, 0.996798924200),
    (eq("low_shelf", 100, 6.0, BUTTER),
     1.003217895737, -1.984364430777, 0.981386698749, -1.984424329139, 0.984544696124),
    (eq("low_shelf", 100, -6.0, 0.5),
     0.995496467682, -1.969184251638, 0.973807226542, -1.969124813286, 0.969363132575),
    (eq("high_shelf", 8000, -4.0, BUTTER),
     0.739665724473, -0.367563410894, 0.159448628069, -0.737999011332, 0.269549952980),
    (eq("high_shelf", 8000, 6.0, q_of_slope(0.5, 6.0)),
     1.548194136502, -1.064638846722, 0.174113781303, -0.369556534048, 0.027225605131),
    (eq("low_pass", 100, q=BUTTER),
     0.000042443368, 0.000084886736, 0.000042443368, -1.981488509145, 0.981658282617),
    (eq("high_pass", 1000, q=BUTTER),
     0.911586668013, -1.823173336026, 0.911586668013, -1.815341082705, 0.831005589347),
    (eq("high_pass", 40, q=1.0),
     0.997382018037, -1.994764036075, 0.997382018037, -1.994750364115, 0.994777708035),
    (eq("notch", 1000, q=10.0),
     0.993516006935, -1.970032679537, 0.993516006935, -1.970032679537, 0.987032013871),
    (eq("all_pass", 80, q=BUTTER),
     0.985299513128, -1.985190657896, 1.0, -1.985190657896, 0.985299513128),
    (eq("band_pass", 1000, q=q_of_octaves(1.0, 1000.0)),
     0.044237741488, 0.0, -0.044237741488, -1.895171159794, 0.911524517024),
]  # fmt: skip


@pytest.mark.parametrize(
    "row", COEFFICIENTS, ids=lambda row: f"{row[0].kind}-{row[0].frequency_hz:g}"
)
def test_coefficients_of_the_cookbook(row) -> None:  # type: ignore[no-untyped-def]
    item, *expected = row
    got = digital_coefficients(section_of(item), sample_rate_hz=FS)
    assert got == pytest.approx(expected, abs=1e-12 * 5)  # half a unit of the last printed digit


@pytest.mark.parametrize(
    ("item", "levels"),
    [
        (eq("peak", 1000, 6.0, 2.0),
         {500: 0.63228, 707.107: 2.02843, 1000: 6.0, 1414.21: 2.02287, 2000: 0.62632}),
        (eq("low_shelf", 100, 6.0, BUTTER),
         {20: 5.98964, 50: 5.62359, 50 * math.sqrt(2): 4.75522, 100: 3.0,
          100 * math.sqrt(2): 1.24476, 200: 0.37637}),
        (eq("high_shelf", 8000, -4.0, BUTTER),
         {4000: -0.18283, 5656.9: -0.69153, 8000: -2.0, 11313.7: -3.43847, 16000: -3.94954}),
        (eq("high_pass", 40, q=1.0), {20: -11.13947, 40: 0.0, 56.57: 1.24939}),
    ],
)  # fmt: skip
def test_levels_of_the_cookbook(item: EqSection, levels: dict[float, float]) -> None:
    assert level_db(item, *levels) == pytest.approx(list(levels.values()), abs=1e-4)


def test_phase_of_the_all_pass() -> None:
    """Audio EQ Cookbook all-pass, 80 Hz, Q 1/√2, at 48 kHz; phase from its closed form."""
    item = section_of(eq("all_pass", 80, q=BUTTER))
    response = section_response(item, Axis(np.array([40.0, 80.0, 160.0]), FS))
    assert np.abs(response) == pytest.approx(1.0, abs=1e-14)
    phase = np.degrees(np.angle(response))
    assert phase[[0, 2]] == pytest.approx([-86.627, 86.625], abs=5e-4)
    assert abs(phase[1]) == pytest.approx(180.0, abs=1e-9)


@pytest.mark.parametrize(
    ("octaves", "q"),
    [(2, 0.666667), (1.5, 0.919803), (4 / 3, 1.044451), (1, 1.414214), (2 / 3, 2.144908),
     (0.5, 2.871), (1 / 3, 4.318473), (1 / 6, 8.651359)],
)  # fmt: skip
def test_bandwidth_lies_between_half_gain_points(octaves: float, q: float) -> None:
    """1/Q = 2·sinh(ln2/2·N) (Audio EQ Cookbook): far below fs the half-gain points are N apart."""
    edges = [100.0 * 2.0 ** (octaves / 2.0), 100.0 * 2.0 ** (-octaves / 2.0)]
    response = section_response(
        section_of(eq("peak", 100, 8.0, q)), Axis(np.sort(edges), 384_000.0)
    )
    assert 20.0 * np.log10(np.abs(response)) == pytest.approx(4.0, abs=2e-4)


def test_second_order_low_pass_is_the_butterworth_of_scipy() -> None:
    got = digital_coefficients(section_of(eq("low_pass", 100, q=BUTTER)), sample_rate_hz=FS)
    b, a = signal.butter(2, 100.0, fs=FS)
    assert got == pytest.approx([*b, *a[1:]], abs=1e-12)


def test_first_order_sections_are_those_of_scipy_bilinear() -> None:
    """scipy.signal.bilinear of the analogue forms, prewarped by hand: s → s/ω₀, 2·fs = 1."""
    a = 10.0 ** (5.0 / 40.0)
    k = math.tan(math.pi * 300.0 / FS)
    for item, above, below in (
        (eq("low_shelf", 300, 5.0, order=1), [1.0, a], [1.0, 1.0 / a]),
        (eq("high_shelf", 300, 5.0, order=1), [a * a, a], [1.0, a]),
        (eq("all_pass", 300, order=1), [-1.0, 1.0], [1.0, 1.0]),
    ):
        b, d = signal.bilinear([above[0] / k, above[1]], [below[0] / k, below[1]], fs=0.5)
        got = digital_coefficients(section_of(item), sample_rate_hz=FS)
        assert got == pytest.approx([*b, 0.0, d[1], 0.0], abs=1e-12)


frequency = st.floats(20.0, 20_000.0)
gain = st.floats(-24.0, 24.0)
q_values = st.floats(0.1, 50.0)
DENSE = Axis.log(24, sample_rate_hz=FS)


@given(frequency, gain, q_values)
def test_boost_and_cut_cancel(f: float, g: float, q: float) -> None:
    """From H(s): N and D change places. A stated property, no tolerance but rounding."""
    boost = section_response(section_of(eq("peak", f, g, q)), DENSE)
    cut = section_response(section_of(eq("peak", f, -g, q)), DENSE)
    assert np.abs(boost * cut - 1.0).max() < 1e-11


@given(frequency, gain, q_values, st.sampled_from(["low_shelf", "high_shelf"]))
def test_levels_at_the_frequency(f: float, g: float, q: float, shelf) -> None:  # type: ignore[no-untyped-def]
    """Audio EQ Cookbook: the gain at a peak's centre, half of it at a shelf's, 20·log10 Q at the
    corner of a second-order low-pass or high-pass, 0 dB at the centre of a band-pass.
    """
    assert level_db(eq("peak", f, g, q), f) == pytest.approx(g, abs=1e-8)
    assert level_db(eq(shelf, f, g, q), f) == pytest.approx(g / 2.0, abs=1e-8)
    assert level_db(eq(shelf, f, g, order=1), f) == pytest.approx(g / 2.0, abs=1e-8)
    corner_db = 20.0 * math.log10(q)
    assert level_db(eq("low_pass", f, q=q), f) == pytest.approx(corner_db, abs=1e-8)
    assert level_db(eq("high_pass", f, q=q), f) == pytest.approx(corner_db, abs=1e-8)
    assert level_db(eq("band_pass", f, q=q), f) == pytest.approx(0.0, abs=1e-8)


def test_shelves_reach_their_gain() -> None:
    """Audio EQ Cookbook: a low shelf has its gain at DC and none at half the sample rate."""
    for order, q in ((1, None), (2, BUTTER)):
        assert level_db(eq("low_shelf", 5000, 6.0, q, order), 0.01, 23_999.0) == pytest.approx(
            [6.0, 0.0], abs=1e-4
        )
        assert level_db(eq("high_shelf", 5000, 6.0, q, order), 0.01, 23_999.0) == pytest.approx(
            [0.0, 6.0], abs=1e-4
        )


def test_a_notch_is_silent_at_its_frequency_and_exact_beside_it() -> None:
    axis = Axis(np.array([1000.0 * (1 - 1e-9), 1000.0, 1000.0 * (1 + 1e-9)]), FS)
    below, at, above = section_response(section_of(eq("notch", 1000, q=10.0)), axis)
    assert at == 0.0
    # |H| ≈ Q·|f/f₀ − f₀/f|, stretched by the bilinear map: (w0/sin w0); from H(s).
    w0 = 2.0 * math.pi * 1000.0 / FS
    assert abs(above) == pytest.approx(10.0 * 2e-9 * w0 / math.sin(w0), rel=1e-6)
    assert abs(below) == pytest.approx(abs(above), rel=1e-6)


@pytest.mark.parametrize("kind", list(EQ_SHAPES))
def test_group_delay_against_scipy(kind) -> None:  # type: ignore[no-untyped-def]
    """scipy.signal.group_delay of well-conditioned sections, in samples."""
    for order in EQ_SHAPES[kind].orders:
        item = eq(
            kind,
            3000,
            6.0 if EQ_SHAPES[kind].has_gain else None,
            1.5 if order == 2 else None,
            order if EQ_SHAPES[kind].has_order else None,
        )
        c = digital_coefficients(section_of(item), sample_rate_hz=FS)
        f = np.array([50.0, 700.0, 2900.0, 8000.0, 19_000.0])
        _, expected = signal.group_delay(([c.b0, c.b1, c.b2], [1.0, c.a1, c.a2]), w=f, fs=FS)
        got = section_group_delay_s(section_of(item), Axis(f, FS)) * FS
        assert got == pytest.approx(expected, abs=1e-9)


def test_what_no_digital_filter_can_do_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and half the sample rate"):
        section_response(section_of(eq("peak", 24_000, 3.0, 1.0)), DENSE)


def test_axis() -> None:
    """20·2^(k/N), ending at 20 kHz and below 0.49 of the sample rate (as the format says)."""
    axis = Axis.log(sample_rate_hz=FS)
    assert axis.frequency_hz == pytest.approx(20.0 * 2.0 ** (np.arange(479) / 48.0), rel=1e-14)
    assert len(axis) == 479
    slow = Axis.log(12, sample_rate_hz=8000.0)
    assert slow.frequency_hz[-1] < 3920.0 <= slow.frequency_hz[-1] * 2.0 ** (1 / 12)
    assert Axis.log(1, sample_rate_hz=96_000.0, low_hz=100, high_hz=800).frequency_hz.tolist() == [
        100.0, 200.0, 400.0, 800.0,
    ]  # fmt: skip
    with pytest.raises(ValueError, match="below half the sample rate"):
        Axis(np.array([100.0, 24_000.0]), FS)
    with pytest.raises(ValueError, match="ascend"):
        Axis(np.array([100.0, 100.0]), FS)
    with pytest.raises(ValueError, match="above 0 Hz"):
        Axis(np.array([0.0, 100.0]), FS)
    with pytest.raises(ValueError, match="at least one frequency"):
        Axis(np.array([]), FS)
    with pytest.raises(ValueError, match="read-only"):
        axis.frequency_hz[0] = 1.0
