"""The text being typed into one cell: characters, caret, and the part that is in sight.

Pure: it knows no screen and no preset. Typing and pasting do not grow it past `LONGEST`
characters; what was cut is the caller's to say.
"""

from __future__ import annotations

import unicodedata

from xover.model.names import inert
from xover.sheets.cells import clusters, width_of

_BREAKING = ("Cc", "Cs", "Zl", "Zp")

LONGEST = 4_000
"""The longest text a cell takes: a route that names many inputs by long names fits."""


_Moment = tuple[list[str], int]
"""The pieces and the caret at some time."""


class LineEditor:
    """One line of text with a caret that steps over whole characters, combining marks included."""

    def __init__(self, text: str = "") -> None:
        self._pieces = _pieces(text)
        self.caret = len(self._pieces)
        self._first = 0
        self._past: list[_Moment] = []
        self._future: list[_Moment] = []
        self._run = ""
        """What the last change was; changes alike that follow each other are taken back as one."""

    @property
    def text(self) -> str:
        """What stands in the line."""
        return "".join(self._pieces)

    @property
    def has_past(self) -> bool:
        """Whether there is a change to take back."""
        return bool(self._past)

    def undo(self) -> bool:
        """Take the last change back; False where there is none."""
        return self._turn(self._past, self._future)

    def redo(self) -> bool:
        """Make the change again that was taken back; False where there is none."""
        return self._turn(self._future, self._past)

    def _turn(self, source: list[_Moment], other: list[_Moment]) -> bool:
        if not source:
            return False
        other.append((self._pieces[:], self.caret))
        self._pieces, self.caret = source.pop()
        self._run = ""
        return True

    def _remember(self, change: str) -> None:
        """What stands there now can be come back to, unless `change` goes on with the last one."""
        if change != self._run or not self._past:
            self._past.append((self._pieces[:], self.caret))
        self._future.clear()
        self._run = change

    def insert(self, text: str) -> int:
        """Put text at the caret; control characters become blanks. How many were cut off."""
        self._remember("typed" if len(text) == 1 and text != " " else "")
        before = "".join(self._pieces[: self.caret])
        after = "".join(self._pieces[self.caret :])
        room = max(0, LONGEST - len(before) - len(after))
        kept = text[:room]
        if not (kept.isascii() and kept.isprintable()):
            kept = "".join(map(_on_one_line, kept))
        self._pieces = _pieces(before + kept)
        self.caret = len(self._pieces)
        self._pieces += _pieces(after)
        return len(text) - len(kept)

    def press(self, key: str) -> bool:
        """Obey an editing key by its name; False where the key is no editing key."""
        if key == "left":
            self.caret = max(0, self.caret - 1)
        elif key == "right":
            self.caret = min(len(self._pieces), self.caret + 1)
        elif key == "home":
            self.caret = 0
        elif key == "end":
            self.caret = len(self._pieces)
        elif key == "ctrl+left":
            self.caret = self._word_left()
        elif key == "ctrl+right":
            self.caret = self._word_right()
        else:
            return self._delete(key)
        self._run = ""
        return True

    def _delete(self, key: str) -> bool:
        start, end = self.caret, self.caret
        if key == "backspace":
            start = max(0, start - 1)
        elif key == "delete":
            end = min(len(self._pieces), end + 1)
        elif key == "ctrl+u":
            start = 0
        else:
            return False
        if start < end:
            self._remember("" if key == "ctrl+u" else key)
            del self._pieces[start:end]
            self.caret = start
        return True

    def put_caret(self, column: int) -> None:
        """Move the caret to the character shown at `column` of the part in sight."""
        at, left = self._first, column
        while at < len(self._pieces) and left >= width_of(inert(self._pieces[at])):
            left -= width_of(inert(self._pieces[at]))
            at += 1
        self.caret = at

    def in_sight(self, width: int) -> tuple[str, str, str]:
        """Before the caret, under it, after it: together exactly `width` (≥ 1) columns.

        Scrolls just far enough that the caret is in sight; at the end of the text it stands on a
        blank.
        """
        self._first = min(self._first, self.caret)
        shown = [inert(piece) for piece in self._pieces[self._first :]]
        shown.append(" ")
        at = self.caret - self._first
        under = shown[at] if width_of(shown[at]) <= width else "…"
        before = shown[:at]
        used = width_of(under) + sum(map(width_of, before))
        while before and used > width:
            used -= width_of(before.pop(0))
            self._first += 1
        after = ""
        for piece in shown[at + 1 : -1]:
            if used + width_of(piece) > width:
                break
            after += piece
            used += width_of(piece)
        return "".join(before), under, after + " " * (width - used)

    @property
    def width(self) -> int:
        """The columns it takes to show all of it, the caret behind it included."""
        return width_of(inert(self.text)) + 1

    def _word_left(self) -> int:
        at = self.caret
        while at and self._pieces[at - 1] == " ":
            at -= 1
        while at and self._pieces[at - 1] != " ":
            at -= 1
        return at

    def _word_right(self) -> int:
        at, end = self.caret, len(self._pieces)
        while at < end and self._pieces[at] != " ":
            at += 1
        while at < end and self._pieces[at] == " ":
            at += 1
        return at


def _pieces(text: str) -> list[str]:
    if text.isascii():
        return list(text)
    pieces = [piece for piece, _ in clusters(text)]
    if pieces[0][0] != text[0]:
        pieces[0] = pieces[0][1:]  # the blank that a lone combining mark is shown on
    return pieces


def _on_one_line(character: str) -> str:
    """Line breaks, tabs and other control characters become blanks; the rest stays as it is."""
    return character if unicodedata.category(character) not in _BREAKING else " "
