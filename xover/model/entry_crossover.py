"""Cells that hold a frequency or a crossover: read as people type them, shown in one style.

Pieces that are not typed come from the cell's present value; where there is none, LR24 is assumed
(common practice, no source).
"""

from __future__ import annotations

import re

from xover.model.entry_text import (
    FREQUENCY,
    NOTHING,
    NUMBER,
    OFF_WORDS,
    WHOLE,
    Context,
    Precision,
    either,
    filter_frequency,
    read_frequency,
    read_number,
    show_frequency,
    tokens,
    typed,
)
from xover.model.names import quoted
from xover.model.processing import Crossover
from xover.model.words import FAMILY_SLOPES, Family

FREQUENCY_EXAMPLES = "80, 1k2, 1.2 kHz"
CROSSOVER_EXAMPLES = "LR24 100, BW18 1k2, 80, LR48, off"

FAMILY_SHORT: dict[Family, str] = {
    "butterworth": "BW",
    "linkwitz-riley": "LR",
    "bessel": "BES",
}
DEFAULT_FAMILY: Family = "linkwitz-riley"
DEFAULT_SLOPE = 24

_ONLY_FREQUENCY = rf"(?:{FREQUENCY}|(?P<number>{NUMBER}))"


def parse_frequency(text: str, context: Context) -> float:
    """A filter frequency in Hz: `80`, `80 Hz`, `1k2`, `1.2 kHz`."""

    def problem() -> str:
        return f"type a frequency such as {either(FREQUENCY_EXAMPLES)}"

    match = re.fullmatch(_ONLY_FREQUENCY, typed(text, context, problem))
    if match is None:
        raise context.refused(f"{quoted(text)} is not a frequency; {problem()}")
    if match["number"] is not None:
        return filter_frequency(read_number(match["number"], context), context)
    return filter_frequency(read_frequency(match, context), context)


_FAMILY_WORDS: dict[str, Family] = {
    "lr": "linkwitz-riley",
    "linkwitz": "linkwitz-riley",
    "linkwitzriley": "linkwitz-riley",
    "bw": "butterworth",
    "but": "butterworth",
    "butter": "butterworth",
    "butterworth": "butterworth",
    "bes": "bessel",
    "bessel": "bessel",
}
_DB_PER_OCTAVE = r" ?db(?: ?(?:/|per) ?oct(?:ave)?)?(?![a-z])"
_CROSSOVER = (
    r"(?P<family>linkwitz[- ]?riley|linkwitz|lr|butterworth|butter|but|bw|bessel|bes)(?![a-z])"
    rf"(?:-?(?P<attached>[0-9]{{1,3}})(?![0-9k]|[.,][0-9])(?:{_DB_PER_OCTAVE})?)?"
    rf"|(?P<slope>[0-9]{{1,3}}){_DB_PER_OCTAVE}"
    rf"|{FREQUENCY}"
    rf"|(?P<number>{NUMBER}){WHOLE}"
)
_STEEPEST = 48


def parse_crossover(text: str, context: Context) -> Crossover | None:
    """A crossover: `LR24 100`, `100 lr24`, `BW 18`, `100`, `LR4 100` (by order), `off`."""
    tidied = typed(text, context, _crossover_problem)
    if tidied in OFF_WORDS:
        return None
    pieces = tokens(re.compile(_CROSSOVER), tidied)
    read = None if pieces is None else _crossover_pieces(pieces, context)
    if read is None:
        raise context.refused(f"{quoted(text)} is not a crossover; {_crossover_problem()}")
    family, slope, frequency_hz = read
    present = context.present if isinstance(context.present, Crossover) else None
    if family is None:
        family = present.family if present else DEFAULT_FAMILY
    if slope is None:
        slope = present.slope_db_per_octave if present else DEFAULT_SLOPE
    slope = _slope(family, slope, text, context)
    if frequency_hz is None:
        if present is None:
            short = f"{FAMILY_SHORT[family]}{slope}"
            raise context.refused(
                f"{quoted(text)} names no frequency, and the cell holds none; type {short} 100"
            )
        frequency_hz = present.frequency_hz
    return Crossover(
        family=family,
        slope_db_per_octave=slope,
        frequency_hz=filter_frequency(frequency_hz, context),
    )


def _crossover_problem() -> str:
    known = []
    for family in ("linkwitz-riley", "butterworth", "bessel"):
        slopes = FAMILY_SLOPES[family]
        span = f"{slopes[0]}…{slopes[-1]}" if len(slopes) > 4 else _listed(slopes)
        known.append(f"{FAMILY_SHORT[family]} {span}")
    return f"type {', '.join(known)} with a frequency, such as LR24 100, or off"


def _listed(slopes: tuple[int, ...]) -> str:
    return ", ".join(str(slope) for slope in slopes[:-1]) + f" or {slopes[-1]}"


def _crossover_pieces(
    pieces: list[re.Match[str]], context: Context
) -> tuple[Family | None, int | None, float | None] | None:
    """Family, slope (or order) and frequency as typed; None where they do not fit together."""
    family: Family | None = None
    slopes: list[int] = []
    frequencies: list[float] = []
    bare: list[tuple[bool, str]] = []  # whether it stands right behind the family
    behind = False
    for piece in pieces:
        follows, behind = behind, False
        if piece["family"] is not None:
            if family is not None:
                return None
            family = _FAMILY_WORDS[piece["family"].replace("-", "").replace(" ", "")]
            if piece["attached"] is not None:
                slopes.append(int(piece["attached"]))
            behind = piece["attached"] is None
        elif piece["slope"] is not None:
            slopes.append(int(piece["slope"]))
        elif piece["number"] is not None:
            bare.append((follows, piece["number"]))
        else:
            frequencies.append(read_frequency(piece, context))
    for follows, number in bare:
        value = read_number(number, context)
        # Behind the family stands the slope; a lone figure too steep for one is a frequency.
        lone = len(bare) == 1 and not frequencies
        if follows and not slopes and not (lone and value > _STEEPEST):
            if not number.isdigit():
                return None
            slopes.append(int(number) if len(number) < 6 else _STEEPEST + 1)
        else:
            frequencies.append(value)
    if len(slopes) > 1 or len(frequencies) > 1:
        return None
    return family, slopes[0] if slopes else None, frequencies[0] if frequencies else None


def _slope(family: Family, slope: int, text: str, context: Context) -> int:
    """The slope in dB per octave; a figure below 6, or 7 and 8, counts the order (`LR4`)."""
    slopes = FAMILY_SLOPES[family]
    if slope in slopes:
        return slope
    if slope in (1, 2, 3, 4, 5, 7, 8) and 6 * slope in slopes:
        return 6 * slope
    short = FAMILY_SHORT[family]
    near = min(slopes, key=lambda known: abs(known - slope))
    raise context.refused(
        f"{quoted(text)} would be {short} {slope}, which is not a crossover: {short} is given in "
        f"{_listed(slopes)} dB per octave; type for instance {short}{near} 100, or off"
    )


def show_crossover(item: Crossover | None, precision: Precision = None) -> str:
    """`LR24 100`, `BW18 1.2k`, `–` for none."""
    if item is None:
        return NOTHING
    short = f"{FAMILY_SHORT[item.family]}{item.slope_db_per_octave}"
    return f"{short} {show_frequency(item.frequency_hz, precision)}"
