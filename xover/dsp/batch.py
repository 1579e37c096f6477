"""Many cascades at once: sections multiplied in small groups, groups evaluated by matrix products.

A group's polynomial in s = j·tan(πf/fs) loses digits near sharp resonances, so a group takes no
more than four sections and no more sharpness than `SHARPNESS_LIMIT`; nulls on the frequency
axis (notches) never enter a polynomial.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np

from xover.dsp.axis import Axis, ComplexArray, FloatArray, tangent
from xover.dsp.biquad import Section, null_neighbourhood, one_minus_square, prewarped

GROUP = 4
"""Sections to one polynomial; each is divided by s, so a group runs from s⁻⁴ to s⁴."""
SHARPNESS_LIMIT = 1e5
"""The most that rounding may be magnified in one group: 1e5 × a few 1e-16 is 5e-10 dB.

Groups of nine without such a limit were 70 dB wrong with ten stacked Q 30 sections.
"""
CHUNK = 12
"""Sections to one quotient: their product and a squared crossover stay below 1e250 on any axis."""

_FILLER = Section(1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0)
"""s/s, for groups of fewer than four."""


class Cascade(NamedTuple):
    """One row of a batch: factor · Π plain · (Π squared)², at most four squared sections."""

    factor: float
    plain: list[Section]
    squared: list[Section]


class _Piece(NamedTuple):
    """Groups of one row that make one quotient; the first is squared where `squared` says so."""

    target: int
    groups: range
    squared: bool
    first: bool


def cascade_responses(cascades: Sequence[Cascade], axis: Axis) -> ComplexArray:
    """The responses of all cascades on the axis, shape (n_cascades, n), complex.

    Raises `ValueError` for a filter frequency at or above half the sample rate.
    """
    result = np.empty((len(cascades), len(axis)), dtype=np.complex128)
    sections: list[Section] = []
    pieces: list[_Piece] = []
    for target, cascade in enumerate(cascades):
        plain, squared = cascade.plain, cascade.squared
        for start in range(0, len(plain), CHUNK) or range(bool(squared)):
            first = len(sections) // GROUP
            if squared and not start:
                sections += squared + [_FILLER] * (-len(squared) % GROUP)
            chunk = plain[start : start + CHUNK]
            sections += chunk + [_FILLER] * (-len(chunk) % GROUP)
            groups = range(first, len(sections) // GROUP)
            pieces.append(_Piece(target, groups, bool(squared) and not start, not start))
    if pieces:
        table = _Table(sections, axis.sample_rate_hz)
        scratch = np.empty((2 + 2 * CHUNK, 2 * len(axis)))
        for piece in pieces:
            factor = cascades[piece.target].factor if piece.first else 1.0
            _evaluate(piece, factor, table, axis, scratch, result[piece.target])
    for row, cascade in zip(result, cascades, strict=True):
        if not (cascade.plain or cascade.squared):
            row[:] = cascade.factor
    return result


def _evaluate(
    piece: _Piece,
    factor: float,
    table: _Table,
    axis: Axis,
    scratch: FloatArray,
    out: ComplexArray,
) -> None:
    """Write (or multiply on) one quotient times a factor."""
    coefficients = table.rows(piece.groups)
    skip = 0
    if piece.squared:
        # High-pass and low-pass numerators of equal degree cancel: s² · s² · s⁻² · s⁻².
        constant = table.constant(piece.groups[0])
        if constant:
            factor *= constant * constant
            skip = 1
    first_plain = 2 if piece.squared else 0
    if factor != 1.0 and len(coefficients) > first_plain:
        coefficients[first_plain] *= factor
        factor = 1.0
    rows = scratch[: len(coefficients) - skip]
    np.matmul(coefficients[skip:], axis.laplace_powers, out=rows)
    values = list(rows.view(np.complex128))
    # Numerators and denominators alternate; the squared group's come first.
    above_squared = values.pop(0) if piece.squared and not skip else None
    below_squared = values.pop(0) if piece.squared else None
    above = _product(values[::2], above_squared)
    below = _product(values[1::2], below_squared)
    if piece.first:
        np.divide(above, below, out=out)
    else:
        out *= above / below
    if factor != 1.0:
        out *= factor
    for frequency_hz in table.notches_hz(piece.groups):
        out *= _notch_numerator(frequency_hz, axis)


def _product(rows: list[ComplexArray], squared: ComplexArray | None) -> ComplexArray | float:
    """squared² · Π rows, in place; 1 for no rows at all."""
    if squared is None:
        if not rows:
            return 1.0
        squared = rows.pop(0)
    else:
        np.square(squared, out=squared)
    for row in rows:
        squared *= row
    return squared


class _Table:
    """Polynomials of groups of four sections, numerators and denominators, from s⁻⁴ to s⁴."""

    def __init__(self, sections: list[Section], sample_rate_hz: float) -> None:
        flat = np.fromiter(chain.from_iterable(sections), np.float64, 7 * len(sections))
        flat = flat.reshape(-1, 7)
        self._frequency_hz = flat[:, 0]
        if not self._frequency_hz.max() < 0.5 * sample_rate_hz:
            raise ValueError(
                f"filter frequencies must stay below half the sample rate: "
                f"{self._frequency_hz.max():g} Hz at {sample_rate_hz:g} Hz"
            )
        single = flat[:, 1:].reshape(-1, 2, 3)
        middle = np.abs(single[:, :, 1])
        outer = np.abs(single[:, :, 0] * single[:, :, 2])
        self._notches: list[int] = np.flatnonzero(
            (middle[:, 0] == 0.0) & (outer[:, 0] != 0.0)
        ).tolist()
        if self._notches:
            single[self._notches, 0] = (1.0, 0.0, 0.0)
            outer[self._notches, 0] = 0.0
        # s/t₀ for s, then every polynomial divided by s: powers −1, 0, 1.
        t0 = tangent(self._frequency_hz, sample_rate_hz)[:, None]
        single[:, :, 0] *= t0
        single[:, :, 2] /= t0
        by_four = single.reshape(-1, 2, 2, 2, 3)
        pair = _multiply(by_four[:, :, 0], by_four[:, :, 1])
        four = _multiply(pair[:, 0], pair[:, 1])
        self._single, self._pair, self._four = single, pair, four
        # How much |c0| + |c1|·u + |c2|·u² exceeds |c0 + c1·s + c2·s²| where that is sharpest.
        sharpness = (1.0 + 2.0 * np.sqrt(outer) / (middle + 1e-300)).max(axis=1).reshape(-1, 2, 2)
        self._sharpness = sharpness.prod(axis=2)
        self._sharp: set[int] = set(
            np.flatnonzero(self._sharpness.prod(axis=1) > SHARPNESS_LIMIT).tolist()
        )

    def constant(self, group: int) -> float:
        """The numerator of a group where it does not depend on s, else 0."""
        numerator: list[float] = self._four[group, 0].tolist()
        centre = numerator.pop(GROUP)
        return 0.0 if any(numerator) else centre

    def rows(self, groups: range) -> FloatArray:
        """Coefficients of s⁻⁴ … s⁴, numerators and denominators in turn, shape (n_rows, 9).

        A view of the table where no group had to be split; each group is asked for once.
        """
        if self._sharp.isdisjoint(groups):
            return self._four[groups.start : groups.stop].reshape(-1, 9)
        parts: list[FloatArray] = []
        for group in groups:
            if group not in self._sharp:
                parts.append(self._four[group])
                continue
            for half in (0, 1):
                if self._sharpness[group, half] <= SHARPNESS_LIMIT:
                    parts.append(np.pad(self._pair[group, half], ((0, 0), (2, 2))))
                else:
                    first = GROUP * group + 2 * half
                    parts += [
                        np.pad(section, ((0, 0), (3, 3)))
                        for section in self._single[first : first + 2]
                    ]
        return np.concatenate(parts)

    def notches_hz(self, groups: range) -> list[float]:
        """Centres of the notches in some groups: their numerators are not in the polynomials."""
        return [
            float(self._frequency_hz[index])
            for index in self._notches
            if groups.start <= index // GROUP < groups.stop
        ]


def _multiply(a: FloatArray, b: FloatArray) -> FloatArray:
    """Products of polynomials over the last axis, shape (…, 2k − 1) from two of (…, k)."""
    size = a.shape[-1]
    outer = (a[..., :, None] * b[..., None, :]).reshape(-1, size * size)
    return np.asarray((outer @ _ADDERS[size]).reshape(*a.shape[:-1], 2 * size - 1))


def _adder(size: int) -> FloatArray:
    """Which product of coefficients adds to which power, shape (size², 2·size − 1)."""
    matrix = np.zeros((size, size, 2 * size - 1))
    for i in range(size):
        for k in range(size):
            matrix[i, k, i + k] = 1.0
    return matrix.reshape(size * size, -1)


_ADDERS = {3: _adder(3), 5: _adder(5)}


def _notch_numerator(frequency_hz: float, axis: Axis) -> FloatArray:
    """1 − u², shape (n,), with the digits of the flanks kept."""
    t0 = prewarped(frequency_hz, axis.sample_rate_hz)
    even = np.asarray(1.0 - axis.tangent_squared / (t0 * t0))
    near = null_neighbourhood(frequency_hz, axis)
    even[near] = one_minus_square(frequency_hz, axis, near, axis.tangent[near] / t0)
    return even
