"""Averages of captures: figures by hand, common grids, what makes no mean."""

from __future__ import annotations

import numpy as np
import pytest

from xover.dsp.averaging import average
from xover.dsp.captured import CapturedResponse
from xover.model.problems import Refused

F = 20.0 * 2.0 ** (np.arange(481) / 48.0)


def flat(level_db: float, phase_deg: float | None = 0.0, f: np.ndarray = F, **more):
    phase = None if phase_deg is None else np.full(f.size, phase_deg)
    return CapturedResponse(f, np.full(f.size, level_db), phase, **more)


def test_a_mean_of_power_by_hand():
    """0, −6.0206 and −20 dB: (1 + 0.25 + 0.01)/3 = 0.42 in power, −3.7675 dB."""
    parts = [flat(0.0), flat(20 * np.log10(0.5), 90.0), flat(-20.0, 180.0)]
    mean = average(parts, "power", names=["a", "b", "c"])
    np.testing.assert_allclose(mean.magnitude_db, 10 * np.log10(0.42), atol=1e-12)
    assert mean.phase_deg is None
    said = " ".join(mean.understood)
    assert "all captures have the same 481 frequencies" in said
    assert "they differ by 8.38 dB" in said  # numpy's std of the three levels: 8.384
    assert "a mean of power has no phase" in said


def test_a_complex_mean_by_hand_with_bulk_delays():
    """1 and j, written with different bulk delays: (1 + j)/2, −3.0103 dB at 45°."""
    late = flat(0.0, 90.0)
    turned = CapturedResponse(F, late.magnitude_db, 90.0 + 0.36 * F * 2.0, delay_ms=2.0)
    mean = average([flat(0.0), turned], "complex", names=["a", "b"])
    np.testing.assert_allclose(mean.response(), (1 + 1j) / 2, atol=1e-9)
    assert "lies 3.01 dB below the mean of power" in mean.understood[-1]


def test_the_common_grid_is_that_of_the_most_points_and_said():
    wide = CapturedResponse(np.linspace(10, 30_000, 4000), np.full(4000, 3.0), np.zeros(4000))
    octave = np.array([100.0, 200.0, 400.0])
    few = CapturedResponse(octave, np.array([0.0, 2.0, 4.0]), np.array([0.0, -360.0, -720.0]))
    mean = average([few, wide], "power", names=["few.txt", "wide.txt"])
    assert mean.frequency_hz[0] >= 100
    assert mean.frequency_hz[-1] <= 400
    assert "frequencies of wide.txt, 107.5 Hz to 400 Hz" in mean.understood[0]
    assert "points outside the common range are left out" in mean.understood[0]
    # dB are straight over log frequency: 1 dB at 100·√2 Hz.
    at = np.argmin(np.abs(mean.frequency_hz - 100 * np.sqrt(2)))
    one = 2 * np.log2(mean.frequency_hz[at] / 100)
    assert mean.magnitude_db[at] == pytest.approx(
        10 * np.log10((10 ** (one / 10) + 10**0.3) / 2), abs=1e-9
    )


def test_coherence_is_a_plain_mean_where_all_have_it():
    parts = [flat(0.0, coherence=np.full(481, c)) for c in (1.0, 0.5)]
    np.testing.assert_allclose(average(parts, "power", names="ab").coherence, 0.75)
    assert average([*parts, flat(0.0)], "power", names="abc").coherence is None


@pytest.mark.parametrize(
    ("parts", "of", "message"),
    [
        ([flat(0.0)], "power", "at least two"),
        ([flat(0.0), flat(0.0, None)], "complex", "b: there is no phase"),
        ([flat(0.0), flat(90.0, level="spl")], "power", "some captures are in SPL"),
        ([flat(0.0), flat(0.0, f=F * 2000)], "power", "no range in common: a from 20 Hz"),
        ([flat(0.0), flat(0.0, 180.0)], "complex", "cancel each other"),
    ],
)
def test_what_has_no_mean(parts, of, message):
    with pytest.raises(Refused, match=message):
        average(parts, of, names=["a", "b"][: len(parts)])
