"""Cells that hold a gain, a polarity, a mute, a delay or a limiter's threshold: read and shown.

Lengths become delays through the speed of sound that the context gives, never through one assumed
here. Words that could be taken both ways are refused: nobody is unmuted by a misunderstanding.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import NoReturn, TypeVar

from xover.model.entry_text import (
    NOTHING,
    NUMBER,
    OFF_WORDS,
    UNSIGNED,
    WHOLE,
    Context,
    Precision,
    either,
    exact,
    figure,
    in_range,
    read_number,
    tokens,
    typed,
)
from xover.model.names import quoted
from xover.model.processing import Limit
from xover.model.ranges import DelayMs, Gain, LevelDbu, TimeConstantMs
from xover.model.units import METRES_PER_FOOT, dbu_from_volts
from xover.model.words import Polarity

T = TypeVar("T")

GAIN_EXAMPLES = "−3, +2.5 dB"
POLARITY_EXAMPLES = "normal, inv"
MUTE_EXAMPLES = "muted, open"
DELAY_EXAMPLES = "3.5, 1.2 m, 4 ft, 3'7\", 154 samples"
LIMIT_EXAMPLES = "+8.3, 8.3 dBu 50/200 ms, 2.01 V, off"

_GAIN = rf"({NUMBER}) ?(?:db)?"


def parse_gain(text: str, context: Context) -> float:
    """A gain in dB: `-3`, `+2.5 dB`, `3,5`."""

    def problem() -> str:
        return f"type decibels, such as {either(GAIN_EXAMPLES)}"

    tidied = typed(text, context, problem)
    match = re.fullmatch(_GAIN, tidied)
    if match is not None:
        return in_range(read_number(match[1], context), Gain, "gain", context)
    if tidied in ("off", "mute", "muted", "-inf", "-∞"):
        raise context.refused(
            f"{quoted(text)} is not a gain; {problem()}; to silence an output, mute it"
        )
    raise context.refused(f"{quoted(text)} is not a gain; {problem()}")


def show_gain(value_db: float, precision: Precision = None) -> str:
    """`+2.5`, `0.0`, `−3.0`: one decimal, or as many as it has."""
    return figure(value_db, 1, precision, plus=True)


_POLARITIES: dict[str, Polarity] = {
    **dict.fromkeys(("normal", "norm", "nor", "n", "+", "pos", "positive"), "normal"),
    **dict.fromkeys(
        ("inverted", "invert", "inv", "i", "-", "neg", "negative", "rev", "reverse", "reversed"),
        "inverted",
    ),
    "ø": "inverted",
}


def parse_polarity(text: str, context: Context) -> Polarity:
    """A polarity: `normal`, `inverted`, `inv`, `+`, `-`, `rev`."""
    return _meant(text, context, _POLARITIES, POLARITY_EXAMPLES, "is not a polarity")


_MUTES = {
    **dict.fromkeys(("muted", "mute", "m"), True),
    **dict.fromkeys(("open", "unmuted", "unmute", "live"), False),
}


def parse_mute(text: str, context: Context) -> bool:
    """Whether an output is muted: `muted`, `open`. "on" and "off" say it both ways: refused."""
    return _meant(text, context, _MUTES, MUTE_EXAMPLES, "does not say whether it is muted")


def _meant(text: str, context: Context, words: Mapping[str, T], examples: str, wrong: str) -> T:
    """What one of `words` means; what is none of them is refused as it `wrong`."""

    def problem() -> str:
        return f"type {either(examples)}"

    found = words.get(typed(text, context, problem))
    if found is None:
        raise context.refused(f"{quoted(text)} {wrong}; {problem()}")
    return found


def show_mute(muted: bool) -> str:
    """`muted` or `open`."""
    return "muted" if muted else "open"


# Delays

_INCHES_PER_FOOT = 12
_TIME_SHIFT = {"": 0, "ms": 0, "msec": 0, "s": 3, "sec": 3, "us": -3, "usec": -3}
_METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0}
_DELAY = (
    rf"(?P<time>{NUMBER}) ?(?P<unit>ms|msec|s|sec|us|usec|)"
    rf"|(?P<metric>{NUMBER}) ?(?P<metres>mm|cm|m|metres?|meters?)"
    r"|(?P<whole_m>[0-9]+)m(?P<cm>[0-9]{2})"
    rf"|(?P<samples>{NUMBER}) ?(?:samples?|smps?)"
)
_INCH_FIGURE = (
    rf"(?:(?P<inches>{UNSIGNED})(?:[ -](?P<top>[0-9]{{1,3}})/(?P<bottom>[0-9]{{1,3}}))?"
    r"|(?P<only_top>[0-9]{1,3})/(?P<only_bottom>[0-9]{1,3}))"
)
_FEET = (
    rf"(?P<sign>[+-]?)(?P<feet>{UNSIGNED}) ?(?:ft|feet|foot|')"
    rf"(?: ?{_INCH_FIGURE} ?(?:\"|inch(?:es)?|in|))?"
)
_INCHES = rf"(?P<sign>[+-]?){_INCH_FIGURE} ?(?:\"|inch(?:es)?|in)"


def _delay_problem() -> str:
    return f"type milliseconds, a length or samples, such as {either(DELAY_EXAMPLES)}"


def parse_delay(text: str, context: Context) -> float:
    """A delay in ms: `3.2`, `320 µs`, `1.10 m`, `110 cm`, `4 ft`, `3' 7 1/2"`, `154 samples`.

    Lengths go through the context's speed of sound, samples through its sample rate.
    """
    tidied = typed(text, context, _delay_problem)
    if tidied in ("off", "none"):
        return 0.0
    if (match := re.fullmatch(_DELAY, tidied)) is not None:
        value_ms = _plain_delay_ms(match, context)
    elif (match := re.fullmatch(_FEET, tidied)) is not None:
        feet = read_number(match["feet"], context)
        inches = _inches(match, text, context)
        if inches >= _INCHES_PER_FOOT:
            raise context.refused(f"{quoted(text)} has more inches than a foot; {_delay_problem()}")
        value_ms = _length_ms((feet + inches / _INCHES_PER_FOOT) * METRES_PER_FOOT, match, context)
    elif (match := re.fullmatch(_INCHES, tidied)) is not None:
        feet = _inches(match, text, context) / _INCHES_PER_FOOT
        value_ms = _length_ms(feet * METRES_PER_FOOT, match, context)
    else:
        _refuse_delay(text, context)
    return in_range(value_ms + 0.0, DelayMs, "delay", context)


LENGTH_EXAMPLES = "26.3, 26.3 m, 2630 cm, 86'3\""
_LENGTH = (
    rf"(?P<metric>{NUMBER}) ?(?P<metres>mm|cm|m|metres?|meters?|)"
    r"|(?P<whole_m>[0-9]+)m(?P<cm>[0-9]{2})"
)


def parse_length(text: str, context: Context) -> float:
    """A length or coordinate in metres: `26.3`, `26.3 m`, `1m10`, `86 ft`, `86'3"`, `-2`."""

    def problem() -> str:
        return f"type metres or feet, such as {either(LENGTH_EXAMPLES)}"

    tidied = typed(text, context, problem)
    if (match := re.fullmatch(_LENGTH, tidied)) is not None:
        if match["whole_m"] is not None:
            return read_number(f"{match['whole_m']}.{match['cm']}", context)
        return read_number(match["metric"], context, shift=_LENGTH_SHIFT.get(match["metres"], 0))
    for pattern in (_FEET, _INCHES):
        match = re.fullmatch(pattern, tidied)
        if match is None:
            continue
        feet = read_number(match["feet"], context) if pattern is _FEET else 0.0
        inches = _inches(match, text, context)
        if pattern is _FEET and inches >= _INCHES_PER_FOOT:
            raise context.refused(f"{quoted(text)} has more inches than a foot; {problem()}")
        metres = (feet + inches / _INCHES_PER_FOOT) * METRES_PER_FOOT
        return -metres if match["sign"] == "-" else metres
    raise context.refused(f"{quoted(text)} is not a length; {problem()}")


_LENGTH_SHIFT = {"mm": -3, "cm": -2}


def _refuse_delay(text: str, context: Context) -> NoReturn:
    raise context.refused(f"{quoted(text)} is not a delay; {_delay_problem()}")


def _plain_delay_ms(match: re.Match[str], context: Context) -> float:
    if match["time"] is not None:
        return read_number(match["time"], context, shift=_TIME_SHIFT[match["unit"]])
    if match["samples"] is not None:
        return read_number(match["samples"], context) / context.sample_rate_hz * 1000.0
    if match["whole_m"] is not None:
        metres = read_number(f"{match['whole_m']}.{match['cm']}", context)
    else:
        metres = read_number(match["metric"], context) * _METRES.get(match["metres"], 1.0)
    return metres / context.speed_of_sound_m_s * 1000.0


def _length_ms(metres: float, match: re.Match[str], context: Context) -> float:
    value_ms = metres / context.speed_of_sound_m_s * 1000.0
    return -value_ms if match["sign"] == "-" else value_ms


def _inches(match: re.Match[str], text: str, context: Context) -> float:
    top, bottom = match["top"] or match["only_top"], match["bottom"] or match["only_bottom"]
    whole = read_number(match["inches"], context) if match["inches"] is not None else 0.0
    if top is None:
        return whole
    if int(bottom) == 0:
        _refuse_delay(text, context)
    return whole + int(top) / int(bottom)


def show_delay(delay_ms: float, precision: Precision = None) -> str:
    """`3.42`, in ms: two decimals, or as many as it has."""
    return figure(delay_ms, 2, precision)


# Limiters

DEFAULT_TIMES_MS = {"rms": (50.0, 200.0), "peak": (1.0, 40.0)}
"""Attack and release of a limiter that had none: common practice, no source."""

_TIME = r"ms|msec|us|usec|sec|s"
_LIMIT = (
    rf"(?P<attack>{UNSIGNED}) ?(?P<attack_unit>{_TIME}|) ?/ ?"
    rf"(?P<release>{UNSIGNED}) ?(?P<release_unit>(?:{_TIME})(?![a-z])|){WHOLE}"
    rf"|(?P<which>attack|att|a|release|rel|r) ?=? ?(?P<time>{UNSIGNED}) ?"
    rf"(?P<unit>(?:{_TIME})(?![a-z])|){WHOLE}"
    rf"|(?P<level>{NUMBER}) ?(?P<level_unit>dbu|dbv|mv|v(?: ?(?:rms|peak|pk|p))?)?"
    rf"(?![a-z0-9/]){WHOLE}"
)


def parse_limit(text: str, context: Context, *, kind: str) -> Limit | None:
    """A limiter: `+8.3`, `8.3 dBu 50/200 ms`, `8.3 dBV`, `2.01 V`, `attack 10`, `off`.

    `kind` is "rms" or "peak". Levels are rms, of a peak limiter the rms of the sine with that
    peak; `2.84 V peak` is turned into it there. Attack and release not typed stay as they are.
    """

    def problem() -> str:
        return f"type a threshold, such as {either(LIMIT_EXAMPLES)}"

    tidied = typed(text, context, problem)
    if tidied in OFF_WORDS:
        return None
    pieces = tokens(re.compile(_LIMIT), tidied)
    found: dict[str, float] = {}
    for piece in pieces or ():
        for name, value in _limit_piece(piece, kind, context).items():
            if name in found:
                pieces = None
            found[name] = value
    if pieces is None:
        raise context.refused(f"{quoted(text)} is not a limiter; {problem()}")
    present = context.present if isinstance(context.present, Limit) else None
    threshold_dbu = found.get("threshold", present.threshold_dbu if present else None)
    if threshold_dbu is None:
        raise context.refused(f"{quoted(text)} names no threshold; {problem()}")
    default_ms = (present.attack_ms, present.release_ms) if present else DEFAULT_TIMES_MS[kind]
    attack_ms = found.get("attack", default_ms[0])
    release_ms = found.get("release", default_ms[1])
    return Limit(
        threshold_dbu=in_range(threshold_dbu, LevelDbu, "threshold", context),
        attack_ms=in_range(attack_ms, TimeConstantMs, "attack", context),
        release_ms=in_range(release_ms, TimeConstantMs, "release", context),
    )


def _limit_piece(piece: re.Match[str], kind: str, context: Context) -> dict[str, float]:
    if piece["attack"] is not None:
        release_unit = piece["release_unit"]
        attack_unit = piece["attack_unit"] or release_unit
        return {
            "attack": read_number(piece["attack"], context, shift=_TIME_SHIFT[attack_unit]),
            "release": read_number(piece["release"], context, shift=_TIME_SHIFT[release_unit]),
        }
    if piece["which"] is not None:
        name = "attack" if piece["which"].startswith("a") else "release"
        return {name: read_number(piece["time"], context, shift=_TIME_SHIFT[piece["unit"]])}
    return {"threshold": _threshold_dbu(piece, kind, context)}


def _threshold_dbu(piece: re.Match[str], kind: str, context: Context) -> float:
    unit = (piece["level_unit"] or "dbu").replace(" ", "")
    level = read_number(piece["level"], context, shift=-3 if unit == "mv" else 0)
    if unit == "dbu":
        return level
    if unit == "dbv":
        return level + dbu_from_volts(1.0)
    if not level > 0.0:
        raise context.refused("a threshold in volts lies above zero, such as 2.01 V")
    if unit in ("vp", "vpk", "vpeak"):
        if kind != "peak":
            raise context.refused("the threshold of an rms limiter is in volts rms, such as 2.01 V")
        level /= math.sqrt(2.0)
    return dbu_from_volts(level)


def show_limit(item: Limit | None) -> str:
    """`+8.3 dBu 50/200 ms`, `–` for none.

    Never rounded: where room is short the times go as a whole, since 0.56 ms must not read 1.
    """
    if item is None:
        return NOTHING
    times = "/".join(exact(value, 0) for value in (item.attack_ms, item.release_ms))
    return f"{exact(item.threshold_dbu, 1, plus=True)} dBu {times} ms"
