"""The half-length transform against scipy's convolution and the sum of its definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from xover.dsp.right_angle import RightAngle

RNG = np.random.default_rng(2)


@pytest.mark.parametrize("length", [8, 90, 486, 1024])
def test_the_spectrum_is_that_of_the_definition(length: int) -> None:
    """Σ x·e^(−j2πfn) at (k − 1/4)/(N/2) cycles a sample, and back."""
    samples = RNG.standard_normal(length)
    transform = RightAngle(length)
    at = transform.frequency().ravel()
    direct = np.exp(-2j * np.pi * np.outer(at, np.arange(length))) @ samples
    spectrum = transform.forward(samples)
    assert np.abs(spectrum.ravel() - direct).max() < 1e-10
    assert np.abs(transform.inverse(spectrum) - samples).max() < 1e-13
    place = np.sort((at % 1.0) * length / 2)
    assert place == pytest.approx(np.arange(length // 2) + 0.75)


def test_products_convolve_and_what_passes_the_end_turns_its_sign() -> None:
    one, two = RNG.standard_normal(600), RNG.standard_normal(300)
    whole = signal.convolve(one, two)
    long = RightAngle(900)
    assert np.abs(
        long.inverse(long.forward(one) * long.forward(two))[:899] - whole
    ).max() < 1e-10  # fmt: skip
    short = RightAngle(600)
    turned = short.inverse(short.forward(one) * short.forward(two))
    wrapped = whole[:600].copy()
    wrapped[:299] -= whole[600:]
    assert np.abs(turned - wrapped).max() < 1e-10
