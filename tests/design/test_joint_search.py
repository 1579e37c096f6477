"""Several movers solved together, against brute force on a coarse grid with local refinement.

The peer is written down without any trick: every delay and polarity of a coarse grid, then
`scipy.optimize.minimize` from the best of them.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from xover.design.choice import Candidate, choose
from xover.design.delay_search import Criterion, DelayProblem, Pair
from xover.design.joint import Edge, JointProblem, Solution, Ties
from xover.design.joint_search import Found, search_jointly

FREQUENCY_HZ = 60.0 * 2.0 ** (np.arange(40) / 28.0)
REACH_MS = 6.0


class Room:
    """Responses (listener, part, frequency): part 0 is the reference, the others may move."""

    def __init__(self, seed: int, movers: int, listeners: int, noise: float = 0.05) -> None:
        rng = np.random.default_rng(seed)
        shape = (listeners, movers + 1)
        late_ms = rng.uniform(-4.0, 4.0, movers + 1) + rng.uniform(-1.5, 1.5, shape)
        s = 1j * FREQUENCY_HZ / 95.0
        low = 1.0 / (s * s + np.sqrt(2.0) * s + 1.0) ** 2
        shapes = [low if part % 2 else s**4 * low for part in range(movers + 1)]
        gains = rng.uniform(0.5, 2.0, shape) * rng.choice([-1.0, 1.0], movers + 1)
        turned = np.exp(-2e-3j * np.pi * FREQUENCY_HZ * late_ms[..., np.newaxis])
        rough = rng.normal(size=(*turned.shape, 2)) @ np.array([1.0, 1.0j])
        self.responses = gains[..., np.newaxis] * np.array(shapes) * turned * (1.0 + noise * rough)
        self.weights = rng.uniform(0.3, 2.0, listeners) if seed % 2 else np.ones(listeners)
        self.pairs = list(itertools.combinations(range(movers + 1), 2))
        self.movers = movers

    def naive(self, delays_ms: np.ndarray, turned: tuple[bool, ...], criterion: str) -> np.ndarray:
        """The criterion at delays (k, movers), one pair and listener after the other."""
        sums, counts = [], []
        delays = np.concatenate((np.zeros((len(delays_ms), 1)), delays_ms), axis=1)
        signs = np.array([1.0, *(-1.0 if turn else 1.0 for turn in turned)])
        for first, second in self.pairs:
            for listener, weight in enumerate(self.weights):
                a = signs[first] * self.responses[listener, first]
                b = signs[second] * self.responses[listener, second]
                apart = delays[:, second] - delays[:, first]
                total = np.abs(a + b * np.exp(-2e-3j * np.pi * np.outer(apart, FREQUENCY_HZ)))
                most = np.abs(a) + np.abs(b)
                if criterion == "energy":
                    sums.append((total**2).sum(axis=1) / (most**2).sum())
                else:
                    lost = np.minimum(20.0 * np.log10(most / np.maximum(total, 1e-30)), 40.0)
                    sums.append(lost.mean(axis=1))
                counts.append(weight)
        if criterion == "worst":
            return np.max(np.array(sums) * np.array(counts)[:, np.newaxis], axis=0) / max(counts)
        mean = np.average(sums, axis=0, weights=counts)
        return -10.0 * np.log10(mean) if criterion == "energy" else mean

    def problem(self, criterion: Criterion) -> JointProblem:
        edges = []
        total = len(self.pairs) * self.weights.sum()
        for first, second in self.pairs:
            parts = [
                Pair(FREQUENCY_HZ, part[first], part[second], np.ones(FREQUENCY_HZ.size))
                for part in self.responses
            ]
            means = list(self.weights / total)
            if criterion == "worst":
                worst = DelayProblem(parts, "worst", list(self.weights / self.weights.max()))
                edge = Edge(first - 1, second - 1, worst, DelayProblem(parts, "mean", means))
            else:
                edge = Edge(first - 1, second - 1, DelayProblem(parts, criterion, means))
            edges.append(edge)
        free = tuple(range(self.movers))
        return JointProblem(edges, Ties(free, free), criterion)

    def search(self, criterion: Criterion) -> Found:
        return search_jointly(
            self.problem(criterion), max_delay_ms=REACH_MS, within_db=0.5, tie_db=0.1
        )

    def brute_force(self, criterion: str, step_ms: float) -> float:
        line = np.linspace(-REACH_MS, REACH_MS, 1 + round(2.0 * REACH_MS / step_ms))
        grid = np.stack(np.meshgrid(*[line] * self.movers, indexing="ij"), -1)
        grid = grid.reshape(-1, self.movers)
        starts = []
        for turned in itertools.product((False, True), repeat=self.movers):
            values = self.naive(grid, turned, criterion)
            starts += [(values[k], turned, grid[k]) for k in np.argsort(values)[:2]]
        best = np.inf
        for value, turned, start in sorted(starts, key=lambda item: float(item[0]))[:3]:
            refined = minimize(
                lambda x, turned=turned: self.naive(x[np.newaxis, :], turned, criterion)[0],
                start,
                method="Nelder-Mead",
                bounds=[(-REACH_MS, REACH_MS)] * self.movers,
                options={"xatol": 1e-4, "fatol": 1e-6, "maxfev": 400},
            )
            best = min(best, float(value), float(refined.fun))
        return best


@pytest.mark.parametrize("criterion", ["mean", "worst", "energy"])
@settings(max_examples=4, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(seed=st.integers(0, 2**31), listeners=st.integers(1, 4))
def test_two_movers_are_never_worse_than_brute_force(
    criterion: Criterion, seed: int, listeners: int
) -> None:
    room = Room(seed, 2, listeners)
    found = room.search(criterion)
    assert found.proven
    best = found.solutions[0]
    naive = room.naive(np.array([best.delays_ms]), best.inverted, criterion)[0]
    # The joint form of the worst carries a thousandth of the mean besides.
    assert best.value_db == pytest.approx(naive, abs=1e-6 if criterion != "worst" else 0.02)
    assert naive <= room.brute_force(criterion, 0.4) + (2e-3 if criterion != "energy" else 1e-6)
    values = [item.value_db for item in found.solutions]
    assert values == sorted(values)
    assert all(abs(delay) <= REACH_MS for item in found.solutions for delay in item.delays_ms)


@pytest.mark.parametrize(
    ("criterion", "movers", "step_ms"), [("mean", 3, 1.0), ("energy", 3, 1.5), ("mean", 4, 3.0)]
)
def test_more_movers_are_never_worse_either(
    criterion: Criterion, movers: int, step_ms: float
) -> None:
    room = Room(7 + movers, movers, 2)
    best = room.search(criterion).solutions[0]
    naive = room.naive(np.array([best.delays_ms]), best.inverted, criterion)[0]
    assert naive <= room.brute_force(criterion, step_ms) + 1e-6


def test_every_setting_found_is_a_local_minimum() -> None:
    room = Room(3, 2, 3)
    for item in room.search("mean").solutions:
        here = np.array(item.delays_ms)
        around = here + 0.02 * np.array([[1, 0], [-1, 0], [0, 1], [0, -1], [1, 1], [-1, -1]])
        around = around[np.max(np.abs(around), axis=1) <= REACH_MS]
        assert room.naive(around, item.inverted, "mean").min() > item.value_db - 1e-3


def test_a_known_room_comes_back() -> None:
    room = Room(2, 3, 1, noise=0.0)
    best = room.search("mean").solutions[0]
    assert best.value_db == pytest.approx(0.0, abs=1e-6)


def test_movers_that_share_a_delay_move_as_one() -> None:
    room = Room(5, 2, 2)
    problem = room.problem("mean")
    tied = JointProblem(problem.edges, Ties((0, 0), (0, 1)), "mean")
    found = search_jointly(tied, max_delay_ms=REACH_MS, within_db=0.5, tie_db=0.1)
    best = found.solutions[0]
    assert best.delays_ms[0] == best.delays_ms[1]
    line = np.arange(-REACH_MS, REACH_MS, 0.01)
    both = np.stack((line, line), axis=1)
    least = min(
        room.naive(both, turned, "mean").min()
        for turned in itertools.product((False, True), repeat=2)
    )
    assert best.value_db <= least + 1e-9


def test_ends_of_the_range_hold_and_are_marked() -> None:
    room = Room(11, 2, 1, noise=0.0)
    wide = room.search("mean").solutions[0]
    narrow = 0.5 * max(abs(delay) for delay in wide.delays_ms)
    found = search_jointly(
        room.problem("mean"), max_delay_ms=narrow, within_db=0.5, tie_db=0.1
    ).solutions
    assert all(abs(delay) <= narrow for item in found for delay in item.delays_ms)
    assert any(any(item.at_limit) for item in found)
    still = search_jointly(room.problem("mean"), max_delay_ms=0.0, within_db=0.5, tie_db=0.1)
    assert len(still.solutions) == 4
    assert {item.delays_ms for item in still.solutions} == {(0.0, 0.0)}


def test_progress_rises_and_may_stop_the_search() -> None:
    told: list[float] = []
    problem = Room(1, 2, 1).problem("mean")
    search_jointly(problem, max_delay_ms=REACH_MS, within_db=0.5, tie_db=0.1, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0

    def stop(done: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        search_jointly(problem, max_delay_ms=REACH_MS, within_db=0.5, tie_db=0.1, progress=stop)


def test_where_too_many_are_as_good_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    room = Room(9, 2, 2)
    exact = room.search("mean")
    monkeypatch.setattr("xover.design.joint_search.MOST_CHILDREN", 10)
    narrow = room.search("mean")
    assert exact.proven
    assert not narrow.proven
    assert narrow.solutions[0].value_db == pytest.approx(exact.solutions[0].value_db, abs=1e-6)


def candidate(
    value_db: float, delays_ms: tuple[float, ...], turned: tuple[bool, ...], periods: float
) -> Candidate:
    solution = Solution(delays_ms, turned, value_db, (False,) * len(turned))
    return Candidate(solution, (0.0,) * len(turned), periods)


def test_the_choice_among_near_ties_of_several() -> None:
    late = candidate(0.30, (5.0, 0.0), (False, False), 0.50)
    near = candidate(0.34, (0.0, 0.0), (True, False), 0.02)
    still = candidate(0.345, (1.0, 1.0), (False, False), 0.03)
    chosen, rivals = choose([late, near, still], scale=2.0)
    assert chosen is still  # nearer in time than the first, and turned less than the second
    assert rivals == (near,)
    # The limits hold for the sum over the pairs: twice 0.06 dB is no tie.
    apart = candidate(0.36, (0.0, 0.0), (False, False), 0.0)
    assert choose([late, apart], scale=2.0)[0] is late
    assert choose([late, apart], scale=1.0)[0] is apart


@settings(max_examples=60, deadline=None)
@given(
    entries=st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.03, 0.06, 0.09, 0.12, 0.5]),
            st.tuples(*[st.sampled_from([-5.0, -1.0, 0.0, 1.0, 5.0])] * 2),
            st.tuples(st.booleans(), st.booleans()),
            st.sampled_from([0.0, 0.02, 0.06, 0.3]),
        ),
        min_size=1,
        max_size=8,
        unique_by=lambda entry: (entry[1], entry[2]),
    )
)
def test_no_candidate_is_preferred_to_the_chosen_one(
    entries: list[tuple[float, tuple[float, ...], tuple[bool, ...], float]],
) -> None:
    """The rule of choice read as a sentence about any other candidate, not as steps."""
    ranked = sorted((candidate(*entry) for entry in entries), key=lambda one: one.solution.value_db)
    chosen, rivals = choose(ranked)
    best_db = ranked[0].solution.value_db
    assert chosen.solution.value_db <= best_db + 0.1
    near = [one for one in ranked if one.solution.value_db <= best_db + 0.1]
    nearest = min(one.apart_periods for one in near)
    assert chosen.apart_periods < nearest + 0.05
    for one in near:
        if one.apart_periods >= nearest + 0.05:
            continue
        turned, ours = sum(one.solution.inverted), sum(chosen.solution.inverted)
        moved = sum(map(abs, one.solution.delays_ms))
        least = sum(map(abs, chosen.solution.delays_ms))
        assert ours <= turned
        if ours == turned:
            assert least <= moved
        if (ours, least) == (turned, moved):
            assert sum(chosen.solution.delays_ms) <= sum(one.solution.delays_ms)
    for one in ranked:
        as_good = abs(one.solution.value_db - chosen.solution.value_db) <= 0.05
        as_near = abs(one.apart_periods - chosen.apart_periods) < 0.05
        assert (one in rivals) == (one is not chosen and as_good and as_near)
