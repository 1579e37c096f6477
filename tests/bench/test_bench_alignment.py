"""Alignment search against a naive grid of 10 µs over the same overlap, same run, same thread.

±25 ms, both polarities, 9 listeners, a 4th-order pair at 95 Hz: the ratio of medians of
interleaved repeats, in both forms of the criterion; and two movers at once beside a coarse naive
grid of both.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest

from xover.design.delay_search import Criterion, DelayProblem, Pair, search
from xover.design.joint import Edge, JointProblem, Ties
from xover.design.joint_search import search_jointly

ROUNDS = 9


def listeners() -> list[Pair]:
    rng = np.random.default_rng(1)
    frequency_hz = 20.0 * 2.0 ** (np.arange(960) / 96.0)
    frequency_hz = frequency_hz[(frequency_hz > 60.0) & (frequency_hz < 150.0)]
    s = 1j * frequency_hz / 95.0
    denominator = (s * s + np.sqrt(2.0) * s + 1.0) ** 2
    low, high = 1.0 / denominator, s**4 / denominator

    def late(delay_ms: float) -> np.ndarray:
        return np.exp(-2e-3j * np.pi * frequency_hz * delay_ms)

    pairs = []
    for _ in range(9):
        first_ms = rng.uniform(10.0, 40.0)
        second_ms = first_ms + rng.uniform(-3.0, 3.0)
        gain = rng.uniform(0.5, 2.0)
        pairs.append(
            Pair(
                frequency_hz,
                gain * low * late(first_ms),
                high * late(second_ms),
                np.ones(frequency_hz.size),
            )
        )
    return pairs


def naive(pairs: list[Pair], criterion: Criterion) -> tuple[float, float, int]:
    """Every delay of the grid at every listener, as one would write it down first."""
    delay_ms = np.arange(-25.0, 25.005, 0.01)
    best = (np.inf, 0.0, 1)
    for sign in (1, -1):
        total = np.zeros(delay_ms.size)
        for pair in pairs:
            turned = pair.second * np.exp(-2e-3j * np.pi * np.outer(delay_ms, pair.frequency_hz))
            amount = np.abs(pair.first + sign * turned)
            most = np.abs(pair.first) + np.abs(pair.second)
            if criterion == "energy":
                total -= (amount**2).sum(axis=1) / (most**2).sum()
            else:
                loss = np.minimum(20.0 * np.log10(most / np.maximum(amount, 1e-30)), 40.0)
                total += loss.mean(axis=1)
        at = int(np.argmin(total))
        if total[at] < best[0]:
            best = (float(total[at]), float(delay_ms[at]), sign)
    return best


def timed(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


@pytest.mark.parametrize(("criterion", "goal"), [("energy", 150), ("mean", 25)])
def test_alignment_search(criterion: Criterion, goal: int) -> None:
    pairs = listeners()
    peer, ours = [], []
    for _ in range(ROUNDS):
        peer.append(timed(lambda: naive(pairs, criterion)))
        ours.append(
            min(
                timed(lambda: search(DelayProblem(pairs, criterion), max_delay_ms=25.0))
                for _ in range(3)
            )
        )
    answer = search(DelayProblem(pairs, criterion), max_delay_ms=25.0)[0]
    _, delay_ms, sign = naive(pairs, criterion)
    assert abs(answer.delay_ms - delay_ms) < 0.006
    assert answer.inverted == (sign < 0)
    ratio = np.median(peer) / np.median(ours)
    print(
        f"\nalignment search, {criterion}: {ratio:.0f}× (goal ≥ {goal}×; "
        f"{np.median(ours) * 1e3:.2f} ms against {np.median(peer) * 1e3:.0f} ms)"
    )


REACH_MS = 6.0
NAIVE_STEP_MS = 0.1


def three_parts() -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (m,), and the responses of a reference and two movers at nine listeners."""
    rng = np.random.default_rng(2)
    pairs = listeners()
    frequency_hz = pairs[0].frequency_hz
    rows = []
    for pair in pairs:
        late_ms = rng.uniform(-3.0, 3.0)
        third = rng.uniform(0.5, 2.0) * pair.first / np.abs(pair.first[0])
        third = third * np.exp(-2e-3j * np.pi * frequency_hz * late_ms)
        rows.append((pair.first, pair.second, third))
    return frequency_hz, np.array(rows)


def naive_together(frequency_hz: np.ndarray, parts: np.ndarray) -> float:
    """Every pair of delays of a coarse grid and every polarity, each loss written down."""
    line = np.arange(-REACH_MS, REACH_MS + NAIVE_STEP_MS / 2.0, NAIVE_STEP_MS)
    turns = np.exp(-2e-3j * np.pi * np.outer(line, frequency_hz))
    best = np.inf
    for signs in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        for turn in turns:
            total = np.zeros(line.size)
            for a, b, c in parts:
                b = signs[0] * b * turn
                moved = signs[1] * c * turns
                for one, two in ((a[np.newaxis], b[np.newaxis]), (a, moved), (b, moved)):
                    most = np.abs(one) + np.abs(two)
                    loss = 20.0 * np.log10(most / np.maximum(np.abs(one + two), 1e-30))
                    total = total + np.minimum(loss, 40.0).mean(axis=1)
            best = min(best, float(total.min()) / (3 * len(parts)))
    return best


def together(frequency_hz: np.ndarray, parts: np.ndarray) -> float:
    """The program's search of two movers, to 0.01 µs, with all settings within 1 dB."""
    edges = []
    for first, second in ((0, 1), (0, 2), (1, 2)):
        pairs = [
            Pair(frequency_hz, row[first], row[second], np.ones(frequency_hz.size)) for row in parts
        ]
        shares = [1.0 / (3 * len(parts))] * len(parts)
        edges.append(Edge(first - 1, second - 1, DelayProblem(pairs, "mean", shares)))
    problem = JointProblem(edges, Ties((0, 1), (0, 1)), "mean")
    found = search_jointly(problem, max_delay_ms=REACH_MS, within_db=1.0 / 3.0, tie_db=0.1 / 3.0)
    return found.solutions[0].value_db


def test_two_movers_together() -> None:
    """Two movers of ±6 ms beside a naive grid of 0.1 ms, refined by nothing."""
    frequency_hz, parts = three_parts()
    peer, ours = [], []
    for _ in range(3):
        peer.append(timed(lambda: naive_together(frequency_hz, parts)))
        ours.append(min(timed(lambda: together(frequency_hz, parts)) for _ in range(3)))
    assert together(frequency_hz, parts) <= naive_together(frequency_hz, parts) + 1e-9
    ratio = np.median(peer) / np.median(ours)
    print(
        f"\ntwo movers together: {ratio:.0f}× "
        f"({np.median(ours) * 1e3:.0f} ms against {np.median(peer) * 1e3:.0f} ms)"
    )
