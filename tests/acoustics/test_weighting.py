"""Weightings, octave bands and permitted times against published tables."""

from __future__ import annotations

import numpy as np
import pyfar
import pytest

from xover.acoustics.bands import EXACT_HZ, NOMINAL_HZ, edges_hz, noise_weights
from xover.acoustics.exposure import niosh_permitted_min, osha_permitted_min
from xover.acoustics.weighting import a_weighting_db, c_weighting_db

TABLE_DB = {
    10: (-70.4, -14.3), 16: (-56.7, -8.5), 20: (-50.5, -6.2), 25: (-44.7, -4.4),
    31.5: (-39.4, -3.0), 40: (-34.6, -2.0), 50: (-30.2, -1.3), 63: (-26.2, -0.8),
    80: (-22.5, -0.5), 100: (-19.1, -0.3), 125: (-16.1, -0.2), 160: (-13.4, -0.1),
    200: (-10.9, 0.0), 250: (-8.6, 0.0), 315: (-6.6, 0.0), 400: (-4.8, 0.0), 500: (-3.2, 0.0),
    630: (-1.9, 0.0), 800: (-0.8, 0.0), 1000: (0.0, 0.0), 1250: (0.6, 0.0), 1600: (1.0, -0.1),
    2000: (1.2, -0.2), 2500: (1.3, -0.3), 3150: (1.2, -0.5), 4000: (1.0, -0.8), 5000: (0.5, -1.3),
    6300: (-0.1, -2.0), 8000: (-1.1, -3.0), 10000: (-2.5, -4.4), 12500: (-4.3, -6.2),
    16000: (-6.6, -8.5), 20000: (-9.3, -11.2),
}  # fmt: skip
"""IEC 61672-1, Table 3: A and C in dB, from a second copy shipped with a library."""


@pytest.mark.parametrize(("nominal_hz", "expected"), TABLE_DB.items())
def test_weightings_are_the_table(nominal_hz: float, expected: tuple[float, float]) -> None:
    """To half the last digit, at the exact mid-bands of IEC 61260-1 that the table stands for."""
    exact_hz = 1000.0 * 10.0 ** (round(10.0 * np.log10(nominal_hz / 1000.0)) / 10.0)
    assert a_weighting_db(exact_hz) == pytest.approx(expected[0], abs=0.05)
    assert c_weighting_db(exact_hz) == pytest.approx(expected[1], abs=0.05)


def test_weighting_is_that_of_a_library() -> None:
    """Pyfar rounds A1000 to −2.000 dB, hence 0.0003 dB."""
    frequency_hz = np.geomspace(10.0, 20_000.0, 50)
    curve = pyfar.constants.frequency_weighting_curve("A", frequency_hz)
    np.testing.assert_allclose(a_weighting_db(frequency_hz), curve, atol=5e-4)
    curve = pyfar.constants.frequency_weighting_curve("C", frequency_hz)
    np.testing.assert_allclose(c_weighting_db(frequency_hz), curve, atol=5e-4)


def test_octave_bands() -> None:
    """IEC 61260-1: edges of the band at 1 kHz, exact mid-bands, neighbours that touch."""
    assert edges_hz(NOMINAL_HZ.index(1000.0)) == pytest.approx((707.9458, 1412.5375), abs=5e-5)
    assert EXACT_HZ[0] == pytest.approx(31.62278, abs=5e-6)
    assert EXACT_HZ[-1] == pytest.approx(15848.93192, abs=5e-6)
    for band in range(len(NOMINAL_HZ) - 1):
        assert edges_hz(band)[1] == pytest.approx(edges_hz(band + 1)[0], rel=1e-12)


def test_noises() -> None:
    """Pink: the same in every octave. Programme (IEC 60268-1, from memory): flat in the middle."""
    frequency_hz = np.geomspace(23.0, 22_000.0, 2001)
    for kind in ("pink", "programme"):
        assert noise_weights(kind, frequency_hz).sum() == pytest.approx(1.0)
    pink = noise_weights("pink", frequency_hz)
    assert np.ptp(pink) == 0.0
    programme_db = 10.0 * np.log10(noise_weights("programme", frequency_hz) / pink)
    at = [float(np.interp(f, frequency_hz, programme_db)) for f in (40.0, 250.0, 1000.0, 10_000.0)]
    assert at[0] - at[1] == pytest.approx(-5.2, abs=0.5)
    assert at[2] - at[1] == pytest.approx(-0.4, abs=0.5)
    assert at[3] - at[1] == pytest.approx(-10.3, abs=0.5)


@pytest.mark.parametrize(
    ("level_db", "hours"), [(85, 8), (88, 4), (91, 2), (94, 1), (97, 0.5), (100, 0.25)]
)
def test_niosh(level_db: float, hours: float) -> None:
    """The table of the agency's web page (Pub. 98-126)."""
    assert niosh_permitted_min(level_db) / 60.0 == pytest.approx(hours)


@pytest.mark.parametrize(
    ("level_db", "hours"),
    [(80, 32), (85, 16), (88, 10.6), (90, 8), (91, 7.0), (94, 4.6), (95, 4), (97, 3.0), (100, 2),
     (103, 1.3), (105, 1), (106, 0.87), (110, 0.5), (115, 0.25)],
)  # fmt: skip
def test_osha(level_db: float, hours: float) -> None:
    """29 CFR 1910.95, Table G-16A, to half its last digit."""
    digit = 0.005 if level_db == 106 else 0.05
    assert osha_permitted_min(level_db) / 60.0 == pytest.approx(hours, abs=digit)
