"""What a step is called: `Top L, delay 3.42 → 3.50 ms`.

Names are shown inert; figures go through the one way of showing a cell.
"""

from __future__ import annotations

from collections.abc import Sequence

from xover.model import entry
from xover.model.differences import differences
from xover.model.entry import Value
from xover.model.names import inert
from xover.model.places import label, unit
from xover.model.preset import Preset
from xover.model.units import short
from xover.session.cells import Cell, row_words, value_of

_UNITS = {"gain": " dB", "delay": " ms"}
_NAMES_SAID = 3
_TEXT_SAID = 40


def name_of_values(before: Preset, after: Preset, cells: Sequence[Cell]) -> str:
    """The name of an edit of these cells, those that follow by their groups left unsaid."""
    changed = [cell for cell in cells if value_of(before, cell) != value_of(after, cell)]
    cells = changed or cells
    rows = list(dict.fromkeys(cell.row for cell in cells))
    columns = list(dict.fromkeys(cell.column for cell in cells))
    if len(rows) > 1:
        return f"{_columns(columns)}, {len(rows)} rows"
    row, unit = rows[0], _UNITS.get(str(rows[0]), "")
    words = f"{_columns(columns)}, {row_words(row)}"
    old = {shown(cell, value_of(before, cell)) for cell in cells}
    new = {shown(cell, value_of(after, cell)) for cell in cells}
    if len(new) > 1:
        return words
    if len(old) > 1:
        return f"{words} → {new.pop()}{unit}"
    return f"{words} {old.pop()} → {new.pop()}{unit}"


def name_of_change(before: Preset, after: Preset) -> str:
    """The name of an edit that is not of cells: the first place that it touches."""
    changes = differences(before, after)
    if not changes:
        return "no change"
    first = changes[0]
    words = label(after, first.where)
    if all(_is_short(value) for value in (first.old, first.new)):
        of = unit(first.where)
        words += f" {_said(first.old)} → {_said(first.new)}{f' {of}' if of else ''}"
    return f"{words} and {len(changes) - 1} more" if len(changes) > 1 else words


def shown(cell: Cell, value: Value) -> str:
    """A cell's value in the house style."""
    return entry.show(cell.row, value)


def _is_short(value: object) -> bool:
    return isinstance(value, float | int) or (isinstance(value, str) and len(value) <= _TEXT_SAID)


def _said(value: object) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, float | int):
        return short(value)
    return inert(str(value)) or "–"


def _columns(names: Sequence[str]) -> str:
    said = [inert(name) for name in names[:_NAMES_SAID]]
    if len(names) > _NAMES_SAID:
        return f"{', '.join(said)} and {len(names) - _NAMES_SAID} more"
    return " and ".join([", ".join(said[:-1]), said[-1]] if len(said) > 1 else said)
