"""The delay taken out of a phase: known delays are found again, and nothing where there is none.

Source: the shift theorem of the Fourier transform, a delay of τ is a factor e^(−j2πfτ).
"""

from __future__ import annotations

import numpy as np
import pytest

from xover.tui.flight import FINE_MS, flight_ms

FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 480)


def found_ms(response: np.ndarray) -> float:
    with np.errstate(divide="ignore"):
        return flight_ms(FREQUENCY_HZ, response, 20.0 * np.log10(np.abs(response)))


@pytest.mark.parametrize("delay_ms", [0.0, 0.31, 2.915, 29.74, 86.2, 188.88, 291.5])
def test_a_pure_delay_is_found(delay_ms: float) -> None:
    pure = np.exp(-2e-3j * np.pi * FREQUENCY_HZ * delay_ms)
    assert found_ms(pure) == pytest.approx(delay_ms, abs=FINE_MS)
    assert found_ms(-0.01 * pure) == found_ms(pure)  # neither level nor polarity matters


def test_the_loud_top_counts() -> None:
    late, early = (np.exp(-2e-3j * np.pi * FREQUENCY_HZ * ms) for ms in (50.0, 20.0))
    woofer = np.where(FREQUENCY_HZ < 1000.0, late, 0.0)
    assert found_ms(woofer) == pytest.approx(50.0, abs=FINE_MS)
    assert found_ms(woofer + 0.5 * early) == pytest.approx(20.0, abs=0.5)
    assert found_ms(woofer + 0.05 * early) == pytest.approx(50.0, abs=0.5)


def test_gaps_and_silence() -> None:
    gap = np.exp(-2e-3j * np.pi * FREQUENCY_HZ * 7.5)
    gap[300:320] = np.nan
    gap[400] = 0.0
    assert found_ms(gap) == pytest.approx(7.5, abs=FINE_MS)
    assert found_ms(np.zeros(480, dtype=complex)) == 0.0
    assert found_ms(np.full(480, np.nan + 0j)) == 0.0
