"""Rounding the values of one output together: the neighbours on the grid that err least in sum.

With e = Σ ln(H′/H) over all parts, the choice minimises rms |e| over log frequency among choices
whose rms in dB is no worse than rounding each value on its own. Every pair of options meets in a
Gram matrix once; the search then only adds numbers. Deterministic.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from xover.dsp.axis import ComplexArray, FloatArray

RESTARTS = 8
SWEEPS_MAX = 12
CLIP = 4.6
"""The largest |ln| counted at one frequency (40 dB): the middle of a null."""

Indices = NDArray[np.intp]


def log_errors(meant: ComplexArray, held: ComplexArray) -> ComplexArray:
    """ln(H′/H) of options `held` (k, n) for `meant` (n,), shape (k, n); a null's middle clipped."""
    tiny = 1e-30
    ratio = (held + tiny) / (meant + tiny)
    magnitude = np.abs(ratio)
    magnitude = np.clip(np.log(np.maximum(magnitude, tiny)), -CLIP, CLIP)
    return np.asarray(magnitude + 1j * np.angle(ratio), dtype=np.complex128)


def rms(error: ComplexArray) -> float:
    """Rms of |e| over the grid, in nepers."""
    return float(np.sqrt(np.mean(np.abs(error) ** 2))) if error.size else 0.0


def rms_db(error: ComplexArray) -> float:
    """Rms of the level error in dB."""
    level_db = 20.0 / np.log(10.0) * error.real
    return float(np.sqrt(np.mean(level_db**2))) if error.size else 0.0


def choose(parts: Sequence[ComplexArray], *, fixed: ComplexArray | None = None) -> list[int]:
    """For each part the index of its option, option 0 being the nearest in every value.

    `parts` hold ln(H′/H) of their options, each shape (k, n). `fixed` (n,) is an error that is
    there whatever is chosen. Never worse than all zeros, neither in rms |e| nor in rms dB.
    """
    if not parts or not parts[0].shape[1]:
        return [0] * len(parts)
    search = _Search(parts, fixed)
    return search.run()


class _Search:
    def __init__(self, parts: Sequence[ComplexArray], fixed: ComplexArray | None) -> None:
        self.sizes = [part.shape[0] for part in parts]
        self.starts = np.concatenate([[0], np.cumsum(self.sizes)])
        every = np.concatenate(parts)
        level, phase = np.ascontiguousarray(every.real), np.ascontiguousarray(every.imag)
        self.level_gram = level @ level.T
        self.gram = self.level_gram + phase @ phase.T
        count = every.shape[0]
        self.level_line: FloatArray = np.zeros(count)
        self.line: FloatArray = np.zeros(count)
        self.level_constant = self.constant = 0.0
        if fixed is not None:
            self.level_line = level @ fixed.real
            self.line = self.level_line + phase @ fixed.imag
            self.level_constant = float(fixed.real @ fixed.real)
            self.constant = self.level_constant + float(fixed.imag @ fixed.imag)
        naive = np.array(self.starts[:-1], dtype=np.intp)
        self.limit = self._value(naive, level=True) * (1.0 + 1e-12)
        self.naive = naive

    def run(self) -> list[int]:
        movable = [at for at, size in enumerate(self.sizes) if size > 1]
        best = self.naive.copy()
        if movable:
            best = self._descend(best, movable)
            best_value = self._value(best)
            random = np.random.default_rng(1)
            for _ in range(RESTARTS):
                start = best.copy()
                shaken = random.permutation(movable)[: max(2, len(movable) // 2)]
                for at in shaken:
                    start[at] = self.starts[at] + random.integers(self.sizes[at])
                found = self._descend(start, movable)
                value = self._value(found)
                if value < best_value and self._value(found, level=True) <= self.limit:
                    best, best_value = found, value
        return [int(one - start) for one, start in zip(best, self.starts, strict=False)]

    def _value(self, chosen: Indices, *, level: bool = False) -> float:
        gram = self.level_gram if level else self.gram
        line = self.level_line if level else self.line
        constant = self.level_constant if level else self.constant
        return float(gram[np.ix_(chosen, chosen)].sum() + 2.0 * line[chosen].sum() + constant)

    def _descend(self, chosen: Indices, movable: list[int]) -> Indices:
        """Pair by pair to the best of all combinations of the two, until nothing improves."""
        chosen = chosen.copy()
        gram, level = self.gram, self.level_gram
        column = gram[:, chosen].sum(axis=1) + self.line
        level_column = level[:, chosen].sum(axis=1) + self.level_line
        pairs = [(a, b) for i, a in enumerate(movable) for b in movable[i + 1 :]]
        pairs = pairs or [(movable[0], movable[0])]
        for _ in range(SWEEPS_MAX):
            improved = False
            for a, b in pairs:
                here = (a,) if a == b else (a, b)
                rest, level_rest = column, level_column
                for at in here:
                    rest = rest - gram[:, chosen[at]]
                    level_rest = level_rest - level[:, chosen[at]]
                now = self._value_of(chosen, here, rest, gram)
                level_now = self._value_of(chosen, here, level_rest, level)
                table = self._table(here, rest, gram)
                level_table = self._table(here, level_rest, level)
                # What the rest alone adds is the same for all, so only differences count.
                total_level = self._value(chosen, level=True) - level_now
                allowed = level_table + total_level <= max(self.limit, total_level + level_now)
                table = np.where(allowed, table, np.inf)
                best = int(np.argmin(table))
                over = total_level + level_now > self.limit
                if over:
                    best = int(np.argmin(level_table))
                if (not over and table.flat[best] < now - 1e-12 * abs(now) - 1e-18) or (
                    over and level_table.flat[best] < level_now - 1e-15
                ):
                    places = np.unravel_index(best, table.shape)
                    for at, place in zip(here, places, strict=True):
                        old, new = chosen[at], self.starts[at] + place
                        column = column + gram[:, new] - gram[:, old]
                        level_column = level_column + level[:, new] - level[:, old]
                        chosen[at] = new
                    improved = True
            if not improved:
                break
        return chosen

    def _table(self, here: tuple[int, ...], rest: FloatArray, gram: FloatArray) -> FloatArray:
        """The part of the sum that depends on these parts, for all combinations of options."""
        slices = [slice(self.starts[at], self.starts[at + 1]) for at in here]
        diagonal = [np.diag(gram)[one] + 2.0 * rest[one] for one in slices]
        if len(here) == 1:
            return diagonal[0]
        cross = gram[slices[0], slices[1]]
        return np.asarray(diagonal[0][:, None] + diagonal[1][None, :] + 2.0 * cross)

    def _value_of(
        self, chosen: Indices, here: tuple[int, ...], rest: FloatArray, gram: FloatArray
    ) -> float:
        value = sum(gram[chosen[at], chosen[at]] + 2.0 * rest[chosen[at]] for at in here)
        if len(here) == 2:
            value += 2.0 * gram[chosen[here[0]], chosen[here[1]]]
        return float(value)
