"""Grids of values: ends, neighbours, no noise in the last digits."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xover.model import grids
from xover.model.profile import Grid, Steps

# Thirds of an octave by base 2 from 20 Hz: ten octaves are 31 values (nominal 20, 25, 31.5 … 20k).
THIRDS = Grid(min=20.0, max=20_480.0, per_octave=3.0)


def test_ends_of_octave_steps():
    assert grids.count(THIRDS) == 31
    assert grids.value(THIRDS, 0) == 20.0
    assert grids.value(THIRDS, 3) == 40.0
    assert grids.value(THIRDS, 1) == pytest.approx(25.1984, abs=1e-4)


def test_no_noise_in_the_last_digits():
    tenths = Steps(min=-60.0, max=12.0, step=0.1)
    values = [grids.value(tenths, k) for k in range(grids.count(tenths))]
    assert len(values) == 721
    assert all(len(repr(value)) <= 5 for value in values)
    assert values[-1] == 12.0


def test_max_is_never_exceeded():
    assert grids.highest(Steps(min=0.0, max=1.0, step=0.3)) == pytest.approx(0.9)
    assert grids.highest(Grid(min=20.0, max=50.0, per_octave=1.0)) == 40.0


def test_a_list():
    grid = Grid(values=(0.5, 1.0, 2.0, 5.0))
    assert grids.nearest(grid, 1.4) == 1.0
    assert grids.nearest(grid, 1.45, logarithmic=True) == 2.0
    assert grids.nearest(grid, 100.0) == 5.0
    assert not grids.reaches(grid, 7.0)
    assert grids.reaches(grid, 6.0)


@given(st.floats(1.0, 100_000.0), st.sampled_from([1.0, 3.0, 24.0, 48.0]))
def test_the_nearest_is_nearest(wanted, per_octave):
    grid = Grid(min=20.0, max=20_000.0, per_octave=per_octave)
    found = grids.nearest(grid, wanted, logarithmic=True)
    everything = [grids.value(grid, k) for k in range(grids.count(grid))]
    best = min(abs(math.log(one / wanted)) for one in everything)
    assert abs(math.log(found / wanted)) == pytest.approx(best, abs=1e-12)


@given(st.floats(-80.0, 80.0), st.sampled_from([0.1, 0.25, 0.5, 3.0]))
def test_the_nearest_of_even_steps(wanted, step):
    steps = Steps(min=-60.0, max=12.0, step=step)
    found = grids.nearest(steps, wanted)
    everything = [grids.value(steps, k) for k in range(grids.count(steps))]
    assert abs(found - wanted) == pytest.approx(min(abs(x - wanted) for x in everything), abs=1e-9)
    assert grids.holds(steps, found)
