"""The delay search against an exhaustive grid, closed forms and published tables."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from xover.design.delay_search import DelayProblem, Pair, search
from xover.design.overlap import loss_db
from xover.design.tolerance import tolerance_ms

GRID_HZ = 20.0 * 2.0 ** (np.arange(960) / 96.0)


def linkwitz_riley_4(frequency_hz: np.ndarray, corner_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Low and high branch of an analogue 4th-order pair, written out (S. H. Linkwitz 1976)."""
    s = 1j * frequency_hz / corner_hz
    denominator = (s * s + np.sqrt(2.0) * s + 1.0) ** 2
    return 1.0 / denominator, s**4 / denominator


def pair_at(
    corner_hz: float, late_ms: float, *, inverted: bool = False, level_db: float = 0.0
) -> Pair:
    frequency_hz = GRID_HZ[(0.6 * corner_hz < GRID_HZ) & (1.7 * corner_hz > GRID_HZ)]
    low, high = linkwitz_riley_4(frequency_hz, corner_hz)
    sign = -1.0 if inverted else 1.0
    gain = sign * 10.0 ** (level_db / 20.0)
    moved = gain * high * np.exp(-2e-3j * np.pi * frequency_hz * late_ms)
    return Pair(frequency_hz, low, moved, np.ones(frequency_hz.size))


def naive_values(
    pairs: list[Pair], delay_ms: np.ndarray, sign: float, criterion: str
) -> np.ndarray:
    """The criterion written down again, one listener after the other, without any trick."""
    losses = []
    real = best = 0.0
    for pair in pairs:
        turned = pair.second * np.exp(-2e-3j * np.pi * np.outer(delay_ms, pair.frequency_hz))
        total = np.abs(pair.first + sign * turned)
        most = np.abs(pair.first) + np.abs(pair.second)
        weight = pair.weight / pair.weight.sum()
        loss = np.minimum(20.0 * np.log10(most / np.maximum(total, 1e-30)), 40.0)
        losses.append((loss * weight).sum(axis=1))
        reference = (weight * most**2).sum()
        real = real + (weight * total**2).sum(axis=1) / reference / len(pairs)
        best = best + 1.0 / len(pairs)
    if criterion == "energy":
        return -10.0 * np.log10(np.maximum(real / best, 1e-4))
    stacked = np.stack(losses, axis=1)
    return stacked.max(axis=1) if criterion == "worst" else stacked.mean(axis=1)


@pytest.mark.parametrize(
    ("late_ms", "loss"),
    # An LR4 pair at 100 Hz, loss at the corner 20·log10|cos(π·fc·Δt)|; figures from that closed
    # form, which follows from both branches being in phase there (S. H. Linkwitz, JAES 24(1) 1976).
    [(0.5, 0.1076), (1.0, 0.4359), (2.0, 1.8408), (2.5, 3.0103)],
)
def test_loss_at_the_corner_of_a_misaligned_pair(late_ms: float, loss: float) -> None:
    low, high = linkwitz_riley_4(np.array([100.0]), 100.0)
    moved = high * np.exp(-2e-3j * np.pi * 100.0 * late_ms)
    assert loss_db(low, moved)[0] == pytest.approx(loss, abs=5e-5)
    problem = DelayProblem([Pair(np.array([100.0]), low, high, np.ones(1))])
    value = problem.values_db(np.array([late_ms]), inverted=False)[0]
    assert value == pytest.approx(loss, abs=5e-5)


@pytest.mark.parametrize(
    ("phase_deg", "level_db"),
    # Two equal sources, 20·log10(2·|cos(φ/2)|): textbook sum of two phasors.
    [(30, 5.7195), (60, 4.7712), (90, 3.0103), (120, 0.0), (150, -5.7195), (170, -15.1735)],
)
def test_loss_of_two_equal_sources(phase_deg: float, level_db: float) -> None:
    first = np.array([1.0 + 0.0j])
    second = np.exp(1j * np.radians([phase_deg]))
    assert 20.0 * np.log10(2.0) - loss_db(first, second)[0] == pytest.approx(level_db, abs=5e-5)


def test_loss_is_capped_where_the_sum_vanishes() -> None:
    assert loss_db(np.array([1.0 + 0j]), np.array([-1.0 + 0j]))[0] == pytest.approx(40.0)


@pytest.mark.parametrize("criterion", ["mean", "worst", "energy"])
@pytest.mark.parametrize(("late_ms", "inverted"), [(0.0, False), (3.217, False), (-11.06, True)])
def test_a_known_delay_and_polarity_come_back(
    criterion: str, late_ms: float, inverted: bool
) -> None:
    best = search(
        DelayProblem([pair_at(100.0, late_ms, inverted=inverted)], criterion),  # type: ignore[arg-type]
        max_delay_ms=25.0,
    )[0]
    assert best.delay_ms == pytest.approx(-late_ms, abs=1e-3)  # 1 µs
    assert best.inverted == inverted
    assert best.value_db == pytest.approx(0.0, abs=1e-6)


@settings(max_examples=5, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    lates=st.lists(st.floats(-24.0, 24.0), min_size=1, max_size=9),
    corner=st.floats(60.0, 900.0),
    levels=st.lists(st.floats(-6.0, 6.0), min_size=9, max_size=9),
    inverted=st.lists(st.booleans(), min_size=9, max_size=9),
    criterion=st.sampled_from(["mean", "worst", "energy"]),
    seed=st.integers(0, 2**31),
)
def test_never_worse_than_the_exhaustive_grid(
    lates: list[float],
    corner: float,
    levels: list[float],
    inverted: list[bool],
    criterion: str,
    seed: int,
) -> None:
    rng = np.random.default_rng(seed)
    pairs = []
    for late, level, turned in zip(lates, levels, inverted, strict=False):
        pair = pair_at(corner, late, inverted=turned, level_db=level)
        noise = rng.normal(size=(2, pair.first.size)) * 0.05
        pairs.append(
            Pair(
                pair.frequency_hz,
                pair.first * (1.0 + noise[0] + 1j * noise[1]),
                pair.second,
                rng.uniform(0.2, 1.0, pair.first.size) if seed % 2 else pair.weight,
            )
        )
    problem = DelayProblem(pairs, criterion)  # type: ignore[arg-type]
    found = search(problem, max_delay_ms=25.0)
    grid = np.arange(-25.0, 25.005, 0.01)
    best = np.inf
    for sign, turned in ((1.0, False), (-1.0, True)):
        values = naive_values(pairs, grid, sign, criterion)
        ours = min(item.value_db for item in found if item.inverted == turned)
        # The worse polarity is not looked into between nulls: ripples of hundredths may remain.
        assert ours <= values.min() + 0.03
        best = min(best, values.min())
        middle = grid[len(grid) // 3]
        assert problem.values_db(np.array([middle]), inverted=turned)[0] == pytest.approx(
            values[len(grid) // 3], abs=1e-9
        )
    assert found[0].value_db <= best + 1e-9


def test_every_local_minimum_is_found() -> None:
    pairs = [pair_at(100.0, 2.0), pair_at(100.0, 3.0, level_db=-3.0)]
    found = search(DelayProblem(pairs), max_delay_ms=25.0, polarities=(False,))
    grid = np.arange(-25.0, 25.005, 0.01)
    values = naive_values(pairs, grid, 1.0, "mean")
    inside = np.flatnonzero((values[1:-1] < values[:-2]) & (values[1:-1] <= values[2:])) + 1
    # Above 2.8 dB single frequencies pass through nulls and ripple the mean by thousandths.
    inside = inside[values[inside] < 2.8]
    assert len(inside) == 5
    ours = sorted(item.delay_ms for item in found if item.value_db < 2.8)
    assert ours == pytest.approx(grid[inside].tolist(), abs=0.006)


def test_the_ends_of_the_range_count_and_are_marked() -> None:
    found = search(DelayProblem([pair_at(100.0, 12.0)]), max_delay_ms=10.0, polarities=(False,))
    at_limit = [item for item in found if item.at_limit]
    assert [item.delay_ms for item in at_limit] == [-10.0]
    none = search(DelayProblem([pair_at(100.0, 12.0)]), max_delay_ms=0.0)
    assert [item.delay_ms for item in none] == [0.0, 0.0]
    assert all(item.at_limit for item in none)


def test_tolerance_of_two_equal_tones() -> None:
    # Two equal sources lose 1 dB at 53.94° (2·arccos(10^(−1/20))): closed form.
    one = np.array([1.0 + 0.0j])
    problem = DelayProblem([Pair(np.array([100.0]), one, one, np.ones(1))])
    early, late = tolerance_ms(problem, 0.0, inverted=False)
    expected = np.degrees(2.0 * np.arccos(10.0 ** (-1.0 / 20.0))) / 360.0 / 100.0 * 1e3
    assert expected == pytest.approx(53.94 / 36.0, abs=5e-4)
    assert early == pytest.approx(expected, abs=1e-6)
    assert late == pytest.approx(expected, abs=1e-6)


def test_tolerance_is_none_where_the_loss_never_grows_so_far() -> None:
    frequency_hz = GRID_HZ[(GRID_HZ > 90.0) & (GRID_HZ < 110.0)]
    loud, quiet = np.ones(frequency_hz.size) + 0j, np.full(frequency_hz.size, 0.03 + 0j)
    problem = DelayProblem([Pair(frequency_hz, loud, quiet, np.ones(frequency_hz.size))])
    assert tolerance_ms(problem, 0.0, inverted=False) == (None, None)


def test_coherence_weights_take_bad_frequencies_out() -> None:
    pair = pair_at(100.0, 4.0)
    spoiled = pair.second.copy()
    bad = pair.frequency_hz > 110.0
    spoiled[bad] *= np.exp(2j)
    weight = np.where(bad, 0.0, 1.0)
    best = search(
        DelayProblem([Pair(pair.frequency_hz, pair.first, spoiled, weight)]), max_delay_ms=25.0
    )[0]
    assert best.delay_ms == pytest.approx(-4.0, abs=1e-3)
