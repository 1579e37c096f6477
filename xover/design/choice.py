"""The choice among delays that sum equally well, and how far the chosen one may drift.

Steep slopes make the opposite-polarity half cycle only hundredths of a decibel worse but several
milliseconds late, so near ties are settled by group delay, not by loss alone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from xover.design.delay_search import Pair
from xover.design.joint import Solution
from xover.design.overlap import (
    POINTS_PER_OCTAVE,
    SMOOTHING_FRACTION,
    BoolArray,
    ComplexArray,
    FloatArray,
)

TIE_DB = 0.1
"""Minima this close to the best are told apart by group delay."""
RIVAL_DB = 0.05
SAME_PERIODS = 0.05
"""Group-delay differences closer than this part of a period count as equal."""
SAME_DELAY_MS = 1e-3
DUPLICATE_MS = 1e-3
LISTED_DB = 1.0
"""Other settings are listed up to this much worse than the best; the runner-up always."""


class ListenerParts(Struct, frozen=True, eq=False):
    """Both parts at one listener on the whole grid (n,), NaN where unknown; the overlap."""

    listener: str
    frequency_hz: FloatArray
    first: ComplexArray
    second: ComplexArray
    weight: FloatArray
    mask: BoolArray
    bands_hz: tuple[tuple[float, float], ...]

    def pair(self) -> Pair:
        """The parts inside the overlap."""
        keep = self.mask
        return Pair(self.frequency_hz[keep], self.first[keep], self.second[keep], self.weight[keep])


class Candidate(Struct, frozen=True):
    """A solution with how far apart its parts arrive: by mover in ms, and of all in periods."""

    solution: Solution
    apart_ms: tuple[float, ...]
    apart_periods: float


class Couple(Struct, frozen=True, eq=False):
    """Two parts by their places in a solution (−1: the reference), and what joins them."""

    first: int
    second: int
    at: tuple[ListenerParts, ...]
    weights: tuple[float, ...]
    """One a listener."""
    log_centre_hz: float


def group_delay_difference_ms(
    parts: Sequence[ListenerParts], delay_ms: float, weights: Sequence[float] = ()
) -> float:
    """How far apart in time the two parts arrive with B delayed by `delay_ms`, in ms.

    Per listener |mean over log frequency of (τ_A − τ_B)| from the phase slope of A·conj(B)
    smoothed to 1/6 octave, weighted by |A|·|B| and coherence; then the mean over listeners.
    """
    counts = list(weights) if weights and sum(weights) > 0.0 else None
    return float(np.average([_difference_ms(part, delay_ms) for part in parts], weights=counts))


def _difference_ms(part: ListenerParts, delay_ms: float) -> float:
    omega = 2e-3 * np.pi * part.frequency_hz
    cross = np.nan_to_num(part.first * np.conj(part.second)) * np.exp(1j * omega * delay_ms)
    half = POINTS_PER_OCTAVE // SMOOTHING_FRACTION // 2
    total = np.concatenate(([0.0], np.cumsum(cross)))
    index = np.arange(cross.size)
    high = np.minimum(index + half + 1, cross.size)
    low = np.maximum(index - half, 0)
    smooth = (total[high] - total[low]) / (high - low)
    before = np.maximum(index - 1, 0)
    after = np.minimum(index + 1, cross.size - 1)
    turn = np.angle(smooth[after] * np.conj(smooth[before]))
    slope = -turn / (omega[after] - omega[before])
    weight = np.where(part.mask, np.abs(cross) * part.weight, 0.0)
    if weight.sum() <= 0.0:
        weight = part.mask.astype(np.float64)
    return float(abs(np.sum(slope * weight) / np.sum(weight)))


def candidates(couples: Sequence[Couple], solutions: Sequence[Solution]) -> list[Candidate]:
    """The solutions, best loss first and without duplicates, with how far apart parts arrive."""
    kept: list[Solution] = []
    for solution in solutions:
        if not any(_same(solution, other) for other in kept):
            kept.append(solution)
    return [_with_group_delays(couples, solution) for solution in kept]


def _same(one: Solution, two: Solution) -> bool:
    return one.inverted == two.inverted and all(
        abs(a - b) < DUPLICATE_MS for a, b in zip(one.delays_ms, two.delays_ms, strict=True)
    )


def _with_group_delays(couples: Sequence[Couple], solution: Solution) -> Candidate:
    by_mover: list[list[float]] = [[] for _ in solution.delays_ms]
    periods = 0.0
    for couple in couples:
        before = solution.delays_ms[couple.first] if couple.first >= 0 else 0.0
        delay_ms = solution.delays_ms[couple.second] - before
        apart_ms = group_delay_difference_ms(couple.at, delay_ms, couple.weights)
        if any(couple.weights):
            periods += apart_ms * 1e-3 * couple.log_centre_hz
        for end in (couple.first, couple.second):
            if end >= 0:
                by_mover[end].append(apart_ms)
    return Candidate(solution, tuple(float(np.mean(each or [0.0])) for each in by_mover), periods)


def choose(
    ranked: Sequence[Candidate], *, scale: float = 1.0
) -> tuple[Candidate, tuple[Candidate, ...]]:
    """The candidate to take, and the rivals that make the answer ambiguous.

    `ranked` is not empty and sorted by loss; `scale` is how many pairs of parts share the
    criterion's mean, so that limits in dB hold for their sum. Order of decision: loss (within
    0.1 dB counts as equal), group-delay difference (within 0.05 period), fewest changes of
    polarity, the smaller change of delay (within 1 µs), the earlier delays.
    """
    best_db = ranked[0].solution.value_db
    tied = [entry for entry in ranked if (entry.solution.value_db - best_db) * scale <= TIE_DB]
    nearest = min(entry.apart_periods for entry in tied)
    tied = [entry for entry in tied if entry.apart_periods < nearest + SAME_PERIODS]
    fewest = min(sum(entry.solution.inverted) for entry in tied)
    tied = [entry for entry in tied if sum(entry.solution.inverted) == fewest]
    smallest_ms = min(_moved_ms(entry) for entry in tied)
    tied = [entry for entry in tied if _moved_ms(entry) <= smallest_ms + SAME_DELAY_MS]
    chosen = min(tied, key=lambda entry: sum(entry.solution.delays_ms))
    rivals = tuple(
        entry
        for entry in ranked
        if entry is not chosen
        and abs(entry.solution.value_db - chosen.solution.value_db) * scale <= RIVAL_DB
        and abs(entry.apart_periods - chosen.apart_periods) < SAME_PERIODS
    )
    return chosen, rivals


def _moved_ms(entry: Candidate) -> float:
    return float(sum(abs(delay) for delay in entry.solution.delays_ms))


def quadrature_delay(
    parts: Sequence[ListenerParts], *, max_delay_ms: float, near_ms: float
) -> tuple[float, bool] | None:
    """The setting of an odd-order Butterworth pair in quadrature: delay in ms and inversion.

    Flat means |A ± B|² = |A|² + |B|² (references: S. P. Lipshitz and J. Vanderkooy 1986 for the
    power-complementary class); found as the delay near `near_ms` where the cross term vanishes
    best, with the polarity that gives the sum the smaller group delay. None outside the range.
    """
    omega = [2e-3 * np.pi * part.frequency_hz[part.mask] for part in parts]
    first = [part.first[part.mask] for part in parts]
    second = [part.second[part.mask] for part in parts]
    high = max(float(w.max()) for w in omega)
    centre = float(np.mean([np.exp(np.mean(np.log(w))) for w in omega]))
    reach = np.pi / centre
    low_ms = max(-max_delay_ms, near_ms - reach)
    high_ms = min(max_delay_ms, near_ms + reach)
    if high_ms <= low_ms:
        return None

    def unevenness(delays: FloatArray) -> FloatArray:
        total = np.zeros(delays.size)
        for w, a, b in zip(omega, first, second, strict=True):
            turned = (np.conj(a) * b) * np.exp(-1j * np.outer(delays, w))
            ratio = 2.0 * turned.real / (np.abs(a) ** 2 + np.abs(b) ** 2)
            total += np.mean(ratio**2, axis=1)
        return total

    delays = np.linspace(low_ms, high_ms, max(64, int((high_ms - low_ms) * high / np.pi * 32)))
    step = delays[1] - delays[0]
    best = float(delays[int(np.argmin(unevenness(delays)))])
    while step > 1e-5:
        delays = np.linspace(max(low_ms, best - step), min(high_ms, best + step), 17)
        best = float(delays[int(np.argmin(unevenness(delays)))])
        step /= 8.0

    def sum_delay(sign: float) -> float:
        value = 0.0
        for w, a, b in zip(omega, first, second, strict=True):
            total = a + sign * b * np.exp(-1j * w * best)
            if total.size > 1:
                turn = np.angle(total[1:] * np.conj(total[:-1]))
                value += float(np.mean(-turn / np.diff(w)))
        return value

    return best, sum_delay(-1.0) < sum_delay(1.0)
