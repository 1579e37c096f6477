"""Typing over a cell of the settings sheet and showing what it holds: one house style.

What is shown in full reads in again as the same value; what is not understood is refused with a
sentence that says what would be. Nothing here knows a preset, a screen or a file.
"""

from __future__ import annotations

from typing import Literal

from xover.model.entry_crossover import (
    CROSSOVER_EXAMPLES,
    FREQUENCY_EXAMPLES,
    parse_crossover,
    parse_frequency,
    show_crossover,
)
from xover.model.entry_eq import EQ_EXAMPLES, parse_eq, show_eq
from xover.model.entry_figures import (
    DELAY_EXAMPLES,
    GAIN_EXAMPLES,
    LIMIT_EXAMPLES,
    MUTE_EXAMPLES,
    POLARITY_EXAMPLES,
    parse_delay,
    parse_gain,
    parse_limit,
    parse_mute,
    parse_polarity,
    show_delay,
    show_gain,
    show_limit,
    show_mute,
)
from xover.model.entry_nudge import nudge, step_words
from xover.model.entry_parts import Part, part_span, part_words, parts
from xover.model.entry_route import ROUTE_EXAMPLES, parse_route, show_route
from xover.model.entry_text import Context, Precision, Row, Value, shortened, show_frequency
from xover.model.processing import Crossover, EqSection, Limit

__all__ = [
    "KINDS", "Context", "Kind", "Part", "Row", "Value", "help_for", "kind_of", "nudge", "parse",
    "part_span", "part_words", "parts", "show", "step_words",
]  # fmt: skip

Kind = Literal[
    "route", "mute", "gain", "polarity", "delay", "high_pass", "low_pass", "eq", "rms", "peak",
    "frequency",
]  # fmt: skip
"""What kind of cell it is; `rms` and `peak` are the limiters, `frequency` a filter's alone."""

_EXAMPLES: dict[Kind, str] = {
    "route": ROUTE_EXAMPLES,
    "mute": MUTE_EXAMPLES,
    "gain": GAIN_EXAMPLES,
    "polarity": POLARITY_EXAMPLES,
    "delay": DELAY_EXAMPLES,
    "high_pass": CROSSOVER_EXAMPLES,
    "low_pass": CROSSOVER_EXAMPLES,
    "eq": EQ_EXAMPLES,
    "rms": LIMIT_EXAMPLES,
    "peak": LIMIT_EXAMPLES,
    "frequency": FREQUENCY_EXAMPLES,
}
KINDS: tuple[Kind, ...] = tuple(_EXAMPLES)


def kind_of(row: Row) -> Kind:
    """The kind of a row's cells; `KeyError` for what is no row."""
    kind = row if isinstance(row, str) else row[0]
    if kind not in _EXAMPLES:
        raise KeyError(kind)
    return kind


def parse(row: Row, text: str, *, context: Context) -> Value:
    """The value that `text` means in a cell of `row`.

    Gains in dB, delays in ms, frequencies in Hz; None where a filter or limiter is off. Raises
    `Refused`, naming what would be understood, or the limit that was passed.
    """
    kind = kind_of(row)
    if kind == "route":
        return parse_route(text, context)
    if kind == "mute":
        return parse_mute(text, context)
    if kind == "gain":
        return parse_gain(text, context)
    if kind == "polarity":
        return parse_polarity(text, context)
    if kind == "delay":
        return parse_delay(text, context)
    if kind == "eq":
        return parse_eq(text, context)
    if kind == "frequency":
        return parse_frequency(text, context)
    if kind in ("rms", "peak"):
        return parse_limit(text, context, kind=kind)
    return parse_crossover(text, context)


def show(row: Row, value: Value, *, width: int | None = None) -> str:
    """A cell's value in the house style: `LR24 100`, `peak 46 −3.0 q2`, `3.42`, `–` for nothing.

    In full it reads in again as the same value (a zero's sign apart). Where `width` characters do
    not hold it, it is shortened and marked `…`, which does not read in. `TypeError` for a value
    that is not of the row's kind.
    """
    kind = kind_of(row)
    return shortened(lambda precision: _shown(kind, value, precision), width)


def _shown(kind: Kind, value: Value, precision: Precision) -> str:
    if value is None and kind in ("high_pass", "low_pass", "eq", "rms", "peak"):
        return show_crossover(None)
    if kind == "mute" and isinstance(value, bool):
        return show_mute(value)
    if isinstance(value, float | int) and not isinstance(value, bool):
        if kind == "gain":
            return show_gain(value, precision)
        if kind == "delay":
            return show_delay(value, precision)
        if kind == "frequency":
            return show_frequency(value, precision)
    if kind == "polarity" and isinstance(value, str):
        return value
    if kind == "route" and isinstance(value, dict):
        return show_route(value, precision)
    if kind == "eq" and isinstance(value, EqSection):
        return show_eq(value, precision)
    if kind in ("high_pass", "low_pass") and isinstance(value, Crossover):
        return show_crossover(value, precision)
    if kind in ("rms", "peak") and isinstance(value, Limit):
        return show_limit(value)
    raise TypeError(f"a cell of {kind} does not hold {value!r}")


def help_for(row: Row) -> str:
    """One line for the footer: what may be typed into a cell of this row, by examples."""
    return f"type {_EXAMPLES[kind_of(row)]}"
