"""What the cell under the cursor is, in every unit it is typed in, and what may be typed.

Pure: a preset and a cell in, pieces of text out, and as many of them as a width holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from xover.acoustics.air import speed_of_sound_m_s
from xover.model.entry import Part, help_for, part_words, parts, show, step_words
from xover.model.names import fold, inert
from xover.model.places import Key, parse
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Input, Limit, Output
from xover.model.rig import Measurement, Source
from xover.model.units import plain, short, show_c, volts_from_dbu
from xover.session.cells import Cell, PlainRow, Row, Side, entry_row, row_words, value_of
from xover.sheets.cells import width_of

_GAP = "   "
PART_KEY = "^N"
_SAID_BY_THE_PART = ("next slope", "next family")


def cell_words(cell: Cell) -> str:
    """`Top L, delay`."""
    return f"{inert(cell.column)}, {row_words(cell.row)}"


class Readout(NamedTuple):
    """What a cell holds, how far a nudge goes, what may be typed, and the value in other units."""

    holds: str
    nudge: str = ""
    takes: str = ""
    more: str = ""
    also: str = ""
    """The value in another unit, right behind it where the nudge has room as well."""

    def fitted(self, width: int) -> str:
        """As much as `width` columns hold, the value first; no word and no example is cut."""
        text = self.holds
        if width_of(text + self.also + _GAP + self.nudge) <= width:
            text += self.also
        if self.nudge and width_of(text + _GAP + self.nudge) <= width:
            text += _GAP + self.nudge
        examples = self.takes.split(", ") if self.takes else []
        for count in range(len(examples), 0, -1):
            part = _GAP + ", ".join(examples[:count])
            if width_of(text + part) <= width:
                text += part
                break
        if self.more and width_of(text + _GAP + self.more) <= width:
            text += _GAP + self.more
        return text


def readout(preset: Preset, cell: Cell, part: Part = "frequency") -> Readout:
    """What is to be said about a cell; `part` is what of it a nudge moves, where it has parts."""
    try:
        value = value_of(preset, cell)
    except Refused:
        return Readout(f"{inert(cell.column)} has no {row_words(cell.row)}")
    more = also = ""
    text = f"{cell_words(cell)}  {show(entry_row(cell.row), value)}"
    if cell.row == "delay" and isinstance(value, float | int):
        metres = value / 1000.0 * speed_of_sound_m_s(preset.air)
        samples = value / 1000.0 * preset.sample_rate_hz
        text += f" ms = {plain(metres, 2)} m at {show_c(preset.air.temperature_c)}"
        more = f"{short(samples, 1)} samples"
    elif cell.row == "gain":
        text += " dB"
    elif isinstance(value, Limit):
        also = f" = {plain(volts_from_dbu(value.threshold_dbu), 3)} V rms"
        if cell.row == "peak":
            also += " of the sine with that peak"
    step = step_words(entry_row(cell.row), part=part) if value is not None else ""
    nudge = f"[ ] {step}" if step else ""
    known = parts(value)
    if len(known) > 1:
        at = known.index(part) if part in known else 0
        nudge = f"[ ] {part_words(value, known[at])}"
        nudge += f" {step}" if step not in _SAID_BY_THE_PART else ""
        nudge += f"   {PART_KEY} {part_words(value, known[(at + 1) % len(known)])}"
    return Readout(text, nudge, help_for(entry_row(cell.row)), more, also)


def was_words(preset: Preset, other: Preset, cell: Cell) -> str:
    """`, in the revision 3.10`: what a cell holds in a preset compared, "" where it is the same."""
    try:
        value = value_of(preset, cell)
    except Refused:
        return ""
    items: Sequence[Input | Output] = other.inputs if cell.side == "input" else other.outputs
    name = next((one.name for one in items if fold(one.name) == fold(cell.column)), None)
    if name is None:
        return f", and the revision has no {inert(cell.column)}"
    was = value_of(other, Cell(name, cell.row, cell.side))
    return "" if was == value else f", in the revision {inert(show(entry_row(cell.row), was))}"


_ROWS: dict[str, PlainRow] = {
    "inputs": "route",
    "gain_db": "gain",
    "polarity": "polarity",
    "delay_ms": "delay",
    "high_pass": "high_pass",
    "low_pass": "low_pass",
}


_OUTPUTS_ONLY: tuple[Row, ...] = ("route", "high_pass", "low_pass", "rms", "peak")


def cell_at(preset: Preset, where: str) -> Cell | None:
    """The sheet's cell for a place in the file, or None where it has none."""
    steps = parse(where) if where else ()
    if len(steps) >= 2 and isinstance(steps[1], int):
        # What lies about an output, its captures and its boxes, is told at its delay.
        kept: Sequence[Measurement | Source] = ()
        if steps[0] in ("measurements", "sources"):
            kept = preset.measurements if steps[0] == "measurements" else preset.sources
        if 0 <= steps[1] < len(kept):
            return Cell(kept[steps[1]].output, "delay")
        channels = preset.amplifier_channels if steps[0] == "amplifier_channels" else ()
        if 0 <= steps[1] < len(channels):  # an amplifier channel at the limiter before it
            return Cell(channels[steps[1]].output, "rms")
    if len(steps) < 2 or steps[0] not in ("inputs", "outputs") or not isinstance(steps[1], int):
        return None
    items: Sequence[Input | Output] = preset.outputs if steps[0] == "outputs" else preset.inputs
    if not 0 <= steps[1] < len(items):
        return None
    name = items[steps[1]].name
    side: Side = "output" if steps[0] == "outputs" else "input"
    field = steps[2] if len(steps) > 2 else "gain_db"
    row: Row | None = None
    if isinstance(field, Key):
        return None
    if field == "eq":
        at = steps[3] if len(steps) > 3 and isinstance(steps[3], int) else 0
        row = ("eq", at)
    elif field == "limiter":
        row = "peak" if len(steps) > 3 and steps[3] == "peak" else "rms"
    elif isinstance(field, str):
        row = _ROWS.get(field, "gain")
    if row is None or (
        side == "input" and row in ("route", "high_pass", "low_pass", "rms", "peak")
    ):
        row = "gain"
    return Cell(name, row, side)
