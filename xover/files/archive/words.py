"""How the archive's words are found: as the index keeps text, and as it is asked.

Scripts that put no blanks between words (Chinese, Japanese) are kept letter by letter, so that any
part of a name is found there, too.
"""

from __future__ import annotations

import re

_UNSPACED = r"([\u3040-\u30ff\u3400-\u4dbf\u4e00-\u9fff\uf900-\ufaff\uff66-\uff9f])"
"""Hiragana, katakana and Han."""


def spaced(text: str) -> str:
    """Text as the index keeps it."""
    return text if text.isascii() else re.sub(_UNSPACED, r" \1 ", text)


def query_of(word: str) -> str:
    """A word for full-text search, as text alone: the beginning of a word counts."""
    return '"' + spaced(word).strip().replace('"', '""') + '"*'
