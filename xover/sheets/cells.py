"""How wide text is on a character grid, and how to fit it there.

Names may hold wide or combining characters; columns would break if they were counted by length.
It refuses nothing: every function is total over text already made inert.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
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


def folded(lines: Iterable[str], width: int = 80) -> list[str]:
    """Lines of at most `width` columns; what goes on stands two columns further in."""
    found: list[str] = []
    for line in lines:
        text = line.lstrip(" ")
        first = " " * (len(line) - len(text))
        fits = width_of(line) <= width
        found += [line] if fits else wrapped(text, width, indent=f"{first}  ", first=first)
    return found
