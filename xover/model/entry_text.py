"""Text and figures of one cell: read as people type them, shown exactly, shortened with a mark.

Reading knows true minus signs, decimal commas, thin spaces and prime marks. What can be read in
two ways (`1,200`) is refused, never guessed.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable
from decimal import Decimal
from typing import Any, Literal

from msgspec import Struct

from xover.model.names import quoted
from xover.model.problems import Refused
from xover.model.processing import Crossover, EqSection, Limit
from xover.model.ranges import FilterFrequencyHz
from xover.model.rules import too_high_problem
from xover.model.units import plain, signed
from xover.model.walk import number_problem

TYPED_LENGTH = 200
"""The longest text that a cell without names in it reads."""
MARK = "…"
"""What stands where a figure or a text was shortened; such a text is never read in."""
NOTHING = "–"
"""What an empty cell shows."""
OFF_WORDS = ("off", "none", "no", "-", "--")

Value = float | str | bool | Crossover | EqSection | Limit | dict[str, float] | None
"""What one cell holds."""
Row = str | tuple[Literal["eq"], int]
"""A kind of cell, or an equaliser section by its number: `("eq", 0)`."""


class Context(Struct, frozen=True, kw_only=True):
    """What reading a cell needs to know besides its text.

    `present` is what the cell holds now: pieces that are not typed are taken from it. `inputs`
    are the preset's input names; `where` is the place that a refusal names.
    """

    sample_rate_hz: float
    speed_of_sound_m_s: float
    present: Value = None
    inputs: tuple[str, ...] = ()
    where: str = ""

    def refused(self, message: str) -> Refused:
        """A refusal at this cell."""
        return Refused.at(self.where, message)


UNSIGNED = r"(?:[0-9]+(?:\.[0-9]*|,[0-9]+)?|[.,][0-9]+)(?:e[+-]?[0-9]{1,3})?"
NUMBER = rf"[+-]?{UNSIGNED}"
WHOLE = r"(?![.,]?[0-9])"
"""After a number: it does not go on."""
FREQUENCY = (
    r"(?P<kilo>[0-9]+)k(?P<rest>[0-9]+)(?: ?hz)?(?![0-9a-z]|[.,][0-9])"
    rf"|(?P<figure>{NUMBER}) ?(?P<unit>khz|k|hz)(?![0-9a-z])"
)
"""A frequency that says so: `1k2`, `1.2 kHz`, `80 Hz`."""

_SAME = str.maketrans(
    dict.fromkeys("‐‑‒–—−﹣－", "-")
    | dict.fromkeys("′’‘´`", "'")
    | dict.fromkeys("″“”„", '"')
    | {"⁄": "/", "∕": "/", "µ": "u", "μ": "u", "＋": "+"}
)
_THOUSANDS = r"[+-]?[1-9][0-9]{0,2},[0-9]{3}"
_SEPARATOR = re.compile(r"(?:[ ;]|,(?![0-9]))+")


def tidy(text: str) -> str:
    """What was typed in one form: small letters, one kind of minus, quote and blank."""
    if not text.isascii():
        text = "".join(_plain_character(character) for character in text).translate(_SAME)
    text = " ".join(text.strip().replace("\t", " ").split(" ")).lower().replace("''", '"')
    text = re.sub(" {2,}", " ", text)
    return re.sub(r"(^| )([+-]) (?=[0-9.,])", r"\1\2", text)


def _plain_character(character: str) -> str:
    if unicodedata.category(character) == "Zs":
        return " "
    pieces = unicodedata.decomposition(character).split()
    if pieces and pieces[0] == "<fraction>":
        return " " + "".join(chr(int(code, 16)) for code in pieces[1:])
    return character


def either(examples: str) -> str:
    """A list of examples for a sentence: `a, b or c`."""
    head, comma, last = examples.rpartition(", ")
    return f"{head} or {last}" if comma else last


def typed(text: str, context: Context, problem: Callable[[], str]) -> str:
    """The tidied text of a cell; refuses what is empty, far too long or was shortened."""
    if len(text) > TYPED_LENGTH:
        raise context.refused(f"{quoted(text)} has {len(text)} characters; {problem()}")
    if MARK in text or text.rstrip().endswith("..."):
        raise context.refused(f"{quoted(text)} was shortened to fit; {problem()}")
    tidied = tidy(text)
    if not tidied:
        raise context.refused(f"nothing was typed; {problem()}")
    return tidied


def read_number(text: str, context: Context, *, shift: int = 0) -> float:
    """A number that matched `NUMBER`, times 10^shift; refuses thousands commas as ambiguous."""
    if re.fullmatch(_THOUSANDS, text):
        both = f"{text.replace(',', '')} or {text.replace(',', '.')}"
        raise context.refused(f"{quoted(text)} can be read in two ways; write {both}")
    figure, _, exponent = text.replace(",", ".").partition("e")
    return float(f"{figure}e{int(exponent or 0) + shift}") + 0.0  # never a negative zero


def read_frequency(match: re.Match[str], context: Context) -> float:
    """The hertz of a match of `FREQUENCY`; not yet held against a range."""
    if match["kilo"] is not None:
        return read_number(f"{match['kilo']}.{match['rest']}", context, shift=3)
    return read_number(match["figure"], context, shift=0 if match["unit"] == "hz" else 3)


def in_range(value: float, kind: Any, what: str, context: Context) -> float:
    """The value, refused where it is outside the range of its type: `what` is its trade word."""
    problem = number_problem(value, kind)
    if problem:
        raise context.refused(f"the {what} of {problem}")
    return value


def filter_frequency(frequency_hz: float, context: Context) -> float:
    """A filter's frequency, refused out of range or too high for the sample rate."""
    in_range(frequency_hz, FilterFrequencyHz, "frequency", context)
    problem = too_high_problem(frequency_hz, context.sample_rate_hz)
    if problem:
        raise context.refused(f"the frequency of {problem}")
    return frequency_hz


def tokens(pattern: re.Pattern[str], text: str) -> list[re.Match[str]] | None:
    """The pieces of a tidied text, blanks and commas between them; None where some is unknown.

    Two figures that touch (`46-3`) are no two pieces.
    """
    found: list[re.Match[str]] = []
    position = 0
    while position < len(text):
        separator = _SEPARATOR.match(text, position)
        start = separator.end() if separator else position
        if start == len(text):
            break
        match = pattern.match(text, start)
        if match is None or match.end() == start:
            return None
        if separator is None and found and text[start - 1] in "0123456789." and text[start] in _ON:
            return None
        found.append(match)
        position = match.end()
    return found or None


_ON = "+-.,0123456789"

Precision = int | None
"""How finely to show figures: None exactly, 1 finely, 0 as coarsely as still makes sense."""


def exact(value: float, least: int, *, plus: bool = False) -> str:
    """The shortest digits that read back exactly, at least `least` decimals, a true minus.

    Zero is shown without a sign, also where it carries one.
    """
    text = repr(float(value) + 0.0)
    if "e" not in text:
        whole, _, part = text.partition(".")
        part = part.rstrip("0").ljust(least, "0")
        text = f"{whole}.{part}" if part else whole
    if plus and value > 0:
        text = "+" + text
    return text.replace("-", "−")


def figure(value: float, least: int, precision: Precision, *, plus: bool = False) -> str:
    """A number exactly, or rounded to `least` (finely: one more) decimals and then marked."""
    if precision is None:
        return exact(value, least, plus=plus)
    return _marked(exact(value, least, plus=plus), value, least + precision, plus=plus)


def _marked(full: str, value: float, decimals: int, *, plus: bool = False) -> str:
    short = (signed if plus else plain)(value, decimals) + MARK
    return short if len(short) < len(full) else full


def show_frequency(frequency_hz: float, precision: Precision = None) -> str:
    """`95`, `1.25k`: from 1 kHz in kilohertz, exactly, or to 4 (coarsely 3) digits and marked."""
    kilo = frequency_hz >= 1000.0
    if not kilo:
        full = exact(frequency_hz, 0)
    else:
        shifted = Decimal(repr(float(frequency_hz))).scaleb(-3)
        full = exact_decimal(shifted)
    if precision is not None:
        value = frequency_hz / 1000.0 if kilo else frequency_hz
        size = math.floor(math.log10(value)) if value > 0 else 0
        full = _marked(full, value, max(0, 2 + precision - size))
    if not kilo:
        return full
    return full.removesuffix(MARK) + "k" + (MARK if full.endswith(MARK) else "")


def exact_decimal(value: Decimal) -> str:
    """A decimal number > 0 without exponent or trailing zeros."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def shortened(render: Callable[[Precision], str], width: int | None) -> str:
    """What `render` gives, in at most `width` characters; whatever was left out is marked `…`.

    First figures are rounded, then the last words go, then the text is cut; never between digits,
    since `100…` must not stand for 10000.
    """
    text = render(None)
    if width is None or len(text) <= width:
        return text
    for precision in (1, 0):
        text = render(precision)
        if len(text) <= width:
            return text
    words = text.split(" ")
    while len(words) > 1:
        words.pop()
        shorter = f"{' '.join(words)} {MARK}"
        if len(shorter) <= width:
            return shorter
    if width <= 0:
        return ""
    return re.sub(r"[−+0-9.]*$", "", text[: width - 1]) + MARK
