"""A measured response from a text file: what its columns are and in which units.

Headings, values and jumps are the evidence, and each decision is a sentence in `understood`.
What would change the numbers and is not settled by evidence is refused with the option that
settles it; nothing is guessed in silence.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from xover.dsp.captured import CapturedResponse, unwrapped_deg
from xover.files.paths import file_name, read_bytes
from xover.files.trace_lines import BYTES_MAX, DecimalMark, Table, read_table
from xover.model.names import quoted
from xover.model.problems import Refused
from xover.model.units import plain, short, show_hz

Array = NDArray[np.float64]
Column = Literal["frequency", "magnitude", "phase", "coherence", "skip"]
MagnitudeUnit = Literal["db", "linear"]
FrequencyUnit = Literal["hz", "khz"]
PhaseUnit = Literal["deg", "rad"]

NATURAL_ORDER: tuple[Column, ...] = ("frequency", "magnitude", "phase", "coherence")
FREQUENCY_MAX_HZ = 1_000_000.0
MAGNITUDE_MAX_DB = 1000.0
PHASE_MAX_DEG = 1e9

_OTHER = re.compile(
    r"\bohms?\b|ω|imped|\breal|\bimag|\bre\b|\bim\b|delay|laufzeit|thd|distort|noise|\btime\b"
    r"|\bm?s\b|samples?\b|phon"
)
_KINDS: tuple[tuple[Column, re.Pattern[str]], ...] = (
    ("coherence", re.compile(r"coh|kohär|kohaer|cohér|coer|γ|когер")),
    ("phase", re.compile(r"phas|fas[ei]|fáz|\bphi\b|φ|\bdeg|°|\brad|\bgrad\b|фаз|位相|相位")),
    (
        "magnitude",
        re.compile(
            r"mag|spl|\bdb|level|pegel|niveau|nivel|livello|niv[åa]|ampl|gain|betrag|уров|\|h\||模"
        ),
    ),
    ("frequency", re.compile(r"fr[eé][qk]|fr[eé]c|\bk?hz\b|^f\b|част|周波|频率")),
)
_IN_KHZ = re.compile(r"\bkhz\b", re.I)
_IN_HZ = re.compile(r"\bhz\b", re.I)
_IN_DB = re.compile(r"\bdb|spl|pegel|level|niveau|nivel|livello", re.I)
_IN_LINEAR = re.compile(r"\blin|ratio|factor|faktor|v/v|pa/v|\b[mµu]?pa\b|\bm?v\b", re.I)
_IN_DEG = re.compile(r"\bdeg|°|\bgrad\b|\bgrados?\b|\bgradi\b|\bdegr", re.I)
_IN_RAD = re.compile(r"\brad", re.I)


def read_text(
    source: str | Path | bytes,
    *,
    name: str = "",
    decimal: DecimalMark | None = None,
    columns: tuple[Column, ...] | None = None,
    frequency_unit: FrequencyUnit | None = None,
    magnitude: MagnitudeUnit | None = None,
    phase_unit: PhaseUnit | None = None,
) -> CapturedResponse:
    """A response from text columns: frequency, magnitude and perhaps phase and coherence.

    `source` is a path ("-" for standard input) or the bytes themselves, called `name` in messages.
    The other options answer what the file leaves open. One leading row at 0 Hz is left out.
    The level is relative, the bulk delay 0: text columns hold the phase whole. Raises `Refused`
    with a line number for what cannot be read, and with an option for what is ambiguous.
    """
    if not isinstance(source, bytes):
        name = name or file_name(source)
        source = read_bytes(source, limit_bytes=BYTES_MAX)
    table = read_table(source, name=name or "text", decimal=decimal)
    kinds, heads, said = _columns(table, columns)
    at = {kind: index for index, kind in enumerate(kinds) if kind != "skip"}
    table, zero_said = _without_zero_row(table, at["frequency"])
    frequency_hz, unit_said = _frequency(table, at["frequency"], heads, frequency_unit)
    magnitude_db, level_said = _magnitude(table, at["magnitude"], heads, magnitude)
    phase_deg, coherence = None, None
    phase_said: tuple[str, ...] = ()
    if "phase" in at:
        phase_deg, phase_said = _phase(table, at["phase"], heads, phase_unit)
    elif phase_unit is not None:
        raise Refused.at(table.name, "there is no phase column for --phase-unit to speak of")
    if "coherence" in at:
        coherence = table.values[:, at["coherence"]].copy()
        _check(table, (coherence >= 0.0) & (coherence <= 1.0), coherence,
               "a coherence of {} is outside 0…1")  # fmt: skip
    return CapturedResponse(
        frequency_hz=frequency_hz,
        magnitude_db=magnitude_db,
        phase_deg=phase_deg,
        coherence=coherence,
        understood=(*table.understood, said, *zero_said, unit_said, level_said, *phase_said),
    )


def _columns(
    table: Table, asked: tuple[Column, ...] | None
) -> tuple[tuple[Column, ...], tuple[str, ...], str]:
    """The kind and the heading text of each column, and the sentence about it."""
    width = table.values.shape[1]
    tokens = _heading_tokens(table, width)
    heads = tokens or ("",) * width
    if asked is not None:
        if len(asked) != width:
            raise Refused.at(
                table.name, f"--columns names {len(asked)} columns, the file has {width}"
            )
        wanted = [kind for kind in asked if kind != "skip"]
        if len(set(wanted)) != len(wanted) or not {"frequency", "magnitude"} <= set(wanted):
            raise Refused.at(
                table.name, "--columns must name frequency and magnitude, and nothing twice"
            )
        return asked, heads, f"columns as asked: {', '.join(asked)}"
    if tokens:
        kinds = tuple(_kind(token) for token in tokens)
        if kinds[0] == "frequency" and width == 2 and kinds[1] is None and not _is_other(tokens[1]):
            kinds = ("frequency", "magnitude")
        known = [kind for kind in kinds if kind is not None]
        for index, kind in enumerate(kinds):
            if kind is None or known.count(kind) > 1:
                what = "is not known here" if kind is None else f"is a second {kind}"
                raise Refused.at(
                    table.name,
                    f"column {index + 1} is headed {quoted(tokens[index])}, which {what}; say what "
                    "each column is with --columns, for instance frequency,magnitude,skip",
                )
        if not {"frequency", "magnitude"} <= set(known):
            raise Refused.at(
                table.name,
                f"the headings name {', '.join(known)}; a frequency and a magnitude are needed "
                "(say what each column is with --columns)",
            )
        return tuple(known), heads, f"columns by their headings: {', '.join(known)}"
    if width > len(NATURAL_ORDER):
        raise Refused.at(
            table.name,
            f"{width} columns without headings known here; say what each is with --columns, for "
            "instance frequency,magnitude,phase,skip,skip",
        )
    if width == 3:
        third = table.values[:, 2]
        if third.min() >= 0.0 and third.max() <= 1.0 and third.max() > 0.0:
            raise Refused.at(
                table.name,
                "the third column lies between 0 and 1 and could be phase or coherence; answer "
                "with --columns frequency,magnitude,phase or frequency,magnitude,coherence",
            )
    order = NATURAL_ORDER[:width]
    return (
        order,
        (_prose_heading(table),) * width,
        f"columns in the usual order: {', '.join(order)}",
    )


def _prose_heading(table: Table) -> str:
    """The last line of text if it speaks of frequency and magnitude and holds no figures."""
    line = table.headings[-1] if table.headings else ""
    kinds = {kind for kind, pattern in _KINDS if pattern.search(line.lower())}
    named = {"frequency", "magnitude"} <= kinds and not any(letter.isdigit() for letter in line)
    return line if named else ""


def _heading_tokens(table: Table, width: int) -> tuple[str, ...]:
    """One text a column, from the last lines in front of the rows; () where none fits.

    A line of units under a line of names is joined to it.
    """
    found: list[tuple[str, ...]] = []
    for line in reversed(table.headings):
        tokens = _split_heading(line, table.separator, width)
        kinds = [_kind(token) for token in tokens]
        recognised = sum(kind is not None or _is_other(token)
                         for kind, token in zip(kinds, tokens, strict=True))  # fmt: skip
        if recognised < min(2, width - 1) or not any(kinds):
            break
        if recognised < 2 and kinds[0] != "frequency":
            break
        found.append(tokens)
    if not found:
        return ()
    return tuple(" ".join(parts) for parts in zip(*reversed(found), strict=True))


def _split_heading(line: str, separator: str, width: int) -> tuple[str, ...]:
    """The heading's texts if they are as many as the columns and hold no numbers, else ()."""
    close = re.sub(r"\s+(?=[\[(])", "", line)
    for cut in (separator.strip() or None, "\t", ";", ",", None):
        tokens = [token.strip(' "') for token in close.split(cut)]
        while tokens and not tokens[-1]:
            tokens.pop()
        if len(tokens) == width and not any(re.fullmatch(r"[\d.,/:+-]+", t) for t in tokens):
            return tuple(tokens)
    return ()


def _kind(token: str) -> Column | None:
    lowered = token.lower()
    if _is_other(token):
        return None
    return next((kind for kind, pattern in _KINDS if pattern.search(lowered)), None)


def _is_other(token: str) -> bool:
    return _OTHER.search(token.lower()) is not None


def _without_zero_row(table: Table, column: int) -> tuple[Table, tuple[str, ...]]:
    if table.values[0, column] != 0.0:
        return table, ()
    if len(table.lines) < 2:
        raise Refused.at(table.name, "there is no row above 0 Hz")
    said = f"the row at 0 Hz (line {table.lines[0]}) is left out"
    rest = Table(table.name, table.values[1:], table.lines[1:], table.headings, table.separator,
                 table.understood)  # fmt: skip
    return rest, (said,)


def _check(table: Table, good: NDArray[np.bool_], values: Array, message: str) -> None:
    """Refuse the first row that is not `good` (n,), its value put into `message`."""
    if not good.all():
        row = int(np.argmin(good))
        table.refuse(row, message.format(short(float(values[row]), 6)))


def _frequency(
    table: Table, column: int, heads: tuple[str, ...], asked: FrequencyUnit | None
) -> tuple[Array, str]:
    values = table.values[:, column].copy()
    _check(table, values > 0.0, values, "a frequency of {} is not above 0")
    step = np.diff(values)
    if not (step > 0.0).all():
        row = int(np.argmin(step > 0.0)) + 1
        figure = short(float(values[row]), 6)
        if step[row - 1] == 0.0:
            table.refuse(row, f"the frequency {figure} comes twice; keep one of the rows")
        before = short(float(values[row - 1]), 6)
        table.refuse(row, f"the frequency falls from {before} to {figure}; sort the rows ascending")
    low, high = float(values[0]), float(values[-1])
    head = heads[column]
    if asked is not None:
        in_khz, why = asked == "khz", "as asked"
    elif _IN_KHZ.search(head):
        in_khz, why = True, "the heading says so"
    elif _IN_HZ.search(head):
        in_khz, why = False, "the heading says so"
    elif low >= 10.0 or high > 200.0 or (low >= 1.0 and high >= 50.0):
        in_khz, why = False, "by the range of the values"
    else:
        raise Refused.at(
            table.name,
            f"frequencies from {short(low)} to {short(high)} could be Hz or kHz; answer with "
            "--frequency-unit hz or khz",
        )
    frequency_hz = values * 1000.0 if in_khz else values
    _check(table, frequency_hz <= FREQUENCY_MAX_HZ, frequency_hz, "{} Hz is above 1 MHz")
    span = f"{show_hz(float(frequency_hz[0]))} to {show_hz(float(frequency_hz[-1]))}"
    return frequency_hz, f"frequency in {'kHz' if in_khz else 'Hz'} ({why}), {span}"


def _magnitude(
    table: Table, column: int, heads: tuple[str, ...], asked: MagnitudeUnit | None
) -> tuple[Array, str]:
    values = table.values[:, column].copy()
    head = heads[column]
    if asked is not None:
        linear, why = asked == "linear", "as asked"
    elif _IN_DB.search(head) and not re.search(r"\blin", head, re.I):
        linear, why = False, "the heading says so"
    elif _IN_LINEAR.search(head):
        linear, why = True, "the heading says so"
    elif values.min() < 0.0:
        linear, why = False, "there are negative values"
    elif values.max() == 0.0:
        linear, why = False, "it is 0 throughout, which no linear factor is"
    elif float(np.median(values)) >= 40.0 and values.max() <= 150.0:
        linear, why = False, "the values lie where sound levels in dB do"
    else:
        raise Refused.at(
            table.name,
            "no magnitude is negative and no heading gives a unit: it could be in dB or a linear "
            "factor; answer with --magnitude db or linear",
        )
    if linear:
        _check(table, values > 0.0, values, "a linear magnitude of {} has no level in dB")
        magnitude_db = 20.0 * np.log10(values)
    else:
        magnitude_db = values
    _check(table, np.abs(magnitude_db) <= MAGNITUDE_MAX_DB, magnitude_db, "{} dB is out of range")
    said = f"magnitude {'as a linear factor' if linear else 'in dB'} ({why})"
    if re.search("spl", head, re.I):
        said += (
            "; the heading speaks of SPL, but the level counts as relative unless --spl-calibration"
            " is given (0 where the figures are sound pressure levels)"
        )
    return magnitude_db, said


def _phase(
    table: Table, column: int, heads: tuple[str, ...], asked: PhaseUnit | None
) -> tuple[Array, tuple[str, ...]]:
    values = table.values[:, column].copy()
    head = heads[column]
    largest = float(np.abs(values).max())
    jump = float(np.abs(np.diff(values)).max(initial=0.0))
    circle = 2.0 * np.pi
    if asked is not None:
        radians, why = asked == "rad", "as asked"
    elif _IN_DEG.search(head):
        radians, why = False, "the heading says so"
    elif _IN_RAD.search(head):
        radians, why = True, "the heading says so"
    elif largest == 0.0:
        radians, why = False, "zero throughout"
    elif largest > circle * 1.001:
        radians, why = False, f"it reaches {plain(largest, 1)}, beyond a circle in radians"
    elif 0.9 * circle <= jump <= 1.001 * circle:
        radians, why = True, "it jumps by a circle in radians"
    else:
        raise Refused.at(
            table.name,
            f"a phase of at most {plain(largest, 2)} could be in degrees or in radians; answer "
            "with --phase-unit deg or rad",
        )
    phase_deg = np.rad2deg(values) if radians else values
    _check(table, np.abs(phase_deg) <= PHASE_MAX_DEG, phase_deg, "a phase of {} is out of range")
    said = [f"phase in {'radians' if radians else 'degrees'} ({why}), {_wrapping(phase_deg)}"]
    step = np.abs(np.diff(unwrapped_deg(phase_deg)))
    if step.size and np.mean(step > 120.0) > 0.05:
        row = int(np.argmax(step > 120.0))
        said.append(
            f"the phase turns by more than 120° between rows from line {table.lines[row]} on: "
            "between the rows it is not to be trusted"
        )
    return phase_deg, tuple(said)


def _wrapping(phase_deg: Array) -> str:
    return "unwrapped" if np.ptp(phase_deg) > 360.0 + 1e-6 else "within one circle"
