"""What the settings sheet shows, as data: columns, rows and the text of every cell.

Pure: a preset in, a view out, no screen. Columns whose input or output is the same object as in
the view before are the same objects too, so that an edit costs one column. It refuses nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property, lru_cache
from typing import NamedTuple

from msgspec import Struct

from xover.model.entry import show
from xover.model.entry_text import NOTHING
from xover.model.names import inert
from xover.model.preset import Preset
from xover.model.problems import Refused
from xover.model.processing import Input, Output
from xover.session.cells import Cell, Row, Side, Value, row_words, stage_of, value_of
from xover.sheets.cells import width_of

_ABOVE_EQ: tuple[Row, ...] = ("route", "gain", "polarity", "delay", "high_pass", "low_pass")
_BELOW_EQ: tuple[Row, ...] = ("rms", "peak")
_UNITS: dict[Row, str] = {"gain": "dB", "delay": "ms"}


class RowView(NamedTuple):
    """One row: what addresses it, what it is called, the unit its figures are in ("" for none)."""

    id: Row
    label: str
    unit: str


class CellView(NamedTuple):
    """One cell: its whole text, which reads in again as the same value, and how it stands."""

    text: str
    value: Value
    locked: bool = False
    changed: bool = False
    """Since the last save."""
    fault: str = ""
    """A sentence on what is wrong with the value; "" where nothing is."""
    ghost: str = ""
    """What the chosen processor would make of it; "" where it holds it as it is."""

    @property
    def nothing(self) -> bool:
        """Whether the cell is empty but could hold something."""
        return self.text == NOTHING


class _Source(NamedTuple):
    """All that a column was made from; two alike make the same column."""

    item: Input | Output
    saved: Input | Output | None
    groups: tuple[str, ...]
    rows: tuple[RowView, ...]
    faults: Mapping[Row, str]
    ghosts: Mapping[Row, str]

    def same(self, other: _Source) -> bool:
        """Whether both made the same column; inputs and outputs are compared as objects."""
        return self.item is other.item and self.saved is other.saved and self[2:] == other[2:]


class ColumnView(Struct, frozen=True, eq=False, dict=True):
    """One input or output: its heading, and its cells by row (rows it does not have are absent)."""

    name: str
    side: Side
    groups: tuple[str, ...]
    """The groups it is set together with others in, names made inert."""
    muted: bool
    changed: bool
    """Whether what the heading says has changed since the last save."""
    cells: Mapping[Row, CellView]
    source: _Source

    @cached_property
    def label(self) -> str:
        """The name, made inert."""
        return inert(self.name)

    @cached_property
    def fitted(self) -> dict[tuple[Row, int], str]:
        """Room for the texts of cells as they were fitted to a width, by row and width."""
        return {}

    @cached_property
    def natural_width(self) -> int:
        """Columns that the widest cell and the whole heading take, without margins."""
        heading = width_of(self.label) + 6 * self.muted + 2 * bool(self.groups)
        return max(heading, *(width_of(each.text) for each in self.cells.values()))


class SheetView(Struct, frozen=True, eq=False, dict=True):
    """The whole sheet; inputs stand left of outputs."""

    columns: tuple[ColumnView, ...]
    rows: tuple[RowView, ...]

    def cell(self, column: int, row: int) -> Cell:
        """The address of the cell at a column and a row, counted from 0."""
        at = self.columns[column]
        return Cell(at.name, self.rows[row].id, at.side)

    def at(self, cell: Cell) -> CellView | None:
        """What a cell shows; None where there is no such cell."""
        for column in self.columns:
            if column.side == cell.side and column.name == cell.column:
                return column.cells.get(cell.row)
        return None

    @cached_property
    def row_numbers(self) -> dict[Row, int]:
        """Where each row stands, counted from 0."""
        return {row.id: number for number, row in enumerate(self.rows)}

    @cached_property
    def column_numbers(self) -> dict[tuple[Side, str], int]:
        """Where each column stands, counted from 0, by side and exact name."""
        return {(each.side, each.name): number for number, each in enumerate(self.columns)}

    @cached_property
    def first_output(self) -> int:
        """The number of the first output's column, which is the number of inputs."""
        return sum(column.side == "input" for column in self.columns)


def sheet_view(
    preset: Preset,
    *,
    saved: Preset | None = None,
    faults: Mapping[Cell, str] | None = None,
    ghosts: Mapping[Cell, str] | None = None,
    previous: SheetView | None = None,
) -> SheetView:
    """The view of `preset`.

    `saved` is what stands in the file: cells that differ from it count as changed (None: none
    do). `faults` and `ghosts` put a sentence, or the value a processor would make of it, to single
    cells. Columns of `previous` that would come out the same are taken over.
    """
    everything: tuple[Input | Output, ...] = (*preset.inputs, *preset.outputs)
    used = max(len(item.eq) for item in everything)
    making = _Making(preset, saved, _rows(used + 1), faults or {}, ghosts or {}, previous)
    inputs = making.columns("input", preset.inputs, saved.inputs if saved else ())
    outputs = making.columns("output", preset.outputs, saved.outputs if saved else ())
    return SheetView((*inputs, *outputs), making.rows)


class _Making(Struct, frozen=True, eq=False):
    """One view in the making."""

    preset: Preset
    saved: Preset | None
    rows: tuple[RowView, ...]
    faults: Mapping[Cell, str]
    ghosts: Mapping[Cell, str]
    previous: SheetView | None

    def columns(
        self, side: Side, items: Sequence[Input | Output], old_items: Sequence[Input | Output]
    ) -> list[ColumnView]:
        old = _counterparts(items, old_items)
        groups: dict[str, tuple[str, ...]] = {}
        for group in self.preset.groups if side == "output" else ():
            for name in group.outputs:
                groups[name] = (*groups.get(name, ()), inert(group.name))
        known = self.previous.column_numbers if self.previous else {}
        made: list[ColumnView] = []
        for item in items:
            name = item.name
            source = _Source(
                item,
                old.get(name),
                groups.get(name, ()),
                self.rows,
                _of_column(self.faults, side, name),
                _of_column(self.ghosts, side, name),
            )
            before: ColumnView | None = None
            if self.previous and (side, name) in known:
                before = self.previous.columns[known[side, name]]
            if before is None or not before.source.same(source):
                before = self._column(side, source, before)
            made.append(before)
        return made

    def _column(self, side: Side, source: _Source, before: ColumnView | None) -> ColumnView:
        item, saved = source.item, source.saved
        locked: tuple[str, ...] = item.locked if isinstance(item, Output) else ()
        cells: dict[Row, CellView] = {}
        for row, _, _ in self.rows:
            try:
                value = value_of(self.preset, Cell(item.name, row, side))
            except Refused:
                continue  # an input has no such row
            changed = False
            if saved is not None and saved is not item and self.saved is not None:
                was = value_of(self.saved, Cell(saved.name, row, side))
                changed = was is not value and was != value
            same = before.cells.get(row) if before else None
            text = same.text if same and same.value is value else show(row, value)
            cells[row] = CellView(
                text,
                value,
                stage_of(row) in locked,
                changed or (saved is None and self.saved is not None),
                source.faults.get(row, ""),
                source.ghosts.get(row, ""),
            )
        muted = isinstance(item, Output) and item.muted
        was_muted = isinstance(saved, Output) and saved.muted
        heading = self.saved is not None and (
            saved is None or saved.name != item.name or muted != was_muted
        )
        return ColumnView(item.name, side, source.groups, muted, heading, cells, source)


@lru_cache(maxsize=64)
def _rows(sections: int) -> tuple[RowView, ...]:
    eq: list[Row] = [("eq", at) for at in range(sections)]
    return tuple(
        RowView(row, _capital(row_words(row)), _UNITS.get(row, ""))
        for row in (*_ABOVE_EQ, *eq, *_BELOW_EQ)
    )


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _of_column(notes: Mapping[Cell, str], side: Side, name: str) -> Mapping[Row, str]:
    return {
        cell.row: note for cell, note in notes.items() if (cell.side, cell.column) == (side, name)
    }


def _counterparts(
    items: Sequence[Input | Output], saved: Sequence[Input | Output]
) -> dict[str, Input | Output]:
    """The saved counterpart of each item: of the same name, or renamed in the same place."""
    by_name = {each.name: each for each in saved}
    names = {item.name for item in items}
    for item, old in zip(items, saved, strict=False):
        if item.name not in by_name and old.name not in names:
            by_name[item.name] = old
    return by_name
