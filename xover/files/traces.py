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

from xover.dsp.captured import (
    COARSE_DEG,
    COARSE_SHARE,
    CapturedResponse,
    is_coarse,
    unwrapped_deg,
    wrapped_deg,
)
from xover.files.paths import file_name, read_bytes
from xover.files.trace_columns import columns_of
from xover.files.trace_lines import BYTES_MAX, DecimalMark, Table, read_table
from xover.files.trace_rows import Repeated, averaged, in_order
from xover.model.problems import Refused
from xover.model.units import plain, short, show_hz
from xover.model.words import Column

Array = NDArray[np.float64]
MagnitudeUnit = Literal["db", "linear"]
FrequencyUnit = Literal["hz", "khz"]
PhaseUnit = Literal["deg", "rad"]

FREQUENCY_MAX_HZ = 1_000_000.0
MAGNITUDE_MAX_DB = 1000.0
PHASE_MAX_DEG = 1e9

_IN_KHZ = re.compile(r"\bkhz\b|кгц|千赫", re.I)
_IN_HZ = re.compile(r"\bhz\b|(?<!к)гц|赫", re.I)
_IN_DB = re.compile(r"\bdb|дб|分贝|spl|pegel|level|niveau|nivel|livello|уров", re.I)
_IN_LINEAR = re.compile(r"\blin|ratio|factor|faktor|v/v|pa/v|\b[mµu]?pa\b|\bm?v\b", re.I)
_IN_DEG = re.compile(r"\bdeg|°|\bgrad\b|\bgrados?\b|\bgradi\b|\bdegr|град|\b度", re.I)
_IN_RAD = re.compile(r"\brad|\bрад|弧度", re.I)


def read_text(
    source: str | Path | bytes,
    *,
    name: str = "",
    decimal: DecimalMark | None = None,
    columns: tuple[Column, ...] | None = None,
    frequency_unit: FrequencyUnit | None = None,
    magnitude: MagnitudeUnit | None = None,
    phase_unit: PhaseUnit | None = None,
    repeated: Repeated | None = None,
    level_if_open: MagnitudeUnit | None = None,
) -> CapturedResponse:
    """A response from text columns: frequency with magnitude and perhaps phase, or with real and
    imaginary part; perhaps coherence.

    `source` is a path ("-" for standard input) or the bytes themselves, called `name` in messages.
    The other options answer what the file leaves open; `repeated` says what becomes of differing
    rows of one frequency, and `level_if_open` is the unit of magnitude in files of a kind that has
    always the same, where neither heading nor values tell. Rows in another order are sorted, one
    leading row at 0 Hz is left out.
    The level is relative, the bulk delay 0: text columns hold the phase whole. Raises `Refused`
    with a line number for what cannot be read, and with an option for what is ambiguous.
    """
    if not isinstance(source, bytes):
        name = name or file_name(source)
        source = read_bytes(source, limit_bytes=BYTES_MAX)
    table = read_table(source, name=name or "text", decimal=decimal)
    kinds, heads, said = columns_of(table, columns)
    at = {kind: index for index, kind in enumerate(kinds) if kind != "skip"}
    table, zero_said = _without_zero_row(table, at["frequency"])
    values = table.values[:, at["frequency"]]
    _check(table, values > 0.0, values, "a frequency of {} is not above 0")
    table, order_said = in_order(table, at["frequency"], tuple(at.values()), repeated)
    frequency_hz, unit_said = _frequency(table, at["frequency"], heads, frequency_unit)
    phase_deg, coherence = None, None
    if "real" in at:
        for given, option in ((magnitude, "--magnitude"), (phase_unit, "--phase-unit")):
            if given is not None:
                raise Refused.at(
                    table.name, f"the columns are real and imaginary part, {option} does not apply"
                )
        magnitude_db, phase_deg, figures_said = _from_parts(table, at["real"], at["imag"])
    else:
        magnitude_db, level_said = _magnitude(
            table, at["magnitude"], heads, magnitude, level_if_open
        )
        figures_said = (level_said,)
        if "phase" in at:
            phase_deg, phase_said = _phase(table, at["phase"], heads, phase_unit)
            figures_said += phase_said
        elif phase_unit is not None:
            raise Refused.at(table.name, "there is no phase column for --phase-unit to speak of")
    if "coherence" in at:
        coherence = table.values[:, at["coherence"]].copy()
        _check(table, (coherence >= 0.0) & (coherence <= 1.0), coherence,
               "a coherence of {} is outside 0…1")  # fmt: skip
    captured = CapturedResponse(
        frequency_hz=frequency_hz,
        magnitude_db=magnitude_db,
        phase_deg=phase_deg,
        coherence=coherence,
        understood=(*table.understood, said, *zero_said, *order_said, unit_said, *figures_said),
    )
    return averaged(captured, repeated)


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
    table: Table,
    column: int,
    heads: tuple[str, ...],
    asked: MagnitudeUnit | None,
    if_open: MagnitudeUnit | None = None,
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
    elif if_open is not None:
        linear, why = if_open == "linear", "as such files are, for nothing in it speaks against it"
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


def _from_parts(table: Table, real: int, imag: int) -> tuple[Array, Array, tuple[str, ...]]:
    """Magnitude in dB and phase in degrees, each (n,), of real and imaginary part."""
    value = table.values[:, real] + 1j * table.values[:, imag]
    size = np.abs(value)
    _check(table, size > 0.0, size, "a response of 0 has no level in dB")
    magnitude_db = 20.0 * np.log10(size)
    _check(table, np.abs(magnitude_db) <= MAGNITUDE_MAX_DB, magnitude_db, "{} dB is out of range")
    phase_deg = np.angle(value, deg=True)
    said = "magnitude and phase from real and imaginary part"
    return magnitude_db, phase_deg, (said, *_said_of_coarse_phase(table, phase_deg))


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
    said = f"phase in {'radians' if radians else 'degrees'} ({why}), {_wrapping(phase_deg)}"
    return phase_deg, (said, *_said_of_coarse_phase(table, phase_deg))


def _said_of_coarse_phase(table: Table, phase_deg: Array) -> tuple[str, ...]:
    if is_coarse(phase_deg):
        step = np.abs(wrapped_deg(np.diff(phase_deg)))
    else:
        step = np.abs(np.diff(unwrapped_deg(phase_deg)))
    if not step.size or np.mean(step > COARSE_DEG) <= COARSE_SHARE:
        return ()
    row = int(np.argmax(step > COARSE_DEG))
    return (
        f"the phase turns by more than 120° between rows from line {table.lines[row]} on: "
        "between the rows it is not to be trusted",
    )


def _wrapping(phase_deg: Array) -> str:
    return "unwrapped" if np.ptp(phase_deg) > 360.0 + 1e-6 else "within one circle"
