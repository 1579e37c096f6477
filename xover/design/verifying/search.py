"""Which slips explain a capture: least squares over all single changes, then over all pairs.

y = ln(captured/meant) is compared with each change's δ; gain and delay of the measuring loop, and
without a measured loop a slow series for the interface, are fitted along with every hypothesis.
Pairs are ranked by one Gram matrix and then computed exactly.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from xover.design.verifying.points import Points
from xover.design.verifying.slips import Change
from xover.dsp.axis import ComplexArray, FloatArray

FLOOR_NP = 0.0015
"""What any model may be wrong at each point: 0.013 dB, 0.086°."""
UNKNOWN_LOOP_NP = 0.004
"""The same where the interface was not captured by itself: 0.035 dB, 0.23°."""
LOOP_SERIES = 5
"""Terms of the slow series that stands for an unknown interface, for level and phase each."""
LOOP_NP, LOOP_RAD = 0.02, 0.03
"""How large each term may be expected: 0.17 dB and 1.7°. Common practice, no source."""
COUPLING_HZ = 5.0
"""An interface's coupling capacitors pass from about here: phase f₀/f, level (f₀/f)²/2."""
PAIR_COST = 16.0
"""What a second slip costs in χ² beyond what each costs by itself."""
PAIRS_KEPT = 300


class Fit(Struct, frozen=True, eq=False):
    """How one hypothesis fits: χ², with its cost, and what was fitted along."""

    changes: tuple[Change, ...]
    chi_square: float
    total: float
    gain_np: float
    delay_s: float
    residual: ComplexArray

    @property
    def places(self) -> frozenset[str]:
        """The fields concerned."""
        return frozenset().union(*(change.places for change in self.changes))

    @property
    def wrong(self) -> int:
        """How many fields have to be wrong for it."""
        return sum(change.wrong for change in self.changes)


class Problem:
    """One capture against what was meant, and everything that is fitted with each hypothesis."""

    def __init__(
        self,
        points: Points,
        meant: ComplexArray,
        *,
        loop_known: bool,
        extra_np: FloatArray | None = None,
        roundings: ComplexArray | None = None,
    ) -> None:
        """`meant` (n,) is ln of what was meant; `extra_np` (n,) further uncertainty of the model.

        `roundings` (m, n) are changes of ln H that a device's unknown steps may make, one
        standard deviation each.
        """
        self.points = points
        frequency = points.frequency_hz
        floor_np = FLOOR_NP if loop_known else UNKNOWN_LOOP_NP
        variance = points.noise**2 + floor_np**2
        if extra_np is not None:
            variance = variance + extra_np**2
        self.root: FloatArray = 1.0 / np.sqrt(variance)
        omega = 2.0 * np.pi * frequency
        self.omega = omega
        turned = points.response * np.exp(-1j * meant.imag)
        level = np.log(np.abs(points.response)) - meant.real
        phase = _unwrapped(np.angle(turned), self.root)
        self.y: ComplexArray = level + 1j * phase
        zero = np.zeros_like(self.root)
        scale = 1.0 / float(omega.max())
        rows = [
            np.concatenate([self.root, zero]),
            np.concatenate([zero, -self.root * omega * scale]),
        ]
        prior = [0.0, 0.0]
        self.delay_scale = scale
        if not loop_known:
            x = np.log(frequency / frequency[0]) / np.log(frequency[-1] / frequency[0])
            for k in range(1, LOOP_SERIES + 1):
                wave = np.cos(np.pi * k * x) * self.root
                rows += [np.concatenate([wave, zero]), np.concatenate([zero, wave])]
                prior += [1.0 / LOOP_NP**2, 1.0 / LOOP_RAD**2]
            coupling = COUPLING_HZ / frequency
            top = np.square(frequency / frequency[-1])
            rows += [
                np.concatenate([zero, self.root * coupling]),
                np.concatenate([self.root * np.square(coupling), zero]),
                np.concatenate([self.root * top, zero]),
                np.concatenate([zero, self.root * top * frequency / frequency[-1]]),
            ]
            prior += [1.0, 1.0, 1.0 / 0.03**2, 1.0 / 0.1**2]
        self.loop_terms = len(rows)
        if roundings is not None:
            rows += list(self.stacked(roundings))
            prior += [1.0] * roundings.shape[0]
        self.basis = np.array(rows)
        normal = self.basis @ self.basis.T + np.diag(prior)
        self.solve = np.linalg.inv(normal)
        offset = np.concatenate([zero, self.root])
        free = np.vstack([self.basis, offset])
        self.free_basis = free
        self.free_solve = np.linalg.inv(free @ free.T + np.diag([*prior, 0.0]))

    def stacked(self, logs: ComplexArray) -> FloatArray:
        """Whitened level and phase side by side, shape (m, 2n)."""
        rows = np.atleast_2d(logs)
        return np.concatenate([rows.real * self.root, rows.imag * self.root], axis=1)

    def judge(self, deltas: ComplexArray) -> tuple[FloatArray, FloatArray, ComplexArray]:
        """χ² of hypotheses δ (m, n), their fitted nuisances (m, k), and what remains (m, n).

        Whole turns of phase and the loop are taken out of what remains, a device's unknown
        roundings are not.
        """
        remaining = self.y[None, :] - deltas
        vectors = self.stacked(remaining)
        offsets = (self.free_solve @ (self.free_basis @ vectors.T))[-1]
        turns = 2.0 * np.pi * np.round(offsets / (2.0 * np.pi))
        remaining = remaining - 1j * turns[:, None]
        remaining = self._wrapped(remaining)
        vectors = self.stacked(remaining)
        inner = vectors @ self.basis.T
        fitted = inner @ self.solve
        chi = np.einsum("ij,ij->i", vectors, vectors) - np.einsum("ij,ij->i", inner, fitted)
        loop = fitted.copy()
        loop[:, self.loop_terms :] = 0.0
        return chi, fitted, remaining - self._nuisance(loop)

    def _wrapped(self, remaining: ComplexArray) -> ComplexArray:
        """The same with single points brought within half a turn of the fitted course."""
        vectors = self.stacked(remaining)
        fitted = (vectors @ self.basis.T) @ self.solve
        course = self._nuisance(fitted)
        error = (remaining - course).imag
        turns = 2.0 * np.pi * np.round(error / (2.0 * np.pi))
        return np.asarray(remaining - 1j * turns)

    def _nuisance(self, fitted: FloatArray) -> ComplexArray:
        """What gain, delay and the slow series add at each point, shape (m, n)."""
        course = fitted @ self.basis
        count = self.root.size
        return np.asarray((course[:, :count] + 1j * course[:, count:]) / self.root)

    def fits(self, changes: Sequence[tuple[Change, ...]]) -> list[Fit]:
        """The fit of each set of changes, in the order given."""
        found: list[Fit] = []
        for start in range(0, len(changes), 512):
            some = changes[start : start + 512]
            deltas = np.array([sum_of(one, self.root.size) for one in some])
            chi, fitted, residual = self.judge(deltas)
            for at, one in enumerate(some):
                cost = sum(change.cost for change in one) + PAIR_COST * max(0, len(one) - 1)
                found.append(
                    Fit(
                        one,
                        float(chi[at]),
                        float(chi[at]) + cost,
                        float(fitted[at, 0]),
                        float(fitted[at, 1]) * self.delay_scale,
                        residual[at],
                    )
                )
        return found

    def pairs(self, changes: Sequence[Change], *, keep: int = PAIRS_KEPT) -> list[Fit]:
        """The most likely pairs of changes of different parts, computed exactly."""
        stack = np.array([change.delta for change in changes])
        vectors = self.stacked(stack)
        y = self.stacked(self.y)[0]
        inner = vectors @ self.free_basis.T
        y_inner = self.free_basis @ y
        solved = inner @ self.free_solve
        line = vectors @ y - solved @ y_inner
        thin = vectors.astype(np.float32)
        gram = thin @ thin.T
        gram -= (solved.astype(np.float32)) @ inner.T.astype(np.float32)
        own = np.einsum("ii->i", gram).astype(np.float64)
        cost = np.array([change.cost for change in changes])
        single = own - 2.0 * line + cost
        table = gram
        table *= 2.0
        table += single.astype(np.float32)[:, None]
        table += single.astype(np.float32)[None, :]
        part = _part_numbers(changes)
        for a, b in part:
            table[np.ix_(a, b)] = np.inf
        table[np.tril_indices(len(changes))] = np.inf
        flat = table.ravel()
        count = min(keep * 4, flat.size - 1)
        best = np.argpartition(flat, count)[:count]
        best = best[np.isfinite(flat[best])]
        best = best[np.argsort(flat[best])]
        chosen: list[tuple[Change, ...]] = []
        seen: dict[frozenset[str], int] = {}
        for one in best:
            i, j = divmod(int(one), len(changes))
            places = changes[i].places | changes[j].places
            seen[places] = seen.get(places, 0) + 1
            if seen[places] <= 8:
                chosen.append((changes[i], changes[j]))
            if len(chosen) >= keep:
                break
        return self.fits(chosen)


def sum_of(changes: Sequence[Change], count: int) -> ComplexArray:
    """δ of several changes together, shape (n,); zeros for none."""
    total: ComplexArray = np.zeros(count, dtype=np.complex128)
    for change in changes:
        total = total + change.delta
    return total


def _part_numbers(
    changes: Sequence[Change],
) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Index pairs of changes that concern a common part: they cannot both be."""
    members: dict[int, list[int]] = {}
    for at, change in enumerate(changes):
        for part in change.parts:
            members.setdefault(part, []).append(at)
    return [(np.array(one), np.array(one)) for one in members.values()]


def _unwrapped(phase: FloatArray, root: FloatArray) -> FloatArray:
    """Phase without jumps, counted from the point that is known best."""
    whole = np.unwrap(phase)
    best = int(np.argmax(root))
    return np.asarray(whole - (whole[best] - phase[best]))
