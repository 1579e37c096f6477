"""Minimum phase from magnitude, against the true phase of filters (scipy.signal, analogue zpk)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from xover.dsp.axis import Axis
from xover.dsp.biquad import section_of, section_response
from xover.dsp.minimum_phase import minimum_phase
from xover.model.processing import EqSection

F = 20.0 * 2.0 ** (np.arange(479) / 48.0)


def cascade(*filters: tuple[int, float, str, int], f: np.ndarray = F) -> np.ndarray:
    """Analogue Butterworth filters (order, corner, type, power) multiplied; scipy.signal.butter."""
    response = np.ones(f.size, dtype=complex)
    for order, corner_hz, kind, power in filters:
        b, a = signal.butter(order, corner_hz, kind, analog=True)
        response *= signal.freqs(b, a, f)[1] ** power
    return response


def worst_deg(response: np.ndarray, f: np.ndarray = F) -> float:
    """The largest error in degrees anywhere in the data, whole turns aside."""
    got = minimum_phase(f, 20.0 * np.log10(np.abs(response)))
    error = got - np.degrees(np.angle(response))
    return float(np.abs((error + 180.0) % 360.0 - 180.0).max())


@pytest.mark.parametrize(
    ("order", "power"),
    [(1, 1), (2, 1), (3, 1), (4, 1), (6, 1), (8, 1), (1, 2), (2, 2), (3, 2), (4, 2)],
)
@pytest.mark.parametrize(
    "corners_hz", [(80.0, 2000.0), (40.0, 12_000.0), (100.0, 100.0), (25.0, 18_000.0)]
)
def test_butterworth_and_linkwitz_riley(
    order: int, power: int, corners_hz: tuple[float, float]
) -> None:
    """Corners well inside and close to the ends of the data; the order is not told."""
    low_hz, high_hz = corners_hz
    response = cascade((order, low_hz, "high", power), (order, high_hz, "low", power))
    assert worst_deg(response) <= 0.05


def test_cascades_of_several_filters() -> None:
    box_and_crossover = cascade((2, 60, "high", 1), (2, 90, "high", 2), (2, 2500, "low", 2))
    assert worst_deg(box_and_crossover) <= 0.05
    sub = cascade((4, 50, "high", 1), (4, 80, "high", 2), (4, 120, "low", 2), (2, 150, "low", 1))
    assert worst_deg(sub) <= 0.15  # below 30 Hz


@pytest.mark.parametrize(
    "filters",
    [
        ((3, 37, "high", 2), (4, 65, "high", 1), (1, 11_302, "low", 1), (2, 14_790, "low", 1)),
        ((4, 26, "high", 1), (2, 120, "high", 2), (4, 900, "low", 2), (2, 15_000, "low", 1)),
        ((8, 133, "high", 1), (7, 16_476, "low", 1), (2, 17_653, "low", 1)),
    ],
)
def test_two_filters_at_an_end_whose_orders_are_not_told(filters) -> None:
    """A box's own slope beside its crossover; from 30 Hz to 18 kHz, phase from scipy.signal."""
    response = cascade(*filters)
    got = minimum_phase(F, 20.0 * np.log10(np.abs(response)))
    error = (got - np.degrees(np.angle(response)) + 180.0) % 360.0 - 180.0
    assert np.abs(error[(F >= 30.0) & (F <= 18_000.0)]).max() <= 0.05


def test_figures_rounded_to_hundredths_of_a_decibel() -> None:
    response = cascade((4, 45, "high", 1), (2, 15_000, "low", 1))
    got = minimum_phase(F, np.round(20.0 * np.log10(np.abs(response)), 2))
    error = (got - np.degrees(np.angle(response)) + 180.0) % 360.0 - 180.0
    assert np.abs(error[(F >= 30.0) & (F <= 18_000.0)]).max() <= 0.1


def test_a_linear_axis_does_as_well() -> None:
    f = np.arange(20.0, 20_000.0, 2.5)
    response = cascade((4, 100, "high", 2), (4, 3_000, "low", 2), f=f)
    assert worst_deg(response, f) <= 0.05


def test_digital_filter_with_its_sample_rate() -> None:
    """Second-order low-pass, 1 kHz, Q 1/√2, 48 kHz (Cookbook); its true phase from scipy.signal.

    −8.146, −43.286, −90, −136.897, −173.062° at 100 Hz, 500 Hz, 1, 2 and 10 kHz.
    """
    item = section_of(EqSection(kind="low_pass", frequency_hz=1000.0, q=float(np.sqrt(0.5))))
    response = section_response(item, Axis(F, 48_000.0))
    got = minimum_phase(F, 20.0 * np.log10(np.abs(response)), sample_rate_hz=48_000.0)
    at = np.interp([100.0, 500.0, 1000.0, 2000.0, 10_000.0], F, got)
    assert at == pytest.approx([-8.146, -43.286, -90.0, -136.897, -173.062], abs=0.03)
    assert got == pytest.approx(np.degrees(np.unwrap(np.angle(response))), abs=0.01)


def test_an_equaliser_is_minimum_phase_and_an_all_pass_has_none() -> None:
    item = section_of(EqSection(kind="peak", frequency_hz=700.0, gain_db=-9.0, q=3.0))
    response = section_response(item, Axis(F, 384_000.0))
    assert worst_deg(response) <= 0.05
    assert minimum_phase(F, np.zeros(F.size)) == pytest.approx(0.0, abs=1e-9)


def test_a_plain_slope_is_a_plain_angle() -> None:
    """6.02 dB an octave is 90° (f^n has the phase n·90°): nothing but the outer slopes."""
    got = minimum_phase(F, 20.0 * np.log10(F / 1000.0))
    assert got == pytest.approx(90.0, abs=0.01)
    got = minimum_phase(F, -40.0 * np.log10(F / 1000.0))
    assert got == pytest.approx(-180.0, abs=0.02)


def test_rough_data_keep_the_middle() -> None:
    """0.3 dB of noise on a box from 40 Hz to 16 kHz: within 10° two octaves inside the ends."""
    response = cascade((4, 40.0, "high", 1), (2, 16_000.0, "low", 1))
    noise_db = np.random.default_rng(0).normal(0.0, 0.3, F.size)
    got = minimum_phase(F, 20.0 * np.log10(np.abs(response)) + noise_db)
    error = got - np.degrees(np.angle(response))
    error = (error + 180.0) % 360.0 - 180.0
    assert np.abs(error[96:-96]).max() < 10.0


def test_very_short_data() -> None:
    assert minimum_phase(np.array([100.0]), np.array([3.0])).tolist() == [0.0]
    got = minimum_phase(np.array([100.0, 200.0]), np.array([0.0, 20.0 * np.log10(2.0)]))
    assert got == pytest.approx(90.0, abs=0.1)
