"""Names and other text: their one legal form, how they are matched, how they are shown.

Text from a file is judged, never repaired; only what a person types is trimmed and composed.
Nothing here knows where a text came from.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from functools import lru_cache

from xover.model.problems import Refused
from xover.model.ranges import NAME_LENGTH

SHOWN_LENGTH = 60
"""The longest piece of someone's text that a message repeats."""

_HIDDEN_CATEGORIES = ("Cc", "Cf", "Cs", "Zl", "Zp")
_PROSE_CONTROLS = "\n\r\t"


def clean(text: str) -> str:
    """A typed name in its stored form: trimmed, Unicode NFC.

    Raises `Refused` where that is empty, longer than 120 characters, or holds control characters.
    """
    name = unicodedata.normalize("NFC", text.strip())
    if not name:
        raise Refused.at("", "a name is empty; type at least one character")
    if len(name) > NAME_LENGTH:
        raise Refused.at(
            "",
            f"the name {quoted(name)} has {len(name)} characters; "
            f"at most {NAME_LENGTH} are allowed",
        )
    problem = text_problem(name, "name")
    if problem:
        raise Refused.at("", f"the name {quoted(name)} {problem}")
    return name


def fold(text: str) -> str:
    """The form in which names are compared: canonical caseless matching.

    Source: The Unicode Standard, section 3.13, definition D145 (from memory).
    """
    if text.isascii():
        return text.lower()
    decomposed = unicodedata.normalize("NFD", text)
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", decomposed.casefold()))


def find(names: Iterable[str], typed: str, *, kind: str) -> str:
    """The one of `names` that `typed` means, matched after case folding and trimming.

    `kind` is the trade word for the sentence ("output"). Raises `Refused` listing what there is.
    """
    known = list(names)
    if typed in known:
        return typed
    wanted = fold(unicodedata.normalize("NFC", typed.strip()))
    for name in known:
        if fold(name) == wanted:
            return name
    if not known:
        raise Refused.at("", f"there is no {kind} {quoted(typed)}; there are none at all")
    near = nearest(known, typed)
    hint = f"; did you mean {quoted(near)}?" if near is not None else ""
    raise Refused.at("", f"there is no {kind} {quoted(typed)}{hint}; there is {listed(known)}")


def nearest(names: Iterable[str], typed: str) -> str | None:
    """The name most like `typed`, or None where none is much like it."""
    import difflib  # only for a slip

    by_fold = {fold(name): name for name in names}
    wanted = fold(typed[: 4 * NAME_LENGTH])
    close = difflib.get_close_matches(wanted, by_fold, n=1, cutoff=0.6)
    if close:
        return by_fold[close[0]]
    # A shortened word ("gain" for "gain_db") is less alike than a slip, yet means one thing only.
    starts = [name for folded, name in by_fold.items() if wanted and folded.startswith(wanted)]
    return starts[0] if len(starts) == 1 else None


def listed(names: Iterable[str], most: int = 12) -> str:
    """Names in quotation marks, separated by commas; a count stands for those past `most`."""
    known = list(names)
    text = ", ".join(quoted(name) for name in known[:most])
    return text if len(known) <= most else f"{text} and {len(known) - most} more"


def inert(text: str) -> str:
    r"""Text that shows as itself on a terminal or a sheet and does nothing else.

    Control, format, direction and line-separating characters and lone surrogates become visible
    escapes (`\u202e`).
    """
    if text.isprintable():
        return text
    return "".join(_visible(character) for character in text)


def inert_lines(text: str) -> str:
    """Text of several lines, each made inert."""
    return "\n".join(inert(line) for line in text.split("\n"))


def quoted(text: str, most: int = SHOWN_LENGTH) -> str:
    """Someone's text for a message: inert, shortened, in quotation marks."""
    shown = text if len(text) <= most else text[: most - 1] + "…"
    return f"“{inert(shown)}”"


@lru_cache(maxsize=512)
def text_problem(text: str, kind: str) -> str:
    """What is wrong with the characters of `text`, as the end of a sentence; "" where nothing is.

    `kind` is "name" (trimmed, NFC, no control characters), "line" (no control characters) or
    "prose" (line breaks and tabs besides). Lengths are the ranges' business.
    """
    if text.isascii() and text.isprintable():
        plain = True
    else:
        allowed = _PROSE_CONTROLS if kind == "prose" else ""
        for character in text:
            category = unicodedata.category(character)
            if category == "Cc" and character not in allowed:
                return f"holds the control character {_visible(character)}; take it out"
            if category == "Cs":
                return f"holds half a character, {_visible(character)}; take it out"
        plain = text.isascii()
    if kind == "name":
        if text != text.strip():
            return "has blanks at its start or end; take them off"
        if not plain and not unicodedata.is_normalized("NFC", text):
            return "is not in composed form (Unicode NFC); type its accented letters anew"
    return ""


def _visible(character: str) -> str:
    if unicodedata.category(character) not in _HIDDEN_CATEGORIES:
        return character
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
