"""Several movers against a reference and each other: what their delays and polarities cost.

Every pair of parts that overlaps costs a function of its own relative delay, so a setting of all
movers costs a sum (or the largest) of such functions. That makes tables possible, and bounds.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.design.delay_search import Criterion, DelayProblem, in_db
from xover.design.overlap import FloatArray

IntArray = NDArray[np.intp]

MEAN_BESIDE_WORST = 1e-3
"""How much of the mean is added to the worst, so that parts on which the worst does not depend
are set well, too: at most some thousandths of a decibel."""


class Edge(Struct, frozen=True, eq=False):
    """Two parts that overlap: mover `second` against mover `first`, −1 for the reference.

    The problem's delay is that of `second` relative to `first`. For the worst, `mean` is the
    same pair under the mean.
    """

    first: int
    second: int
    problem: DelayProblem
    mean: DelayProblem | None = None

    def amounts(self, delay_ms: FloatArray, *, inverted: bool) -> FloatArray:
        """What the pair costs at each delay, (k, 1); (k, 2) with the mean beside the worst."""
        columns = [self.problem.amounts(delay_ms, inverted=inverted)]
        if self.mean is not None:
            columns.append(self.mean.amounts(delay_ms, inverted=inverted))
        return np.stack(columns, axis=-1)

    def grid_amounts(self, start_ms: float, step_ms: float, count: int) -> FloatArray:
        """`amounts` on a grid for both polarities, (2, count, 1 or 2)."""
        polarities = (False, True)
        columns = [np.array(self.problem.grid_amounts(start_ms, step_ms, count, polarities))]
        if self.mean is not None:
            columns.append(np.array(self.mean.grid_amounts(start_ms, step_ms, count, polarities)))
        return np.stack(columns, axis=-1)


class Ties(Struct, frozen=True):
    """Which movers share a delay, and which a polarity: an index of a variable for each mover.

    None as polarity: it stays as it is.
    """

    delay_of: tuple[int, ...]
    polarity_of: tuple[int | None, ...]

    @property
    def delays(self) -> int:
        """How many delays are free."""
        return 1 + max(self.delay_of)

    @property
    def polarities(self) -> int:
        """How many polarities are free."""
        return 1 + max((-1 if item is None else item for item in self.polarity_of), default=-1)

    def turned(self, turns: Sequence[bool]) -> tuple[bool, ...]:
        """Whether each mover is inverted, from the free polarities."""
        return tuple(item is not None and bool(turns[item]) for item in self.polarity_of)


class Solution(Struct, frozen=True):
    """A local minimum: for each mover its delay relative to the reference and its turn.

    `value_db` is the criterion over everything that counts.
    """

    delays_ms: tuple[float, ...]
    inverted: tuple[bool, ...]
    value_db: float
    at_limit: tuple[bool, ...]


class JointProblem:
    """The criterion as a function of all free delays (k, n_delays) and a choice of polarities."""

    def __init__(self, edges: Sequence[Edge], ties: Ties, criterion: Criterion) -> None:
        """`edges`: at least one; their problems' shares add up to 1 (not for the worst)."""
        self.edges = tuple(edges)
        self.ties = ties
        self.criterion: Criterion = criterion
        self.highest_hz = max(edge.problem.highest_hz for edge in edges)
        self.choices: tuple[tuple[bool, ...], ...] = tuple(
            ties.turned(turns) for turns in itertools.product((False, True), repeat=ties.polarities)
        )
        """Every combination of polarities, one inversion a mover."""

    @cached_property
    def signs(self) -> NDArray[np.intp]:
        """1 where an edge's two parts end up with opposite turns, (n_choices, n_edges)."""
        rows = [
            [(edge.first >= 0 and turned[edge.first]) != turned[edge.second] for edge in self.edges]
            for turned in self.choices
        ]
        return np.asarray(rows, dtype=np.intp)

    def ends(self, edge: Edge) -> tuple[int | None, int | None]:
        """The delay variables an edge hangs on, (earlier, later); both None where none does."""
        second = self.ties.delay_of[edge.second]
        if edge.first < 0:
            return None, second
        first = self.ties.delay_of[edge.first]
        return (None, None) if first == second else (first, second)

    def relative(self, edge: Edge, delays_ms: FloatArray) -> FloatArray:
        """The edge's relative delay, (k,), at delays (k, n_delays)."""
        first, second = self.ends(edge)
        later = np.zeros(delays_ms.shape[0]) if second is None else delays_ms[:, second]
        return later if first is None else later - delays_ms[:, first]

    def combine(self, amounts: Sequence[FloatArray]) -> FloatArray:
        """Edges' amounts (k, 1 or 2) as one, (k,): their sum; the largest for the worst."""
        if self.criterion == "worst":
            worst = np.maximum.reduce([each[:, 0] for each in amounts])
            for each in amounts:
                worst += MEAN_BESIDE_WORST * each[:, 1]
            return np.asarray(worst)
        total = amounts[0][:, 0].copy()
        for each in amounts[1:]:
            total += each[:, 0]
        return total

    def amounts(self, delays_ms: FloatArray, choices: IntArray) -> FloatArray:
        """What is made small, (k,), at delays (k, n_delays) with a choice of polarities each."""
        parts = []
        for index, edge in enumerate(self.edges):
            delta = self.relative(edge, delays_ms)
            signs = self.signs[choices, index]
            part = np.empty((delta.size, 1 if edge.mean is None else 2))
            for sign in (0, 1):
                here = signs == sign
                if here.any():
                    part[here] = edge.amounts(delta[here], inverted=bool(sign))
            parts.append(part)
        return self.combine(parts)

    def values_db(self, delays_ms: FloatArray, choices: IntArray) -> FloatArray:
        """The criterion in dB, (k,)."""
        return in_db(self.amounts(delays_ms, choices), self.criterion)

    def derivatives(
        self, delays_ms: FloatArray, choices: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        """Gradient (k, n) and curvature (k, n, n) of the amounts; not for the worst."""
        count, size = delays_ms.shape
        slope = np.zeros((count, size))
        bend = np.zeros((count, size, size))
        for index, edge in enumerate(self.edges):
            first, second = self.ends(edge)
            if second is None:
                continue
            delta = self.relative(edge, delays_ms)
            signs = self.signs[choices, index]
            one, two = np.empty(count), np.empty(count)
            for sign in (0, 1):
                here = signs == sign
                if here.any():
                    one[here], two[here] = edge.problem.derivatives(
                        delta[here], inverted=bool(sign)
                    )
            slope[:, second] += one
            bend[:, second, second] += two
            if first is not None:
                slope[:, first] -= one
                bend[:, first, first] += two
                bend[:, first, second] -= two
                bend[:, second, first] -= two
        return slope, bend

    def solution(
        self, delays_ms: FloatArray, choice: int, amount: float, limit_ms: float
    ) -> Solution:
        """One setting (n_delays,) in terms of the movers."""
        each = [float(delays_ms[item]) for item in self.ties.delay_of]
        value = float(in_db(np.array([amount]), self.criterion)[0])
        at_limit = tuple(abs(delay) >= limit_ms for delay in each)
        return Solution(tuple(each), self.choices[choice], value, at_limit)
