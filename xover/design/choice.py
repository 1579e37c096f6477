"""The choice among delays that sum equally well, and how far the chosen one may drift.

Steep slopes make the opposite-polarity half cycle only hundredths of a decibel worse but several
milliseconds late, so near ties are settled by group delay, not by loss alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xover.design.delay_search import DelayProblem, Minimum, Pair
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
TOLERANCE_DB = 1.0
DUPLICATE_MS = 1e-3


@dataclass(frozen=True, eq=False)
class ListenerParts:
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


@dataclass(frozen=True)
class Candidate:
    """A minimum with its group-delay difference in ms."""

    minimum: Minimum
    group_delay_ms: float


def group_delay_difference_ms(parts: Sequence[ListenerParts], delay_ms: float) -> float:
    """How far apart in time the two parts arrive with B delayed by `delay_ms`, in ms.

    Per listener |mean over log frequency of (τ_A − τ_B)| from the phase slope of A·conj(B)
    smoothed to 1/6 octave, weighted by |A|·|B| and coherence; then the mean over listeners.
    """
    return float(np.mean([_difference_ms(part, delay_ms) for part in parts]))


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


def candidates(parts: Sequence[ListenerParts], minima: Sequence[Minimum]) -> list[Candidate]:
    """The minima, without duplicates, each with its group-delay difference; best loss first."""
    kept: list[Candidate] = []
    for minimum in minima:
        if any(
            other.minimum.inverted == minimum.inverted
            and abs(other.minimum.delay_ms - minimum.delay_ms) < DUPLICATE_MS
            for other in kept
        ):
            continue
        kept.append(Candidate(minimum, group_delay_difference_ms(parts, minimum.delay_ms)))
    return kept


def choose(ranked: Sequence[Candidate], *, log_centre_hz: float) -> tuple[Candidate, bool]:
    """The candidate to take, and whether a rival makes the answer ambiguous.

    `ranked` is not empty and sorted by loss. Order of decision: loss (within 0.1 dB counts as
    equal), group-delay difference (within 0.05 period at the overlap's log centre), no change of
    polarity, the smaller change of delay (within 1 µs), the earlier delay of the moved output.
    """
    period_ms = 1e3 / log_centre_hz
    best_db = ranked[0].minimum.value_db
    tied = [entry for entry in ranked if entry.minimum.value_db <= best_db + TIE_DB]
    nearest_ms = min(entry.group_delay_ms for entry in tied)
    tied = [entry for entry in tied if entry.group_delay_ms < nearest_ms + SAME_PERIODS * period_ms]
    if any(not entry.minimum.inverted for entry in tied):
        tied = [entry for entry in tied if not entry.minimum.inverted]
    smallest_ms = min(abs(entry.minimum.delay_ms) for entry in tied)
    tied = [entry for entry in tied if abs(entry.minimum.delay_ms) <= smallest_ms + SAME_DELAY_MS]
    chosen = min(tied, key=lambda entry: entry.minimum.delay_ms)
    rivals = (
        entry
        for entry in ranked
        if entry is not chosen
        and abs(entry.minimum.value_db - chosen.minimum.value_db) <= RIVAL_DB
        and abs(entry.group_delay_ms - chosen.group_delay_ms) < SAME_PERIODS * period_ms
    )
    return chosen, any(True for _ in rivals)


def tolerance_ms(
    problem: DelayProblem, delay_ms: float, *, inverted: bool
) -> tuple[float | None, float | None]:
    """How far the relative delay may drift (earlier, later) before the mean loss grows by 1 dB.

    `problem` has the criterion "mean". None where it never does, looked for over eight periods
    of the lowest overlap frequency.
    """
    step_ms = 1e3 / problem.highest_hz / 32.0
    steps = np.arange(0.0, 8e3 / problem.lowest_hz + step_ms, step_ms)
    base_db = float(problem.values_db(np.array([delay_ms]), inverted=inverted)[0])

    def crossing(sign: float) -> float | None:
        for begin in range(0, steps.size, 256):
            part = steps[begin : begin + 256]
            grown = problem.values_db(delay_ms + sign * part, inverted=inverted) - base_db
            over = np.flatnonzero(grown >= TOLERANCE_DB)
            if over.size:
                high = float(part[over[0]])
                low = max(0.0, high - step_ms)
                for _ in range(30):
                    middle = 0.5 * (low + high)
                    value = problem.values_db(
                        np.array([delay_ms + sign * middle]), inverted=inverted
                    )[0]
                    low, high = (low, middle) if value - base_db >= TOLERANCE_DB else (middle, high)
                return high
        return None

    return crossing(-1.0), crossing(1.0)


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
