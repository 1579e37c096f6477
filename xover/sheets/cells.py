"""How wide text is on a character grid, and how to fit it there.

Names may hold wide or combining characters; columns would break if they were counted by length.
It refuses nothing: every function is total over text already made inert.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import lru_cache


@lru_cache(maxsize=1024)
def clusters(text: str) -> tuple[tuple[str, int], ...]:
    """`text` as (characters, cells) pieces: each base character with what combines onto it."""
    pieces: list[tuple[str, int]] = []
    for character in text:
        cells = _cells(character)
        if cells == 0 and pieces:
            base, width = pieces[-1]
            pieces[-1] = (base + character, width)
        elif cells == 0:
            pieces.append((" " + character, 1))
        else:
            pieces.append((character, cells))
    return tuple(pieces)


@lru_cache(maxsize=4096)
def _cells(character: str) -> int:
    if unicodedata.combining(character) or unicodedata.category(character) in ("Mn", "Me", "Cf"):
        return 0
    # Unicode Standard Annex 11: Wide and Fullwidth characters take two columns.
    return 2 if unicodedata.east_asian_width(character) in ("W", "F") else 1


def width_of(text: str) -> int:
    """The number of columns that `text` takes."""
    return len(text) if text.isascii() else sum(cells for _, cells in clusters(text))


def fitted(text: str, width: int) -> str:
    """`text` in exactly `width` columns: padded with spaces, or cut with an ellipsis."""
    used = width_of(text)
    if used <= width:
        return text + " " * (width - used)
    kept, taken = "", 0
    for piece, cells in clusters(text):
        if taken + cells > width - 1:
            break
        kept, taken = kept + piece, taken + cells
    return (kept + "…" + " " * (width - taken - 1)) if width > 0 else ""


def wrapped(text: str, width: int, *, indent: str = "", first: str | None = None) -> list[str]:
    """`text` broken at spaces into lines of at most `width` columns.

    Lines start with `indent`, the first with `first` where given. A word longer than a line is
    broken inside, never cut off.
    """
    start = indent if first is None else first
    lines: list[str] = []
    line, used, empty = start, width_of(start), True
    for word in text.split(" "):
        size = width_of(word)
        if not empty and used + 1 + size <= width:
            line, used = f"{line} {word}", used + 1 + size
            continue
        if not empty:
            lines.append(line)
            line, used = indent, width_of(indent)
        for piece, cells in clusters(word):
            if used + cells > width and line != indent:
                lines.append(line)
                line, used = indent, width_of(indent)
            line, used = line + piece, used + cells
        empty = False
    lines.append(line)
    return [item.rstrip() for item in lines]


def folded(lines: Iterable[str], width: int = 80, *, whole: Iterable[str] = ()) -> list[str]:
    """Lines of at most `width` columns, broken at spaces.

    What goes on stands two columns further in, or below the last cell of a row. Never broken
    inside, wider than the lines or not: words, figures with their units, names in “ ”, commands
    in ` ` and the texts of `whole`.
    """
    pieces = _pieces(tuple(sorted((text for text in whole if text), key=len, reverse=True)))
    found: list[str] = []
    for line in lines:
        if width_of(line) <= width:
            found.append(line)
            continue
        text = line.lstrip(" ")
        hang = width_of(line) - width_of(text) + 2
        cell = line.rfind("  ") + 2
        if text.find("  ") > 0 and width_of(line[:cell]) <= width - _LAST_CELL:
            hang = width_of(line[:cell])
        at, used = "", 0
        for match in pieces.finditer(line):
            piece = match[0]
            size = width_of(piece)
            if at.strip(" ") and used + size > width:
                found.append(at.rstrip(" "))
                piece = " " * hang + piece.lstrip(" ")
                at, used, size = "", 0, width_of(piece)
            at, used = at + piece, used + size
        found.append(at.rstrip(" "))
    return found


_LAST_CELL = 24
"""Columns that a row's last cell needs for going on below itself."""


_FIGURE = r"\d (?:dB|dBu|dBFS|ms|s|min|h|m|Hz|kHz|V|W|ohm|°C|%)(?!\w)"
"""A figure's end with its unit."""


@lru_cache(maxsize=16)
def _pieces(whole: tuple[str, ...]) -> re.Pattern[str]:
    """What is never broken inside, with the spaces before it."""
    kept = [re.escape(text) for text in whole] + ["“[^”]*”", "`[^`]*`", _FIGURE, "[^ ]"]
    return re.compile(f" *(?:{'|'.join(kept)})+| +")


def table(rows: Sequence[Sequence[str]], sides: str, *, indent: str = "  ") -> list[str]:
    """Rows as lines, each column as wide as its widest cell; `sides` has a < or > a column.

    A column of empty cells is left out.
    """
    widths = [max(width_of(row[at]) for row in rows) for at in range(len(sides))]
    lines = []
    for row in rows:
        cells = []
        for text, side, width in zip(row, sides, widths, strict=True):
            if width == 0:
                continue
            space = " " * (width - width_of(text))
            cells.append(space + text if side == ">" else text + space)
        lines.append((indent + "  ".join(cells)).rstrip())
    return lines
