"""A terminal's text, colours and all, as an SVG picture that looks alike on every machine.

Words are stretched to their columns, braille dots and rules are drawn as shapes, so nothing hangs
on which monospaced font is there. Knows 24-bit ANSI colours and no other control sequence.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

from xover.sheets.cells import clusters

CELL_X, CELL_Y = 8.0, 17.0
MARGIN = 12.0
GROUND, INK, PROMPT = "#16181d", "#d7dae0", "#8fd19e"
_SEQUENCE = re.compile(r"\x1b\[([0-9;]*)m")
_BRAILLE = range(0x2800, 0x2900)
_DOTS = ((0x01, 0, 0), (0x02, 0, 1), (0x04, 0, 2), (0x40, 0, 3),
         (0x08, 1, 0), (0x10, 1, 1), (0x20, 1, 2), (0x80, 1, 3))  # fmt: skip
"""Braille patterns, Unicode 15 chapter 21.1: bit, column and row of each dot."""
_RULES = {"│": "v", "─": "h", "┤": "vl", "├": "vr", "┼": "vh"}


@dataclass(frozen=True)
class Cell:
    """One column of a line: what stands there, its colour and its ground."""

    text: str
    ink: str
    ground: str | None


def terminal_svg(command: str, output: str, *, columns: int) -> str:
    """An `<svg>` of a prompt with `command` and, below it, `output` as a terminal would show it.

    What is longer than `columns` goes on in the next row, broken at a blank.
    """
    prompt = [Cell(piece, PROMPT, None) for piece in "$ " + command]
    lines = [*_wrapped(prompt, columns), []]
    pen = Pen()
    for line in output.rstrip("\n").split("\n"):
        cells = list(_cells(line, pen))
        while cells and not cells[-1].text.strip() and cells[-1].ground is None:
            cells.pop()
        lines += _wrapped(cells, columns)
    width, height = columns * CELL_X + 2 * MARGIN, len(lines) * CELL_Y + 2 * MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(width)} {_n(height)}" '
        f'width="{_n(width)}" height="{_n(height)}" role="img" font-size="13" '
        'font-family="ui-monospace, Menlo, Consolas, DejaVu Sans Mono, monospace">',
        f"<title>{escape(command)}</title>",
        f'<rect width="100%" height="100%" rx="6" fill="{GROUND}"/>',
    ]
    for row, line in enumerate(lines):
        parts += _grounds(line, MARGIN + row * CELL_Y)
        parts += _shapes(line, MARGIN + row * CELL_Y)
        parts += _words(line, MARGIN + row * CELL_Y)
    return "\n".join(parts) + "\n</svg>\n"


def _wrapped(line: list[Cell], columns: int) -> list[list[Cell]]:
    rows = []
    while len(line) > columns:
        blanks = [at for at in range(columns // 2, columns + 1) if line[at].text == " "]
        end = blanks[-1] if blanks else columns
        rows.append(line[:end])
        line = line[end + 1 :] if blanks else line[end:]
    return [*rows, line]


def _cells(line: str, pen: Pen) -> Iterator[Cell]:
    for index, piece in enumerate(_SEQUENCE.split(line.rstrip("\r"))):
        if index % 2:
            pen.take(piece)
            continue
        if "\x1b" in piece:
            raise ValueError("a control sequence that is not a colour")
        ink, ground = pen.colours
        for text, size in clusters(piece):
            yield Cell(text, ink, ground)
            for _ in range(size - 1):
                yield Cell("", ink, ground)


@dataclass
class Pen:
    """The colours that are in force, from line to line."""

    ink: str = INK
    ground: str | None = None
    is_reversed: bool = False

    @property
    def colours(self) -> tuple[str, str | None]:
        """Ink and ground as they are seen."""
        return (self.ground or GROUND, self.ink) if self.is_reversed else (self.ink, self.ground)

    def take(self, codes: str) -> None:
        """Obey a sequence: 24-bit, 256 and 16 colours, reverse and resets."""
        numbers = [int(code or 0) for code in codes.split(";")]
        at = 0
        while at < len(numbers):
            number = numbers[at]
            if number in (38, 48) and at + 1 < len(numbers):
                if numbers[at + 1] == 2:
                    colour, at = _hex(*numbers[at + 2 : at + 5]), at + 4
                else:
                    colour, at = _indexed(numbers[at + 2]), at + 2
                if number == 38:
                    self.ink = colour
                else:
                    self.ground = colour
            elif number == 0:
                self.ink, self.ground, self.is_reversed = INK, None, False
            elif number in (7, 27):
                self.is_reversed = number == 7
            elif number == 39:
                self.ink = INK
            elif number == 49:
                self.ground = None
            elif 30 <= number <= 37:
                self.ink = _indexed(number - 30)
            elif 90 <= number <= 97:
                self.ink = _indexed(number - 82)
            at += 1


def _hex(red: int, green: int, blue: int) -> str:
    return f"#{red:02x}{green:02x}{blue:02x}"


def _indexed(index: int) -> str:
    """A colour of the 256: 16 basic ones, a cube of 6·6·6, 24 greys (ECMA-48's usual extension)."""
    if index < 16:
        on = 255 if index >= 8 else 170
        return _hex(*(on if index >> bit & 1 else 0 for bit in range(3)))
    if index >= 232:
        return _hex(*[8 + 10 * (index - 232)] * 3)
    steps = (0, 95, 135, 175, 215, 255)
    index -= 16
    return _hex(steps[index // 36], steps[index // 6 % 6], steps[index % 6])


def _grounds(line: list[Cell], top: float) -> Iterator[str]:
    start = 0
    while start < len(line):
        stop = start + 1
        while stop < len(line) and line[stop].ground == line[start].ground:
            stop += 1
        if line[start].ground is not None:
            yield (
                f'<rect x="{_n(MARGIN + start * CELL_X)}" y="{_n(top)}" '
                f'width="{_n((stop - start) * CELL_X)}" height="{_n(CELL_Y)}" '
                f'fill="{line[start].ground}"/>'
            )
        start = stop


def _shapes(line: list[Cell], top: float) -> Iterator[str]:
    paths: dict[str, list[str]] = {}
    for column, cell in enumerate(line):
        left = MARGIN + column * CELL_X
        if len(cell.text) == 1 and ord(cell.text) in _BRAILLE:
            bits = ord(cell.text) - _BRAILLE.start
            for bit, right, down in _DOTS:
                if bits & bit:
                    x = left + (right + 0.5) * CELL_X / 2 - 1.1
                    y = top + (down + 0.5) * CELL_Y / 4 - 1.1
                    paths.setdefault(cell.ink, []).append(f"M{_n(x)} {_n(y)}h2.2v2.2h-2.2z")
        for way in _RULES.get(cell.text, ""):
            middle_x, middle_y = left + CELL_X / 2, top + CELL_Y / 2
            if way == "v":
                shape = f"M{_n(middle_x - 0.5)} {_n(top)}h1v{_n(CELL_Y)}h-1z"
            else:
                start = middle_x if way == "r" else left
                length = CELL_X if way == "h" else CELL_X / 2
                shape = f"M{_n(start)} {_n(middle_y - 0.5)}h{_n(length)}v1h-{_n(length)}z"
            paths.setdefault(cell.ink, []).append(shape)
    for ink, pieces in paths.items():
        yield f'<path fill="{ink}" d="{"".join(pieces)}"/>'


def _words(line: list[Cell], top: float) -> Iterator[str]:
    start = 0
    while start < len(line):
        cell = line[start]
        if _is_drawn(cell):
            start += 1
            continue
        stop = start + 1
        while stop < len(line) and not _is_drawn(line[stop]) and line[stop].ink == cell.ink:
            stop += 1
        word = "".join(part.text for part in line[start:stop])
        yield (
            f'<text x="{_n(MARGIN + start * CELL_X)}" y="{_n(top + 13)}" '
            f'textLength="{_n((stop - start) * CELL_X)}" lengthAdjust="spacingAndGlyphs" '
            f'fill="{cell.ink}">{escape(word)}</text>'
        )
        start = stop


def _is_drawn(cell: Cell) -> bool:
    """Whether the cell is blank, or drawn as a shape."""
    return (
        not cell.text.strip()
        or cell.text in _RULES
        or (len(cell.text) == 1 and ord(cell.text) in _BRAILLE)
    )


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
