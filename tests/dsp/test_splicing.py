"""A splice of two captures of one known box gives that box back; what does not fit is refused."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import signal

from xover.dsp.captured import CapturedResponse
from xover.dsp.splicing import spliced
from xover.model.problems import Refused

NEAR_HZ = 20.0 * 2.0 ** (np.arange(480) / 48.0)
FAR_HZ = np.arange(5.0, 20_000.0, 5.0)


def box(f: np.ndarray) -> np.ndarray:
    """A vented box's fourth-order high-pass and a low-pass (scipy.signal.butter, analogue)."""
    value = np.ones(f.size, dtype=complex)
    for order, corner, kind in ((4, 45.0, "high"), (2, 9000.0, "low")):
        value *= signal.freqs(*signal.butter(order, corner, kind, analog=True), f)[1]
    return value


def capture(f: np.ndarray, value: np.ndarray, delay_ms: float, **more) -> CapturedResponse:
    """With `delay_ms` in the response, half of it kept apart as bulk delay."""
    turned = value * np.exp(-1e-3j * np.pi * f * delay_ms)
    return CapturedResponse(
        f, 20 * np.log10(np.abs(value)), np.angle(turned, deg=True), delay_ms=delay_ms / 2, **more
    )


def room(f: np.ndarray) -> np.ndarray:
    """What a room does to the far capture below 150 Hz, and nothing above."""
    return 1.0 + 0.8 * np.exp(1j * f / 7.0) / (1.0 + (f / 90.0) ** 16)


@pytest.mark.parametrize(("delay_ms", "sign"), [(0.0, 1), (3.7, 1), (11.62, -1), (-2.0, 1)])
def test_the_box_comes_back(delay_ms: float, sign: int):
    """Near: 23.5 dB louder, at its own time. Far: at its distance, the room below 150 Hz."""
    near = capture(NEAR_HZ, 10 ** (23.5 / 20) * sign * box(NEAR_HZ), 0.3)
    far = capture(FAR_HZ, box(FAR_HZ) * room(FAR_HZ), 0.3 + delay_ms, level="spl")
    result = spliced(near, far, at_hz=320.0, names=("near.txt", "far.txt"))
    f = result.frequency_hz
    assert np.all(np.diff(f) > 0)
    assert (f[0], f[-1]) == (20.0, FAR_HZ[-1])
    ratio = result.response() / (box(f) * np.exp(-2e-3j * np.pi * f * (0.3 + delay_ms)))
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.01
    assert np.max(np.abs(np.angle(ratio, deg=True))) < 0.1
    assert result.level == "spl"
    said = " ".join(result.understood)
    assert "near.txt below 226.3 Hz, far.txt above 452.5 Hz" in said
    assert "changed by −23.5" in said
    assert ("turned over" in said) == (sign < 0)


def test_without_phase_in_both_there_is_none():
    near = replace(capture(NEAR_HZ, box(NEAR_HZ), 0.0), phase_deg=None)
    far = capture(FAR_HZ, box(FAR_HZ), 1.0)
    result = spliced(near, far, at_hz=300.0)
    assert result.phase_deg is None
    assert "the result has none" in result.understood[-1]
    np.testing.assert_allclose(
        result.magnitude_db, 20 * np.log10(np.abs(box(result.frequency_hz))), atol=0.01
    )


def test_what_cannot_be_spliced():
    near = capture(NEAR_HZ[NEAR_HZ < 400], box(NEAR_HZ[NEAR_HZ < 400]), 0.0)
    far = capture(FAR_HZ[FAR_HZ > 290], box(FAR_HZ[FAR_HZ > 290]), 0.0)
    with pytest.raises(Refused, match=r"far: it reaches from 295 Hz .* needs both captures from "):
        spliced(near, far, at_hz=300.0, octaves=0.5)
    with pytest.raises(Refused, match=r"near: it reaches from 20 Hz to 39"):
        spliced(near, far, at_hz=450.0)
    assert spliced(near, far, at_hz=340.0, octaves=0.3).frequency_hz[-1] > 19_000
    rng = np.random.default_rng(1)
    noise = np.exp(2j * np.pi * rng.uniform(size=FAR_HZ.size))
    with pytest.raises(Refused, match="phases of near and far do not fit from 212"):
        spliced(capture(NEAR_HZ, box(NEAR_HZ), 0.0), capture(FAR_HZ, noise, 0.0), at_hz=300.0)


def test_coherence_is_faded_or_said_to_be_missing():
    near = capture(NEAR_HZ, box(NEAR_HZ), 0.0, coherence=np.full(NEAR_HZ.size, 1.0))
    far = capture(FAR_HZ, box(FAR_HZ), 0.0, coherence=np.full(FAR_HZ.size, 0.6))
    result = spliced(near, far, at_hz=300.0)
    assert result.coherence[0] == 1.0
    assert result.coherence[-1] == 0.6
    at = np.argmin(np.abs(result.frequency_hz - 300))
    assert result.coherence[at] == pytest.approx(0.8, abs=0.01)
    alone = spliced(near, replace(far, coherence=None), at_hz=300.0)
    assert alone.coherence is None
    assert "not both captures have coherence" in alone.understood[-1]
