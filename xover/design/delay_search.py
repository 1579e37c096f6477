"""All delays at which two parts sum well: arrays in, local minima out.

The moved part B is delayed by τ: the sum at a listener is A ± B·e^(−j2πfτ). The search walks a
grid fine against the highest overlap frequency and closes in on every local minimum; choosing
among them is the caller's business.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import cached_property
from typing import Literal

import numpy as np
from msgspec import Struct

from xover.design.overlap import LOSS_CAP_DB, ComplexArray, FloatArray

Criterion = Literal["mean", "worst", "energy"]

STEPS_PER_PERIOD: dict[Criterion, int] = {"mean": 16, "worst": 40, "energy": 10}
"""Grid points a period of the highest overlap frequency: the energy form is band-limited to that
frequency; the logarithm of the loss form is not, and the worst of several has corners."""
RESOLUTION_MS = 1e-5
_CAP = 10.0 ** (-LOSS_CAP_DB / 10.0)
_LOG_GROUP = 16
_CHUNK_ELEMENTS = 400_000


class Pair(Struct, frozen=True, eq=False):
    """Both parts inside the overlap at one listener; every array has shape (m,), m ≥ 1.

    `weight` is the coherence weight in 0…1 on a grid of equal steps in log frequency.
    """

    frequency_hz: FloatArray
    first: ComplexArray
    second: ComplexArray
    weight: FloatArray


class Minimum(Struct, frozen=True):
    """A local minimum of the criterion: B `delay_ms` later (negative: earlier) and its polarity."""

    delay_ms: float
    inverted: bool
    value_db: float
    at_limit: bool


class DelayProblem:
    """The criterion as a function of relative delay, over all listeners at once."""

    def __init__(
        self,
        pairs: Sequence[Pair],
        criterion: Criterion = "mean",
        listener_weights: Sequence[float] | None = None,
    ) -> None:
        """`pairs`: one a listener, in the listeners' order; at least one.

        `listener_weights` are shares: mean and energy are sums of them times each listener's
        figure, the worst is the largest of them times a loss. None: 1/n each, 1 for the worst.
        """
        self.criterion: Criterion = criterion
        alike = 1.0 if criterion == "worst" else 1.0 / len(pairs)
        self.shares: FloatArray = np.asarray(
            [alike] * len(pairs) if listener_weights is None else listener_weights,
            dtype=np.float64,
        )
        sizes = [pair.frequency_hz.size for pair in pairs]
        self._starts = np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.intp)
        frequency_hz = np.concatenate([pair.frequency_hz for pair in pairs])
        self._omega = 2e-3 * np.pi * frequency_hz  # rad per ms
        self._grid, self._where = np.unique(self._omega, return_inverse=True)
        first = np.concatenate([pair.first for pair in pairs])
        second = np.concatenate([pair.second for pair in pairs])
        weights = [pair.weight for pair in pairs]
        self._uniform = all(np.ptp(weight) == 0.0 and weight[0] > 0.0 for weight in weights)
        self._weight = np.concatenate(
            [
                weight / weight.sum()
                if weight.sum() > 0.0
                else np.full(weight.size, 1 / weight.size)
                for weight in weights
            ]
        )
        best = (np.abs(first) + np.abs(second)) ** 2
        self._cross = np.conj(first) * second  # |A ± B·e|² = |A|² + |B|² ± 2·Re(X·e)
        self._mean_power = (np.abs(first) ** 2 + np.abs(second) ** 2) / best
        self._relative_cross = 2.0 * self._cross / best
        self._best = best
        self.highest_hz = float(frequency_hz.max())
        self.lowest_hz = float(frequency_hz.min())
        centres = np.add.reduceat(np.log(frequency_hz) * self._weight, self._starts)
        counts = self.shares if self.shares.sum() > 0.0 else np.ones(len(pairs))
        self.log_centre_hz = float(np.exp(centres @ counts / counts.sum()))

    @cached_property
    def _product_starts(self) -> tuple[np.ndarray, np.ndarray]:
        """Where each run of at most 16 frequencies of one listener begins, and whose it is."""
        bounds = [*self._starts.tolist(), self._omega.size]
        runs: list[int] = []
        firsts: list[int] = []
        for start, stop in itertools.pairwise(bounds):
            firsts.append(len(runs))
            runs.extend(range(start, stop, _LOG_GROUP))
        return np.array(runs, dtype=np.intp), np.array(firsts, dtype=np.intp)

    @cached_property
    def _counts(self) -> FloatArray:
        bounds = np.append(self._starts, self._omega.size)
        return np.asarray(np.diff(bounds), dtype=np.float64)

    @cached_property
    def _folded(self) -> tuple[float, ComplexArray]:
        """The energy form: its constant, and one spectrum on the unique frequencies."""
        scale = self._weight / np.repeat(
            np.add.reduceat(self._weight * self._best, self._starts), self._counts.astype(np.intp)
        )
        scale *= np.repeat(self.shares, self._counts.astype(np.intp))
        constant = float(np.sum(scale * self._mean_power * self._best))
        cross = scale * self._cross
        real = np.bincount(self._where, weights=cross.real, minlength=self._grid.size)
        imaginary = np.bincount(self._where, weights=cross.imag, minlength=self._grid.size)
        spectrum = np.empty(self._grid.size, dtype=np.complex128)
        spectrum.real, spectrum.imag = 2.0 * real, 2.0 * imaginary
        return constant, spectrum

    def values_db(self, delay_ms: FloatArray, *, inverted: bool) -> FloatArray:
        """The criterion in dB at each relative delay, shape (k,)."""
        return in_db(self.amounts(delay_ms, inverted=inverted), self.criterion)

    def amounts(self, delay_ms: FloatArray, *, inverted: bool) -> FloatArray:
        """What is made small at each relative delay, shape (k,).

        Mean: Σ share·loss in dB. Worst: the largest share·loss. Energy: minus Σ share·energy
        over the best energy. Sums (or the largest) over several problems are again such amounts.
        """
        if self.criterion == "energy":
            return self._energy_amount(self._energy_cross(delay_ms), inverted)
        return self._combine(self.listener_losses_db(delay_ms, inverted=inverted))

    def _combine(self, losses_db: FloatArray) -> FloatArray:
        if self.criterion == "worst":
            return np.asarray((losses_db * self.shares).max(axis=1))
        return np.asarray(losses_db @ self.shares)

    def _energy_cross(self, delay_ms: FloatArray) -> FloatArray:
        return np.asarray((self._turn(delay_ms) @ self._folded[1]).real)

    def _turn(self, delay_ms: FloatArray) -> ComplexArray:
        """e^(−jωτ) on the unique frequencies, shape (k, n_unique)."""
        return np.asarray(np.exp(np.multiply.outer(delay_ms, -1j * self._grid)))

    def _energy_amount(self, cross: FloatArray, inverted: bool) -> FloatArray:
        return (cross if inverted else -cross) - self._folded[0]

    def listener_losses_db(self, delay_ms: FloatArray, *, inverted: bool) -> FloatArray:
        """The weighted mean loss at each listener, shape (k, n_listeners)."""
        turned = self._turn(delay_ms)[:, self._where]
        turned *= self._relative_cross
        return self._losses(turned.real, inverted)

    def _losses(self, cross: FloatArray, inverted: bool) -> FloatArray:
        """Mean losses from 2·Re(X·e^(−jωτ))/(|A|+|B|)², shape (k, m) to (k, n_listeners)."""
        power = self._mean_power - cross if inverted else self._mean_power + cross
        np.clip(power, _CAP, 1.0, out=power)
        if self._uniform:
            runs, firsts = self._product_starts
            products = np.multiply.reduceat(power, runs, axis=1)  # ≥ 1e-64: no underflow
            logs = np.add.reduceat(np.log10(products), firsts, axis=1)
            return np.asarray(-10.0 * logs / self._counts)
        return np.asarray(
            np.add.reduceat(-10.0 * np.log10(power) * self._weight, self._starts, axis=1)
        )

    def near_null(self, minimum: Minimum) -> bool:
        """Whether at this setting some frequency at some listener nearly cancels."""
        turned = self._turn(np.array([minimum.delay_ms]))[0, self._where]
        cross = (turned * self._relative_cross).real
        power = self._mean_power + (-cross if minimum.inverted else cross)
        return bool(np.min(power) < NEAR_NULL)

    def derivatives(self, delay_ms: FloatArray, *, inverted: bool) -> tuple[FloatArray, FloatArray]:
        """First and second derivative of `amounts` over delay in ms, shapes (k,).

        Not for the criterion "worst", which has corners.
        """
        sign = -1.0 if inverted else 1.0
        turned = self._turn(delay_ms)
        if self.criterion == "energy":
            turned *= sign * self._folded[1]
            return -(turned.imag @ self._grid), turned.real @ self._grid**2
        omega = self._omega
        turned = turned[:, self._where]
        turned *= sign * self._relative_cross
        real, imaginary = turned.real, turned.imag
        power = self._mean_power + real
        inverse = np.where(power > _CAP, 1.0 / np.maximum(power, _CAP), 0.0)
        ratio = imaginary * omega * inverse
        scale = 10.0 / np.log(10.0)
        weight = self._weight * np.repeat(self.shares, self._counts.astype(np.intp))
        slope = -scale * (ratio @ weight)
        ratio *= ratio
        ratio += real * omega**2 * inverse
        return slope, scale * (ratio @ weight)

    def grid_values_db(
        self, start_ms: float, step_ms: float, count: int, polarities: Sequence[bool]
    ) -> list[FloatArray]:
        """The criterion in dB on a uniform grid of delays, one array (count,) a polarity."""
        amounts = self.grid_amounts(start_ms, step_ms, count, polarities)
        return [in_db(each, self.criterion) for each in amounts]

    def grid_amounts(
        self, start_ms: float, step_ms: float, count: int, polarities: Sequence[bool]
    ) -> list[FloatArray]:
        """`amounts` on a uniform grid of delays, one array (count,) a polarity.

        The phases come from products of two short tables, τ = start + step·(M·a + b).
        """
        inner = max(1, int(np.sqrt(count)))
        outer = -(-count // inner)
        coarse = self._turn(start_ms + step_ms * inner * np.arange(outer, dtype=np.float64))
        fine = self._turn(step_ms * np.arange(inner, dtype=np.float64))
        if self.criterion == "energy":
            coarse *= self._folded[1]
            table = coarse @ fine.T  # (outer, inner): every delay in one product
            cross = table.real.reshape(-1)[:count]
            return [self._energy_amount(cross, inverted) for inverted in polarities]
        coarse = coarse[:, self._where] * self._relative_cross
        fine = fine[:, self._where]
        real, imaginary = fine.real.copy(), fine.imag.copy()
        size = self._omega.size
        results = [np.empty(outer * inner) for _ in polarities]
        rows = max(1, _CHUNK_ELEMENTS // (inner * size))
        for begin in range(0, outer, rows):
            part = coarse[begin : begin + rows, np.newaxis, :]
            cross = part.real * real - part.imag * imaginary
            flat = cross.reshape(-1, size)
            where = slice(begin * inner, begin * inner + flat.shape[0])
            for result, inverted in zip(results, polarities, strict=True):
                result[where] = self._combine(self._losses(flat, inverted))
        return [result[:count] for result in results]


def in_db(amounts: FloatArray, criterion: Criterion) -> FloatArray:
    """`DelayProblem.amounts`, or sums of such, as losses in dB."""
    if criterion != "energy":
        return amounts
    return np.asarray(-10.0 * np.log10(np.clip(-amounts, _CAP, 1.0)))


def search(
    problem: DelayProblem, *, max_delay_ms: float, polarities: Sequence[bool] = (False, True)
) -> list[Minimum]:
    """Every local minimum of the criterion within ±`max_delay_ms`, best first.

    Ripples of thousandths of a decibel, where a single frequency passes through a null and the
    loss is high, may be passed over; the best is never worse than an exhaustive grid's.
    Each is refined to 0.01 µs; the ends of the range count where the criterion falls towards
    them, and are marked `at_limit`.
    """
    if max_delay_ms <= 0.0:
        return sorted(
            (
                Minimum(
                    0.0, inverted, float(problem.values_db(np.zeros(1), inverted=inverted)[0]), True
                )
                for inverted in polarities
            ),
            key=lambda minimum: minimum.value_db,
        )
    per_period = STEPS_PER_PERIOD[problem.criterion]
    count = 1 + 2 * max(8, int(np.ceil(max_delay_ms * 1e-3 * problem.highest_hz * per_period)))
    step_ms = 2.0 * max_delay_ms / (count - 1)
    found: list[Minimum] = []
    grids = problem.grid_values_db(-max_delay_ms, step_ms, count, polarities)
    for inverted, values in zip(polarities, grids, strict=True):
        inside = 1 + np.flatnonzero((values[1:-1] <= values[:-2]) & (values[1:-1] < values[2:]))
        centres = -max_delay_ms + step_ms * inside.astype(np.float64)
        delays, best = _refine(problem, centres, step_ms, inverted)
        found += [
            Minimum(float(delay), inverted, float(value), False)
            for delay, value in zip(delays, best, strict=True)
        ]
        if values[0] < values[1]:
            found.append(Minimum(-max_delay_ms, inverted, float(values[0]), True))
        if values[-1] < values[-2]:
            found.append(Minimum(max_delay_ms, inverted, float(values[-1]), True))
    if problem.criterion != "energy":
        found += _between_nulls(problem, found, step_ms, max_delay_ms)
    return sorted(found, key=lambda minimum: minimum.value_db)


def lowest(
    problem: DelayProblem, *, from_ms: float, to_ms: float, polarities: Sequence[bool]
) -> Minimum:
    """The least of the criterion in a range of delays: the grid's best point, refined.

    Cheaper than `search` where one answer is enough.
    """
    steps = (to_ms - from_ms) * 1e-3 * problem.highest_hz * STEPS_PER_PERIOD[problem.criterion]
    count = 2 + int(np.ceil(steps))
    step_ms = (to_ms - from_ms) / (count - 1)
    found: list[Minimum] = []
    grids = problem.grid_values_db(from_ms, step_ms, count, polarities)
    for inverted, values in zip(polarities, grids, strict=True):
        at = int(np.argmin(values))
        delay_ms, value_db = from_ms + step_ms * at, float(values[at])
        refined, best = _refine(problem, np.array([delay_ms]), step_ms, inverted)
        if from_ms <= refined[0] <= to_ms and best[0] <= value_db:
            delay_ms, value_db = float(refined[0]), float(best[0])
        found.append(Minimum(delay_ms, inverted, value_db, at in (0, count - 1)))
    return min(found, key=lambda minimum: minimum.value_db)


NEAR_NULL = 0.1
"""Below this part of the best power a frequency is near enough to a null to ripple the mean."""
RIPPLE_DB = 0.2
RIPPLE_STEP_MS = 0.005
MOST_RIPPLED = 64
"""More near-best minima than this only come about where no setting is any better than another."""


def _between_nulls(
    problem: DelayProblem, found: list[Minimum], step_ms: float, max_delay_ms: float
) -> list[Minimum]:
    """Better minima close to the good ones, where nulls of other listeners ripple the loss.

    As a null passes from one frequency of the grid to the next the mean loss ripples by up to
    hundredths of a decibel, faster than the search's grid; looked into at 5 µs where it matters.
    """
    if not found:
        return []
    limit_db = min(minimum.value_db for minimum in found) + RIPPLE_DB
    better: list[Minimum] = []
    near = [minimum for minimum in found if minimum.value_db <= limit_db]
    for minimum in sorted(near, key=lambda each: each.value_db)[:MOST_RIPPLED]:
        if problem.criterion == "mean" and not problem.near_null(minimum):
            continue
        start_ms = max(-max_delay_ms, minimum.delay_ms - step_ms)
        stop_ms = min(max_delay_ms, minimum.delay_ms + step_ms)
        count = 1 + int(np.ceil((stop_ms - start_ms) / RIPPLE_STEP_MS))
        fine_ms = (stop_ms - start_ms) / max(1, count - 1)
        values = problem.grid_values_db(start_ms, fine_ms, count, (minimum.inverted,))[0]
        lowest = np.argsort(values)[:3]
        centres = start_ms + fine_ms * lowest.astype(np.float64)
        delays, refined = _shrink(problem, centres, fine_ms, minimum.inverted)
        best = int(np.argmin(refined))
        if refined[best] < minimum.value_db and abs(delays[best]) <= max_delay_ms:
            better.append(
                Minimum(float(delays[best]), minimum.inverted, float(refined[best]), False)
            )
    return better


_SPREAD = np.arange(-3.0, 4.0) / 4.0
"""Seven points inside a bracket; each round shrinks it to a quarter."""
_NEWTON_ROUNDS = 8


def _refine(
    problem: DelayProblem, centres_ms: FloatArray, half_ms: float, inverted: bool
) -> tuple[FloatArray, FloatArray]:
    """Close in on the minima inside centre ± half, all at once; shapes (c,).

    Newton's method where the criterion is smooth and it settles inside the bracket, shrinking
    brackets for the rest.
    """
    if centres_ms.size == 0:
        return centres_ms, centres_ms
    if problem.criterion == "worst":
        return _shrink(problem, centres_ms, half_ms, inverted)
    delays = centres_ms.copy()
    near_ms = 1e-3 / (2e-3 * np.pi * problem.highest_hz)  # quadratic: the next error is 1e-6 rad
    settled = np.zeros(delays.shape, dtype=bool)
    for _ in range(_NEWTON_ROUNDS):
        slope, bend = problem.derivatives(delays, inverted=inverted)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(bend > 0.0, -slope / bend, np.nan)
        settled = np.abs(step) < near_ms
        delays = np.clip(delays + np.nan_to_num(step), centres_ms - half_ms, centres_ms + half_ms)
        if settled.all():
            break
    values = problem.values_db(delays, inverted=inverted)
    lost = ~settled
    if lost.any():
        delays[lost], values[lost] = _shrink(problem, centres_ms[lost], half_ms, inverted)
    return delays, values


def _shrink(
    problem: DelayProblem, centres_ms: FloatArray, half_ms: float, inverted: bool
) -> tuple[FloatArray, FloatArray]:
    """Minima by shrinking brackets: no derivative, so corners and caps are no trouble."""
    centres = centres_ms.copy()
    half = half_ms
    rows = np.arange(centres.size)
    while True:
        points = centres[:, np.newaxis] + half * _SPREAD
        values = problem.values_db(points.reshape(-1), inverted=inverted).reshape(points.shape)
        best = np.argmin(values, axis=1)
        centres = points[rows, best]
        if half <= RESOLUTION_MS:
            return centres, values[rows, best]
        half /= 4.0
