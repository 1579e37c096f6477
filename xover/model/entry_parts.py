"""The parts of a cell that can be nudged one by one: what they are called, where they stand.

A section has a frequency, a gain and a Q, a crossover a frequency, a slope and a family, a limit
a threshold and two times, a route one gain for each input. Plain figures have no parts.
"""

from __future__ import annotations

from typing import Literal

from msgspec import UNSET

from xover.model.entry_route import shown_name
from xover.model.entry_text import MARK, Value
from xover.model.names import inert
from xover.model.processing import Crossover, EqSection, Limit

PlainPart = Literal[
    "frequency", "gain", "q", "slope", "family", "threshold", "attack", "release"
]  # fmt: skip
Part = PlainPart | tuple[Literal["input"], str]
"""What of a cell a nudge moves; `("input", name)` is the gain of one input of a route."""

_WORDS: dict[PlainPart, str] = {"q": "Q"}


def parts(value: Value) -> tuple[Part, ...]:
    """What a nudge can move of a value, the one it moves unless told first; () for one figure.

    The first of a route of several inputs is "gain": all of them together.
    """
    if isinstance(value, Crossover):
        return ("frequency", "slope", "family")
    if isinstance(value, Limit):
        return ("threshold", "attack", "release")
    if isinstance(value, dict) and len(value) > 1:
        return ("gain", *(("input", name) for name in value))
    if not isinstance(value, EqSection):
        return ()
    found: list[Part] = ["frequency"]
    if value.gain_db is not UNSET:
        found.append("gain")
    if value.q is not UNSET:
        found.append("q")
    return tuple(found)


def part_words(value: Value, part: Part) -> str:
    """What a part of a value is called: `Q`, `slope`, `all gains`, an input's name."""
    if isinstance(part, tuple):
        return inert(part[1])
    if isinstance(value, dict):
        return "all gains"
    return _WORDS.get(part, part)


def part_span(value: Value, part: Part, text: str) -> tuple[int, int] | None:
    """Where a part stands in the text that a cell shows, from and to; None where it does not."""
    found: tuple[int, int] | None = None
    words = _words(text)
    if isinstance(value, dict):
        name = shown_name(part[1]) if isinstance(part, tuple) else ""
        if name and (at := text.find(f"{name} ")) >= 0:
            comma = text.find(", ", at + len(name))
            found = (at, len(text.rstrip()) if comma < 0 else comma)
    elif isinstance(value, EqSection):
        if part == "q":
            found = next((span for span in words[2:] if text[span[0]] == "q"), None)
        else:
            at = 1 if part == "frequency" else 2
            found = words[at] if len(words) > at else None
    elif isinstance(value, Crossover) and len(words) > 1:
        start, end = words[0]
        digits = next((at for at in range(start, end) if text[at].isdecimal()), end)
        found = {"family": (start, digits), "slope": (digits, end)}.get(str(part), words[1])
    elif isinstance(value, Limit) and words:
        times = next((span for span in words if "/" in text[slice(*span)]), None)
        if part == "threshold":
            found = words[0]
        elif times is not None:
            slash = text.index("/", times[0])
            found = (times[0], slash) if part == "attack" else (slash + 1, times[1])
    return found if found is not None and MARK not in text[slice(*found)] else None


def _words(text: str) -> list[tuple[int, int]]:
    spans: list[tuple[int, int]] = []
    start = 0
    for word in text.split(" "):
        if word:
            spans.append((start, start + len(word)))
        start += len(word) + 1
    return spans
