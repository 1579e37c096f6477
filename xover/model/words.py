"""The closed vocabularies of the preset, as literal types, and the tables that go with them."""

from __future__ import annotations

from typing import Literal, get_args

from msgspec import Struct

Polarity = Literal["normal", "inverted"]
Stage = Literal["gain", "polarity", "delay", "high_pass", "low_pass", "eq", "limiter"]
Family = Literal["butterworth", "linkwitz-riley", "bessel"]
EqKind = Literal[
    "peak",
    "low_shelf",
    "high_shelf",
    "notch",
    "band_pass",
    "all_pass",
    "low_pass",
    "high_pass",
]
FirstOrderKind = Literal["low_shelf", "high_shelf", "all_pass"]
"""The kinds of section that may be of first order."""
Enclosure = Literal["sealed", "vented", "unknown"]
Space = Literal["free-field", "half-space"]
Basis = Literal["aes", "iec", "unknown"]
Boundary = Literal["free", "floor", "floor-wall", "corner"]
Level = Literal["spl", "relative"]
Captured = Literal["flat", "settings", "unknown"]
Column = Literal["frequency", "magnitude", "phase", "real", "imag", "coherence", "skip"]

COLUMNS: tuple[Column, ...] = get_args(Column)
"""What a column of a text file with a captured response can be."""

FAMILY_SLOPES: dict[Family, tuple[int, ...]] = {
    "butterworth": (6, 12, 18, 24, 30, 36, 42, 48),
    "linkwitz-riley": (12, 24, 36, 48),
    "bessel": (12, 18, 24, 30, 36, 42, 48),
}
"""Slopes in dB per octave that each crossover family is given in."""

FAMILY_NAMES: dict[Family, str] = {
    "butterworth": "Butterworth",
    "linkwitz-riley": "Linkwitz-Riley",
    "bessel": "Bessel",
}
"""Crossover families as people write them."""

LINE_VOLTAGES_V: tuple[float, ...] = (70.7, 100.0)


class EqShape(Struct, frozen=True):
    """Which fields an equaliser section of one kind has."""

    has_gain: bool
    orders: tuple[int, ...]

    @property
    def has_order(self) -> bool:
        """Whether `order` is a choice and therefore written."""
        return len(self.orders) > 1


EQ_SHAPES: dict[EqKind, EqShape] = {
    "peak": EqShape(True, (2,)),
    "low_shelf": EqShape(True, (1, 2)),
    "high_shelf": EqShape(True, (1, 2)),
    "notch": EqShape(False, (2,)),
    "band_pass": EqShape(False, (2,)),
    "all_pass": EqShape(False, (1, 2)),
    "low_pass": EqShape(False, (2,)),
    "high_pass": EqShape(False, (2,)),
}
"""`q` belongs to order 2 of every kind and to no order 1."""

EQ_NAMES: dict[EqKind, str] = {
    "peak": "peak",
    "low_shelf": "low shelf",
    "high_shelf": "high shelf",
    "notch": "notch",
    "band_pass": "band-pass",
    "all_pass": "all-pass",
    "low_pass": "low-pass",
    "high_pass": "high-pass",
}
"""Kinds of section as people write them."""


def eq_words(kind: EqKind, order: int = 2) -> str:
    """`low shelf`, `low shelf, 1st order`."""
    return f"{EQ_NAMES[kind]}, 1st order" if order == 1 else EQ_NAMES[kind]
