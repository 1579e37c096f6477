"""A trace between its points: dB and unwrapped phase over log frequency (see the format)."""

from __future__ import annotations

import numpy as np
import pytest

from xover.dsp.interpolation import trace_on
from xover.model.rig import Trace

POINTS = (100.0, 200.0, 400.0)


def test_at_and_between_points() -> None:
    trace = Trace(frequency_hz=POINTS, magnitude_db=(0.0, -6.0, -18.0), phase_deg=(0.0, 90.0, 30.0))
    middle = np.sqrt(100.0 * 200.0)
    got = trace_on(trace, np.array([100.0, middle, 200.0, 400.0]))
    assert 20.0 * np.log10(np.abs(got)) == pytest.approx([0.0, -3.0, -6.0, -18.0], abs=1e-12)
    assert np.degrees(np.angle(got)) == pytest.approx([0.0, 45.0, 90.0, 30.0], abs=1e-12)


def test_phase_is_unwrapped_before_it_is_interpolated() -> None:
    """170° to −170° is 20° through the half circle, not 340° through zero."""
    trace = Trace(frequency_hz=(100.0, 200.0), magnitude_db=(0.0, 0.0), phase_deg=(170.0, -170.0))
    got = trace_on(trace, np.array([np.sqrt(20_000.0)]))
    assert got[0] == pytest.approx(-1.0, abs=1e-12)


def test_bulk_delay_is_part_of_the_response() -> None:
    trace = Trace(
        frequency_hz=POINTS, magnitude_db=(0.0, 0.0, 0.0), phase_deg=(0.0, 0.0, 0.0), delay_ms=37.3
    )
    f = np.array([100.0, 123.4, 399.0])
    assert trace_on(trace, f) == pytest.approx(np.exp(-2j * np.pi * f * 0.0373), abs=1e-12)


def test_outside_its_range_a_trace_says_nothing() -> None:
    trace = Trace(frequency_hz=POINTS, magnitude_db=(0.0, 0.0, 0.0))
    got = trace_on(trace, np.array([99.999, 100.0, 400.0, 400.001]))
    assert np.isnan(got).tolist() == [True, False, False, True]


def test_magnitude_alone_is_real_and_positive() -> None:
    trace = Trace(frequency_hz=POINTS, magnitude_db=(0.0, -6.0, -18.0), delay_ms=5.0)
    got = trace_on(trace, np.array([150.0, 300.0]))
    assert not got.imag.any()
    assert (got.real > 0.0).all()
