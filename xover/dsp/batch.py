"""Many cascades at once: sections multiplied in small groups, groups evaluated by matrix products.

A group's polynomial in s = j·tan(πf/fs) loses digits near sharp resonances, so a group takes no
more than four sections and no more sharpness than `SHARPNESS_LIMIT`; nulls on the frequency
axis (notches) never enter a polynomial.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import chain
from typing import NamedTuple

import numpy as np

from xover.dsp.axis import Axis, ComplexArray, FloatArray
from xover.dsp.biquad import Section, null_neighbourhood, one_minus_square, prewarped

GROUP = 4
"""Sections to one polynomial; each is divided by s, so a group runs from s⁻⁴ to s⁴."""
SHARPNESS_LIMIT = 1e5
"""The most that rounding may be magnified in one group: 1e5 × a few 1e-16 is 5e-10 dB.

Groups of nine without such a limit were 70 dB wrong with ten stacked Q 30 sections.
"""
CHUNK = 12
"""Sections to one quotient: their product and a squared crossover stay below 1e250 on any axis."""

_ENDLESS = 1e15
"""The sharpness of a null on the frequency axis, and of nothing else, is above this."""
_FILLERS = [Section(1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0)] * GROUP
"""s/s, for groups of fewer than four."""


class Cascade(NamedTuple):
    """One row of a batch: factor · Π plain · (Π squared)².

    The squared ones are those of Linkwitz-Riley filters, at most four.
    """

    factor: float
    plain: list[Section]
    squared: list[Section]


class _Quotient(NamedTuple):
    """Groups `start` to `stop` of row `target`; the first is squared where `squared` says so."""

    target: int
    start: int
    stop: int
    squared: bool
    begins: bool


def cascade_responses(cascades: Sequence[Cascade], axis: Axis) -> ComplexArray:
    """The responses of all cascades on the axis, shape (n_cascades, n), complex.

    Raises `ValueError` for a filter frequency at or above half the sample rate.
    """
    result = np.empty((len(cascades), len(axis)), dtype=np.complex128)
    sections: list[Section] = []
    quotients: list[_Quotient] = []
    for target, (factor, plain, squared) in enumerate(cascades):
        if not (plain or squared):
            result[target] = factor
        for first in range(0, len(plain), CHUNK) or range(bool(squared)):
            start, begins = len(sections) // GROUP, first == 0
            if begins and squared:
                sections += squared
                sections += _FILLERS[: -len(squared) % GROUP]
            chunk = plain if len(plain) <= CHUNK else plain[first : first + CHUNK]
            sections += chunk
            sections += _FILLERS[: -len(chunk) % GROUP]
            stop = len(sections) // GROUP
            quotients.append(_Quotient(target, start, stop, begins and bool(squared), begins))
    if not quotients:
        return result
    table = _Table(sections, axis.sample_rate_hz)
    scratch = np.empty((2 + 2 * CHUNK, 2 * len(axis)))
    basis = axis.laplace_powers
    for target, start, stop, has_square, begins in quotients:
        coefficients = table.rows(start, stop)
        factor = cascades[target].factor if begins else 1.0
        skip = 0
        if has_square and (constant := table.constant(start)):
            # High-pass and low-pass numerators of equal degree cancel: s² · s² · s⁻² · s⁻².
            factor *= constant * constant
            skip = 1
        if factor != 1.0 and len(coefficients) > 2 * has_square:
            coefficients[2 * has_square] *= factor  # the first numerator that is not squared
            factor = 1.0
        rows = scratch[: len(coefficients) - skip]
        np.matmul(coefficients[skip:], basis, out=rows)
        values = list(rows.view(np.complex128))
        # Numerators and denominators alternate from here, after the squared ones.
        plain_row = 2 * has_square - skip
        above = _product(values[0] if has_square and not skip else None, values[plain_row::2])
        below = _product(values[1 - skip] if has_square else None, values[plain_row + 1 :: 2])
        row = result[target]
        if begins:
            np.divide(above, below, out=row)
        else:
            row *= above / below
        if factor != 1.0:
            row *= factor
    for index, frequency_hz in table.notches.items():
        group = index // GROUP
        target = next(q.target for q in quotients if q.start <= group < q.stop)
        result[target] *= _notch_numerator(frequency_hz, axis)
    return result


def _product(squared: ComplexArray | None, rows: list[ComplexArray]) -> ComplexArray | float:
    """squared² · Π rows, in place; 1 where there are neither."""
    if squared is not None:
        np.square(squared, out=squared)
    elif rows:
        squared = rows.pop(0)
    else:
        return 1.0
    for row in rows:
        np.multiply(squared, row, out=squared)
    return squared


class _Table:
    """Polynomials of groups of four sections, numerators and denominators, from s⁻⁴ to s⁴."""

    def __init__(self, sections: list[Section], sample_rate_hz: float) -> None:
        flat = np.fromiter(chain.from_iterable(sections), np.float64, 7 * len(sections))
        flat = flat.reshape(-1, 7)
        frequency_hz = flat[:, 0]
        if not frequency_hz.max() < 0.5 * sample_rate_hz:
            raise ValueError(
                f"filter frequencies must stay below half the sample rate: "
                f"{frequency_hz.max():g} Hz at {sample_rate_hz:g} Hz"
            )
        single = flat[:, 1:].reshape(-1, 2, 3)
        # How much |c0| + |c1|·u + |c2|·u² exceeds |c0 + c1·s + c2·s²| where that is sharpest.
        square = single[:, :, 0] * single[:, :, 2] / (np.square(single[:, :, 1]) + 1e-40)
        sharpness = 1.0 + 2.0 * np.sqrt(square)
        self.notches: dict[int, float] = {}
        """Centres in Hz of the notches by index; their numerators are not in the polynomials."""
        self._sharp: set[int] = set()
        self._sharpness = sharpness.max(axis=1).reshape(-1, GROUP)
        if self._sharpness.prod(axis=1).max() > SHARPNESS_LIMIT:
            for index in np.flatnonzero(sharpness[:, 0] > _ENDLESS).tolist():
                self.notches[index] = float(flat[index, 0])
                single[index, 0] = (1.0, 0.0, 0.0)
                sharpness[index, 0] = 1.0
            self._sharpness = sharpness.max(axis=1).reshape(-1, GROUP)
            groups = np.flatnonzero(self._sharpness.prod(axis=1) > SHARPNESS_LIMIT)
            self._sharp.update(groups.tolist())
        # s/t₀ for s, then every polynomial divided by s: powers −1, 0, 1.
        t0 = np.tan(frequency_hz * (np.pi / sample_rate_hz))[:, None]
        single[:, :, 0] *= t0
        single[:, :, 2] /= t0
        self._single = single.reshape(-1, GROUP, 2, 3)
        pairs = _multiply(self._single[:, ::2], self._single[:, 1::2])
        self._group = _multiply(pairs[:, 0], pairs[:, 1])

    def constant(self, group: int) -> float:
        """The numerator of a group where it does not depend on s, else 0."""
        numerator: list[float] = self._group[group, 0].tolist()
        centre = numerator.pop(GROUP)
        return 0.0 if any(numerator) else centre

    def rows(self, start: int, stop: int) -> FloatArray:
        """Coefficients of s⁻⁴ … s⁴, numerators and denominators in turn, shape (n_rows, 9).

        A view of the table where no group had to be split; each group is asked for once.
        """
        groups = range(start, stop)
        if self._sharp.isdisjoint(groups):
            return self._group[start:stop].reshape(-1, 2 * GROUP + 1)
        parts: list[FloatArray] = []
        for group in groups:
            parts += self._split(group) if group in self._sharp else [self._group[group]]
        return np.concatenate(parts)

    def _split(self, group: int) -> list[FloatArray]:
        """A group too sharp to be one polynomial, as several; each of shape (2, 9)."""
        parts: list[FloatArray] = []
        product, room = self._single[group, 0], SHARPNESS_LIMIT / self._sharpness[group, 0]
        for section, sharpness in zip(
            self._single[group, 1:], self._sharpness[group, 1:].tolist(), strict=True
        ):
            room /= sharpness
            if room >= 1.0:
                product = _multiply(product, section)
            else:
                parts.append(product)
                product, room = section, SHARPNESS_LIMIT / sharpness
        parts.append(product)
        wide = np.zeros((len(parts), 2, 2 * GROUP + 1))
        for row, part in zip(wide, parts, strict=True):
            reach = part.shape[1] // 2
            row[:, GROUP - reach : GROUP + reach + 1] = part
        return list(wide)


def _multiply(a: FloatArray, b: FloatArray) -> FloatArray:
    """Products of polynomials over the last axis, shape (…, k + m − 1) from (…, k) and (…, m)."""
    k, m = a.shape[-1], b.shape[-1]
    outer = (a[..., :, None] * b[..., None, :]).reshape(-1, k * m)
    return np.asarray((outer @ _adder(k, m)).reshape(*a.shape[:-1], k + m - 1))


@cache
def _adder(k: int, m: int) -> FloatArray:
    """Which product of coefficients adds to which power, shape (k·m, k + m − 1)."""
    matrix = np.zeros((k, m, k + m - 1))
    for i in range(k):
        matrix[i, :, i : i + m] = np.eye(m)
    return matrix.reshape(k * m, -1)


def _notch_numerator(frequency_hz: float, axis: Axis) -> FloatArray:
    """1 − u², shape (n,), with the digits of the flanks kept."""
    t0 = prewarped(frequency_hz, axis.sample_rate_hz)
    even = np.asarray(1.0 - axis.tangent_squared / (t0 * t0))
    near = null_neighbourhood(frequency_hz, axis)
    even[near] = one_minus_square(frequency_hz, axis, near, axis.tangent[near] / t0)
    return even
