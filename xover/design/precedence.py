"""Who leads where, and how loud the later one may be: the law of the first wavefront in figures.

Between a main source and a delayed one at one listener. What the ear does with a programme in a
room is wider than these figures; they mark where to listen, they do not decide.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

from msgspec import Struct

BOUND_DB: Final = ((0.0, 0.0), (5.0, 10.0), (30.0, 10.0), (50.0, 0.0))
"""How much louder the later sound may be without taking the image, by ms of lateness.

10 dB between 5 and 30 ms: H. Haas, *Acustica* 1, 1951. The flanks on both sides are common
practice, no source.
"""
ECHO_MS: Final = 50.0
ECHO_DB: Final = -10.0
"""Later than `ECHO_MS` it is heard as an echo unless so far below; common practice, no source."""
TOGETHER_MS: Final = 0.005
"""Closer in time than this, the delayed source is taken to come with the main one."""
RIPPLE_MOST_DB: Final = 40.0
"""Ripples of a comb are not counted higher."""


def bound_db(late_ms: float) -> float:
    """How much louder than the first the sound that comes `late_ms` ≥ 0 later may be, in dB."""
    if late_ms > ECHO_MS:
        return ECHO_DB
    for (low_ms, low_db), (high_ms, high_db) in pairwise(BOUND_DB):
        if late_ms <= high_ms:
            return low_db + (high_db - low_db) * (late_ms - low_ms) / (high_ms - low_ms)
    return BOUND_DB[-1][1]


class Precedence(Struct, frozen=True):
    """Two sources at one place: `first` leads by `late_ms`, `later` is `later_db` louder."""

    first: str
    later: str
    late_ms: float
    later_db: float
    """NaN where a level is not known."""
    bound_db: float

    @property
    def excess_db(self) -> float:
        """By how much the later one is over the bound; negative while the first holds the image."""
        return self.later_db - self.bound_db

    @property
    def image(self) -> str | None:
        """Whose place the sound seems to come from; None where a level is not known."""
        if math.isnan(self.later_db):
            return None
        return self.first if self.excess_db <= 0.0 else self.later


def precedence(to: str, move: str, behind_ms: float, difference_db: float) -> Precedence:
    """`move` arrives `behind_ms` after `to` (negative: before) and is `difference_db` louder."""
    late_ms = abs(behind_ms)
    if behind_ms < -TOGETHER_MS:
        return Precedence(move, to, late_ms, -difference_db, bound_db(late_ms))
    return Precedence(to, move, late_ms, difference_db, bound_db(late_ms))


def lift_db(difference_db: float) -> float:
    """What a second sound, `difference_db` louder than the first, adds to it, as powers, in dB."""
    return 10.0 * math.log10(1.0 + 10.0 ** (difference_db / 10.0))


def difference_for_lift_db(lift: float) -> float:
    """The level difference at which the second sound lifts the first by `lift` > 0 dB."""
    return 10.0 * math.log10(10.0 ** (lift / 10.0) - 1.0)


def ripple_db(difference_db: float) -> float:
    """Peak to peak of the comb that two sounds make, in dB, at most 40.

    20·log10((1 + g)/(1 − g)) with g the quieter over the louder.
    """
    quieter = 10.0 ** (-abs(difference_db) / 20.0)
    if quieter >= 1.0 - 1e-9:
        return RIPPLE_MOST_DB
    return min(RIPPLE_MOST_DB, 20.0 * math.log10((1.0 + quieter) / (1.0 - quieter)))


def notches_hz(late_ms: float, *, inverted: bool = False) -> tuple[float, float] | None:
    """The first notch of the comb and the distance from one to the next; None for no lateness.

    (2k + 1)/(2τ) in equal polarity, k/τ where one side is inverted (its first notch above 0 Hz).
    """
    if late_ms <= 0.0:
        return None
    spacing_hz = 1000.0 / late_ms
    return (spacing_hz if inverted else spacing_hz / 2.0), spacing_hz
