"""The cells of the settings sheet: what stands in one, and presets with other values in them.

An edit by value sets the same value on every follower of a group, a nudge gives each the same
change; locked stages refuse. Nothing here types or shows text, and nothing is changed in place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Literal, cast

from msgspec import Struct
from msgspec.structs import replace

from xover.model.changes import followers, is_locked, rename_listed, with_output
from xover.model.differences import with_value
from xover.model.entry import Value as Value  # the sheet speaks of it too
from xover.model.names import clean, fold, listed, quoted
from xover.model.places import form, parse, value_at
from xover.model.preset import Preset
from xover.model.problems import Fault, Refused
from xover.model.processing import Input, Limit, Limiter, Output
from xover.model.words import Stage

Side = Literal["output", "input"]
PlainRow = Literal[
    "route", "mute", "gain", "polarity", "delay", "high_pass", "low_pass", "rms", "peak"
]
Row = PlainRow | tuple[Literal["eq"], int]
"""A row of the sheet; `("eq", 0)` is the first equaliser section."""
FIELDS: dict[PlainRow, str] = {
    "route": "inputs",
    "mute": "muted",
    "gain": "gain_db",
    "polarity": "polarity",
    "delay": "delay_ms",
    "high_pass": "high_pass",
    "low_pass": "low_pass",
}
"""The field behind each row that is a field of its own."""

_STAGES: dict[PlainRow, Stage] = {
    "gain": "gain",
    "polarity": "polarity",
    "delay": "delay",
    "high_pass": "high_pass",
    "low_pass": "low_pass",
    "rms": "limiter",
    "peak": "limiter",
}
_ROW_WORDS: dict[PlainRow, str] = {
    "route": "route",
    "mute": "mute",
    "gain": "gain",
    "polarity": "polarity",
    "delay": "delay",
    "high_pass": "high-pass",
    "low_pass": "low-pass",
    "rms": "RMS limit",
    "peak": "peak limit",
}
ROUNDED_BY = 1e-3
"""How far two equal nudges may differ, since each comes out as a sensible figure."""
_INPUT_ROWS = ("gain", "polarity", "delay")


class Cell(Struct, frozen=True):
    """One cell: the exact name of an output or input, the row, and which side it is on."""

    column: str
    row: Row
    side: Side = "output"


def stage_of(row: Row) -> Stage | None:
    """The stage that groups and locks know a row by; None for routes and mutes."""
    return "eq" if isinstance(row, tuple) else _STAGES.get(row)


def row_words(row: Row) -> str:
    """`delay`, `EQ 3`, `RMS limit`."""
    return f"EQ {row[1] + 1}" if isinstance(row, tuple) else _ROW_WORDS[row]


def entry_row(row: Row) -> str:
    """What reading and showing call a row: every equaliser section is an `eq`."""
    return "eq" if isinstance(row, tuple) else row


def place_of(preset: Preset, cell: Cell) -> str:
    """The place of a cell in the file, `outputs[1].delay_ms`. Raises `Refused` as `value_of`."""
    where = f"{cell.side}s[{_index(preset, cell)}]"
    if isinstance(cell.row, tuple):
        return f"{where}.eq[{cell.row[1]}]"
    if cell.row in ("rms", "peak"):
        return f"{where}.limiter.{cell.row}"
    return f"{where}.{FIELDS[cell.row]}"


def value_of(preset: Preset, cell: Cell) -> Value:
    """What stands in a cell; None where a filter, section or limit could stand and none does.

    Raises `Refused` where there is no such column, or none of its rows is this one.
    """
    return _value(_column(preset, cell), cell)


def with_values(preset: Preset, values: Mapping[Cell, Value]) -> Preset:
    """The preset with values in cells and in those of every follower of their groups.

    None takes an equaliser section out; the place behind the last one puts one in. Raises
    `Refused` for a locked stage, a section beyond that place, and where a group ties cells
    together that would get different values. Values are not held against ranges here.
    """
    wanted: dict[Cell, tuple[Value, Cell]] = {}
    for cell, value in values.items():
        value_of(preset, cell)
        for each in [cell, *_followers(preset, cell)]:
            known = wanted.setdefault(each, (value, cell))
            if known[0] is not value and known[0] != value:
                raise Refused.at(
                    place_of(preset, each),
                    f"a group sets the {row_words(each.row)} of {quoted(known[1].column)} and "
                    f"{quoted(cell.column)} together, and they would get different values; "
                    "change one of them, or take one out of the group",
                )
    return _put(preset, wanted)


def with_value_at(preset: Preset, where: str, value: object) -> Preset:
    """The preset with a value at a place; within an output's stages its followers get it too.

    A `name` is renamed with every reference to it. Raises `Refused` where there
    is no such place, the value is not of its type and range, or the stage is locked.
    """
    steps = parse(where)
    if len(steps) == 3 and isinstance(steps[0], str) and steps[2] == "name":
        return renamed(preset, steps[0], str(value_at(preset, where)), str(value))
    if len(steps) < 3 or steps[0] not in ("inputs", "outputs") or not isinstance(steps[1], int):
        return with_value(preset, where, value)
    name = str(value_at(preset, f"{form(steps[:2])}.name"))
    side: Side = "output" if steps[0] == "outputs" else "input"
    row = next((row for row, stage in _STAGES.items() if _field_of(stage) == steps[2]), None)
    row_there: Row | None = ("eq", 0) if steps[2] == "eq" else row
    if row_there is None or side == "input":
        return with_value(preset, where, value)
    meant = Cell(name, row_there)
    for cell in [meant, *_followers(preset, meant)]:
        there = form(("outputs", _index(preset, cell), *steps[2:]))
        _refuse_locked(preset, cell, meant)
        preset = with_value(preset, there, value)
    return preset


def renamed(preset: Preset, key: str, old: str, typed: str) -> Preset:
    """The preset with an item of its list `key` renamed, references and all; `typed` is trimmed.

    Raises `Refused` where there is no such item, the name is not legal, or another has it.
    """
    new = clean(typed)
    names = [item.name for item in getattr(preset, key)]
    kind = key.removesuffix("s").replace("_", " ")
    if old not in names:
        raise Refused.at(key, f"there is no {kind} {quoted(old)} any more")
    if any(name != old and fold(name) == fold(new) for name in names):
        where = f"{key}[{names.index(old)}].name"
        raise Refused.at(where, f"there is already a name {quoted(new)} here; choose another one")
    return rename_listed(preset, key, old, new)


def nudged(preset: Preset, cells: Iterable[Cell], change: Callable[[Row, Value], Value]) -> Preset:
    """The preset with each cell, and each follower's, changed from its own value by `change`.

    A cell is changed once, however many of `cells` its groups tie it to. Raises `Refused` for a
    locked stage and for a cell that holds nothing.
    """
    wanted: dict[Cell, tuple[Value, Cell]] = {}
    for cell in cells:
        for each in [cell, *_followers(preset, cell)]:
            value = value_of(preset, each)
            if value is None and each == cell:
                raise Refused.at(
                    place_of(preset, cell),
                    f"{row_words(cell.row)} of {quoted(cell.column)} holds nothing to nudge; "
                    "type a value first",
                )
            if value is not None and each not in wanted:
                wanted[each] = (change(cell.row, value), cell)
    _refuse_uneven(preset, wanted)
    return _put(preset, wanted)


def swapped(preset: Preset, first: str, second: str) -> Preset:
    """The preset with all that is entered into two outputs exchanged.

    Routes, mute, gain, polarity, delay, filters, EQ and limiter change places; name, channel,
    patch, latency and locks stay. Raises `Refused` where a lock or a group forbids it.
    """
    a, b = (_column(preset, Cell(name, "gain")) for name in (first, second))
    assert isinstance(a, Output)
    assert isinstance(b, Output)
    values: dict[Cell, Value] = {}
    for row in ("route", "mute", *_STAGES):
        for here, there in ((a, b), (b, a)):
            cell = Cell(here.name, cast("Row", row))
            values[cell] = _value(there, cell)
    for at in range(max(len(a.eq), len(b.eq))):
        for here, there in ((a, b), (b, a)):
            cell = Cell(here.name, ("eq", at))
            values[cell] = there.eq[at] if at < len(there.eq) else None
    return with_values(preset, values)


def said_once(refused: Refused, preset: Preset) -> Refused:
    """The same faults; what holds for several outputs alike is said once, with their names."""
    alike: dict[tuple[str, str], list[tuple[Fault, str]]] = {}
    for fault in refused.faults:
        steps = parse(fault.where) if fault.where else ()
        key, name = (fault.where, fault.message), ""
        if len(steps) > 2 and steps[0] == "outputs" and isinstance(steps[1], int):
            key, name = (form((*steps[2:],)), fault.message), preset.outputs[steps[1]].name
        alike.setdefault(key, []).append((fault, name))
    said: list[Fault] = []
    for (first, _), *others in alike.values():
        message = first.message
        names = [name for _, name in others if name]
        if names:
            message += f"; the same goes for {listed(names)}"
        said.append(replace(first, message=message))
    return Refused(said)


def _put(preset: Preset, wanted: Mapping[Cell, tuple[Value, Cell]]) -> Preset:
    """Values into exactly these cells; each comes with the cell that it was meant for."""
    removed: list[Cell] = []
    for cell, (value, meant) in wanted.items():
        if _value(_column(preset, cell), cell) == value:
            continue
        _refuse_locked(preset, cell, meant)
        if isinstance(cell.row, tuple) and value is None:
            removed.append(cell)
        else:
            preset = _with(preset, cell, value)
    for cell in sorted(removed, key=lambda cell: -cast("tuple[str, int]", cell.row)[1]):
        preset = _with(preset, cell, None)
    return preset


def _with(preset: Preset, cell: Cell, value: Value) -> Preset:
    column = _column(preset, cell)
    fields: dict[str, Any]
    if isinstance(cell.row, tuple):
        at, eq = cell.row[1], column.eq
        if not 0 <= at <= len(eq):
            raise Refused.at(
                place_of(preset, cell),
                f"{quoted(cell.column)} has {len(eq)} EQ sections; the next is EQ {len(eq) + 1}",
            )
        fields = {"eq": (*eq[:at], *(() if value is None else (value,)), *eq[at + 1 :])}
    elif cell.row in ("rms", "peak"):
        assert isinstance(column, Output)
        limiter = replace(column.limiter or Limiter(), **{cell.row: value})
        fields = {"limiter": limiter if limiter.rms or limiter.peak else None}
    else:
        fields = {FIELDS[cell.row]: value}
    if cell.side == "output":
        return with_output(preset, cell.column, **fields)
    inputs = (
        replace(item, **fields) if item.name == cell.column else item for item in preset.inputs
    )
    return replace(preset, inputs=tuple(inputs))


def _value(column: Input | Output, cell: Cell) -> Value:
    if isinstance(cell.row, tuple):
        at = cell.row[1]
        return column.eq[at] if 0 <= at < len(column.eq) else None
    if isinstance(column, Input):
        if cell.row not in _INPUT_ROWS:
            raise Refused.at("", f"an input has no {row_words(cell.row)}; enter it at an output")
    elif cell.row in ("rms", "peak"):
        limit: Limit | None = getattr(column.limiter, cell.row, None)
        return limit
    value: Value = getattr(column, FIELDS[cell.row])
    return value


def _followers(preset: Preset, cell: Cell) -> list[Cell]:
    """The cells that follow one, itself left out, in the order of the outputs."""
    stage = stage_of(cell.row)
    if stage is None or cell.side == "input":
        return []
    tied = followers(preset, cell.column, stage)
    return [
        replace(cell, column=output.name)
        for output in preset.outputs
        if output.name in tied and output.name != cell.column
    ]


def made_alike(before: Preset, after: Preset, cells: Iterable[Cell]) -> list[str]:
    """Outputs that differed from one of `cells` and, since they follow it, now read the same.

    A figure typed over one box of an array becomes that of all: what they were apart is gone.
    """
    wanted = tuple(cells)
    names = {item.name for item in after.outputs}
    return [
        other.column
        for cell in wanted
        if cell.column in names
        for other in _followers(before, cell)
        if other not in wanted
        and other.column in names
        and value_of(before, other) != value_of(before, cell)
        and value_of(after, other) == value_of(after, cell)
    ]


def _field_of(stage: Stage) -> str:
    return {"gain": "gain_db", "delay": "delay_ms"}.get(stage, stage)


def _refuse_uneven(preset: Preset, wanted: Mapping[Cell, tuple[Value, Cell]]) -> None:
    """Refuse where one of a group meets its limit, which would move it against the others."""
    moved: dict[Cell, float] = {}
    for cell, (value, meant) in wanted.items():
        before = value_of(preset, cell)
        if not isinstance(value, float) or not isinstance(before, float):
            continue
        by = value - before
        if abs(moved.setdefault(meant, by) - by) > ROUNDED_BY:
            raise Refused.at(
                place_of(preset, cell),
                f"the {row_words(cell.row)} of {quoted(meant.column)} and of "
                f"{quoted(cell.column)}, which a group changes together, cannot both go that far",
            )


def _refuse_locked(preset: Preset, cell: Cell, meant: Cell) -> None:
    stage = stage_of(cell.row)
    if stage is None or cell.side == "input" or not is_locked(preset, cell.column, stage):
        return
    words = row_words(cell.row)
    why = f"the {words} of {quoted(cell.column)} is locked"
    if cell.column != meant.column:
        why += f", and a group sets it together with {quoted(meant.column)}"
    raise Refused.at(place_of(preset, cell), f"{why}; unlock it first, or leave it as given")


def _column(preset: Preset, cell: Cell) -> Input | Output:
    columns: tuple[Input | Output, ...] = preset.outputs if cell.side == "output" else preset.inputs
    return columns[_index(preset, cell)]


def _index(preset: Preset, cell: Cell) -> int:
    columns: tuple[Input | Output, ...] = preset.outputs if cell.side == "output" else preset.inputs
    for index, item in enumerate(columns):
        if item.name == cell.column:
            return index
    raise Refused.at("", f"there is no {cell.side} {quoted(cell.column)} any more")
