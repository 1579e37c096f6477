"""The entry sheet as a table for spreadsheets: one row a value, numbers as numbers.

Text that a spreadsheet would take for a formula is defused with an apostrophe. Numbers are the
preset's own, printed so that they read back exactly.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from xover.sheets.rows import Block, Entry, Sheet

COLUMNS = ("output", "stage", "item", "field", "value", "unit", "locked", "where")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")
"""OWASP, "CSV Injection": what spreadsheets evaluate, full-width forms included."""


def defused(text: str) -> str:
    """`text` as a cell that no spreadsheet evaluates."""
    risky = text.startswith(_FORMULA_STARTS) or text.lstrip().startswith(_FORMULA_STARTS)
    return f"'{text}" if risky else text


def csv_sheet(sheet: Sheet) -> str:
    """The sheet as comma-separated text with a header line and LF line ends."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in _rows(sheet):
        writer.writerow([defused(cell) if isinstance(cell, str) else _number(cell) for cell in row])
    return stream.getvalue()


def _number(value: float) -> str:
    return repr(int(value)) if value == int(value) else repr(value)


_Row = tuple[str | float, ...]


def _rows(sheet: Sheet) -> Iterator[_Row]:
    yield ("", "sheet", "title", "", sheet.title, "", "", "")
    for label, text in sheet.facts:
        yield ("", "sheet", label.lower(), "", text, "", "", "")
    for block in sheet.inputs:
        yield from _block("input", block)
    for block in sheet.outputs:
        yield from _block("output", block)
    for name, outputs, follow in sheet.groups:
        yield ("", "group", name, "outputs", outputs, "", "", "")
        yield ("", "group", name, "follow", follow, "", "", "")
    for kind, texts in (
        ("note", sheet.notes), ("caution", sheet.cautions), ("definition", sheet.definitions),
    ):  # fmt: skip
        for number, text in enumerate(texts, start=1):
            yield ("", kind, str(number), "", text, "", "", "")


def _block(stage: str, block: Block) -> Iterator[_Row]:
    for label, text in block.facts:
        yield (block.name, stage, label.lower(), "", text, "", "", "")
    for remark in block.remarks:
        yield (block.name, stage, "remark", "", remark, "", "", "")
    for entry in block.entries:
        yield from _entry(stage, block.name, entry)


def _entry(stage: str, name: str, entry: Entry) -> Iterator[_Row]:
    locked = "locked" if entry.locked else ""
    for figure in entry.figures:
        field, value = figure.field, figure.value
        yield (name, stage, entry.label, field, value, figure.unit, locked, figure.where)
