"""The entry sheet as plain text, for a terminal, a mail or a printer with one font.

No line is wider than 80 columns; nothing is cut off, long names wrap. Text in the sheet is inert
already, and plain text has no markup to guard against.
"""

from __future__ import annotations

from collections.abc import Sequence

from xover.sheets.cells import fitted, width_of, wrapped
from xover.sheets.rows import Block, Entry, Sheet

WIDTH = 80
BOX = "[ ]"
_LABEL = 19
_INITIALS = "Entered by ______________  Checked by ______________  Date ______________"


def text_sheet(sheet: Sheet) -> str:
    """The sheet as lines of at most 80 columns, ending in a newline."""
    lines = [line.rstrip() for line in _lines(sheet)]
    return "\n".join(lines) + "\n"


def _lines(sheet: Sheet) -> list[str]:
    """What concerns all outputs, then one output after another, then the definitions."""
    lines = ["=" * WIDTH, *wrapped(sheet.title, WIDTH, first="Entry sheet: "), "=" * WIDTH]
    lines += _facts(sheet.facts)
    lines += ["", _INITIALS]
    lines += _heading("Before you start")
    for caution in sheet.cautions:
        lines += wrapped(caution, WIDTH, indent="  ", first="! ")
    if sheet.notes:
        lines += _heading("Notes")
        for note in sheet.notes:
            lines += wrapped(note, WIDTH, indent="  ", first="  ") if note else [""]
    if sheet.inputs:
        lines += _heading("Inputs")
    for number, block in enumerate(sheet.inputs):
        lines += [""] * bool(number) + _block(block)
    if sheet.matrix.rows:
        lines += _heading("Matrix (route gains)")
        lines += _matrix(sheet)
    if sheet.groups:
        lines += _heading("Groups, set together")
        for name, outputs, follow in sheet.groups:
            text = f"{name}: {outputs}; follows {follow}"
            lines += wrapped(text, WIDTH, indent="    ", first="  ")
    for number, block in enumerate(sheet.outputs, start=1):
        heading = _heading(f"{sheet.kind} {number} of {len(sheet.outputs)}: {block.name}")
        lines += [*heading, *_block(block, named=False), "", "  Initials ________"]
    lines += _heading("What the figures mean")
    for definition in sheet.definitions:
        lines += wrapped(definition, WIDTH, indent="  ", first="- ")
    return lines


def _heading(text: str) -> list[str]:
    lines = wrapped(text, WIDTH)
    return ["", *lines, "-" * WIDTH]


def _facts(facts: Sequence[tuple[str, str]]) -> list[str]:
    lines: list[str] = []
    for label, text in facts:
        lines += wrapped(text, WIDTH, indent=" " * 14, first=fitted(label, 14))
    return lines


def _block(block: Block, *, named: bool = True) -> list[str]:
    lines = wrapped(block.name, WIDTH) if named else []
    for label, text in block.facts:
        lines += wrapped(f"{label}: {text}", WIDTH, indent="    ", first="  ")
    for remark in block.remarks:
        lines += wrapped(remark, WIDTH, indent="    ", first="  ")
    for entry in block.entries:
        lines += _entry(entry)
    return lines


def _entry(entry: Entry) -> list[str]:
    """A row: label, boxes with their figures, the same value in other units."""
    margin = " " * (_LABEL + 4)
    label = f"{entry.label} (locked)" if entry.locked else entry.label
    lines: list[str] = []
    if width_of(label) <= _LABEL:
        line = f"  {fitted(label, _LABEL)}  "
    else:
        lines += wrapped(label, WIDTH, indent="    ", first="  ")
        line = margin
    pieces = [f"{BOX} {figure.words}" for figure in entry.figures]
    pieces += [entry.note] if entry.note else []
    used = 0
    for piece in pieces:
        if len(margin) + width_of(piece) > WIDTH:
            start = margin if used else line
            lines += [line] * bool(used)
            *whole, line = wrapped(piece, WIDTH, indent=f"{margin}    ", first=start)
            lines, line, used = [*lines, *whole, line], margin, 0
            continue
        gap = 2 if used else 0
        if used and len(margin) + used + gap + width_of(piece) > WIDTH:
            lines.append(line)
            line, used, gap = margin, 0, 0
        line += " " * gap + piece
        used += gap + width_of(piece)
    return lines if lines and not used else [*lines, line]


def _matrix(sheet: Sheet) -> list[str]:
    """Outputs down, inputs across; as many tables as the inputs need, names wrapped whole."""
    name_width, cell = 24, 13
    across = (WIDTH - name_width) // (cell + 1)
    lines: list[str] = []
    for start in range(0, len(sheet.matrix.inputs), across):
        if start:
            lines.append("")
        inputs = sheet.matrix.inputs[start : start + across]
        heads = [wrapped(name, cell) for name in inputs]
        lines += _cells([[""], *heads], name_width, cell)
        for name, gains in sheet.matrix.rows:
            shown = [[gain] for gain in gains[start : start + across]]
            lines += _cells([wrapped(name, name_width), *shown], name_width, cell)
    return lines


def _cells(columns: Sequence[Sequence[str]], first: int, other: int) -> list[str]:
    """One table row of several lines, each column wrapped by itself."""
    lines = []
    for index in range(max(len(column) for column in columns)):
        parts = [column[index] if index < len(column) else "" for column in columns]
        widths = [first, *([other] * (len(parts) - 1))]
        padded = (fitted(text, width) for text, width in zip(parts, widths, strict=True))
        lines.append(" ".join(padded))
    return lines
