"""What the columns of a text file are: by what the user says, by their headings, or as is usual.

A column that is not known here, or known twice, is refused with the option that names them all.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from xover.files.trace_lines import Table
from xover.model.names import quoted
from xover.model.problems import Refused
from xover.model.words import Column

Array = NDArray[np.float64]

NATURAL_ORDER: tuple[Column, ...] = ("frequency", "magnitude", "phase", "coherence")
PARTS_SMOOTHER = 4.0
"""Real and imaginary part vary at least so many times as much as their length does."""

_OTHER = re.compile(
    r"\bohms?\b|ω|imped|delay|laufzeit|thd|distort|noise|\btime\b|\bm?s\b|samples?\b|phon"
)
_KINDS: tuple[tuple[Column, re.Pattern[str]], ...] = (
    ("coherence", re.compile(r"coh|kohär|kohaer|cohér|coer|γ|когер")),
    ("imag", re.compile(r"imag|immag|мним|虚")),
    ("real", re.compile(r"\breal|réel|\breel|веществ|действит|实部|実部")),
    ("phase", re.compile(r"phas|fas[ei]|fáz|\bphi\b|φ|\bdeg|°|\brad|\bgrad\b|фаз|位相|相位")),
    (
        "magnitude",
        re.compile(
            r"mag|spl|\bdb|level|pegel|niveau|nivel|livello|niv[åa]|ampl|gain|betrag|уров|\|h\||模"
            r"|^lin\b|\bratio\b|\bfa[ck]tor\b|v/v|pa/v"
        ),
    ),
    ("frequency", re.compile(r"fr[eé][qk]|fr[eé]c|\bk?hz\b|^f\b|част|周波|频率")),
    ("real", re.compile(r"(?<![a-z])re(?![a-z])")),
    ("imag", re.compile(r"(?<![a-z])im(?![a-z])")),
)


def columns_of(
    table: Table, asked: tuple[Column, ...] | None
) -> tuple[tuple[Column, ...], tuple[str, ...], str]:
    """The kind and the heading text of each column, and the sentence about them.

    `asked` are the kinds as the user named them. Raises `Refused` with the option that answers.
    """
    width = table.values.shape[1]
    tokens = _heading_tokens(table, width)
    heads = tokens or ("",) * width
    if asked is not None:
        if len(asked) != width:
            raise Refused.at(
                table.name, f"--columns names {len(asked)} columns, the file has {width}"
            )
        wanted = [kind for kind in asked if kind != "skip"]
        if len(set(wanted)) != len(wanted):
            raise Refused.at(table.name, "--columns names a kind of column twice; skip the others")
        fault = _not_a_response(wanted)
        if fault:
            raise Refused.at(table.name, f"--columns {fault}")
        return asked, heads, f"columns as asked: {', '.join(asked)}"
    if tokens:
        kinds = tuple(_kind(token) for token in tokens)
        if kinds[0] == "frequency" and width == 2 and kinds[1] is None and not _is_other(tokens[1]):
            kinds = ("frequency", "magnitude")
        known = [kind for kind in kinds if kind is not None]
        for index, kind in enumerate(kinds):
            if kind is None or known.count(kind) > 1:
                what = "is not known here" if kind is None else f"is a second {kind}"
                raise Refused.at(
                    table.name,
                    f"column {index + 1} is headed {quoted(tokens[index])}, which {what}; say what "
                    "each column is with --columns, for instance frequency,magnitude,skip",
                )
        fault = _not_a_response(known)
        if fault:
            raise Refused.at(
                table.name,
                f"the headings name {', '.join(known)}; a response {fault} (say what each column "
                "is with --columns, those to leave out as skip)",
            )
        return tuple(known), heads, f"columns by their headings: {', '.join(known)}"
    if width > len(NATURAL_ORDER):
        raise Refused.at(
            table.name,
            f"{width} columns without headings known here; say what each is with --columns, for "
            "instance frequency,magnitude,phase,skip,skip",
        )
    if width == 3:
        third = table.values[:, 2]
        if third.min() >= 0.0 and third.max() <= 1.0 and third.max() > 0.0:
            raise Refused.at(
                table.name,
                "the third column lies between 0 and 1 and could be phase or coherence; answer "
                "with --columns frequency,magnitude,phase or frequency,magnitude,coherence",
            )
        if _looks_like_parts(table.values):
            raise Refused.at(
                table.name,
                "the second and third column look like real and imaginary part rather than dB and "
                "phase; answer with --columns frequency,real,imag or frequency,magnitude,phase",
            )
    order = NATURAL_ORDER[:width]
    return (
        order,
        (_prose_heading(table),) * width,
        f"columns in the usual order: {', '.join(order)}",
    )


def _prose_heading(table: Table) -> str:
    """The last line of text if it speaks of frequency and magnitude and holds no figures."""
    line = table.headings[-1] if table.headings else ""
    kinds = {kind for kind, pattern in _KINDS if pattern.search(line.lower())}
    named = {"frequency", "magnitude"} <= kinds and not any(letter.isdigit() for letter in line)
    return line if named else ""


def _heading_tokens(table: Table, width: int) -> tuple[str, ...]:
    """One text a column, from the last lines in front of the rows; () where none fits.

    A line of units under a line of names is joined to it.
    """
    found: list[tuple[str, ...]] = []
    for line in reversed(table.headings):
        tokens = _split_heading(line, table.separator, width)
        kinds = [_kind(token) for token in tokens]
        recognised = sum(kind is not None or _is_other(token)
                         for kind, token in zip(kinds, tokens, strict=True))  # fmt: skip
        if recognised < min(2, width - 1) or not any(kinds):
            break
        if recognised < 2 and kinds[0] != "frequency":
            break
        found.append(tokens)
    if not found:
        return ()
    return tuple(" ".join(parts) for parts in zip(*reversed(found), strict=True))


def _split_heading(line: str, separator: str, width: int) -> tuple[str, ...]:
    """The heading's texts if they are as many as the columns and hold no numbers, else ()."""
    close = re.sub(r"\s+(?=[\[(])", "", line)
    for cut in (separator.strip() or None, "\t", ";", ",", None):
        tokens = [token.strip(' "').replace("_", " ") for token in close.split(cut)]
        while tokens and not tokens[-1]:
            tokens.pop()
        if len(tokens) == width and not any(re.fullmatch(r"[\d.,/:+-]+", t) for t in tokens):
            return tuple(tokens)
    return ()


def _kind(token: str) -> Column | None:
    lowered = token.lower()
    if _is_other(token):
        return None
    return next((kind for kind, pattern in _KINDS if pattern.search(lowered)), None)


def _is_other(token: str) -> bool:
    return _OTHER.search(token.lower()) is not None


def _not_a_response(kinds: Sequence[Column]) -> str:
    """What a set of columns lacks, or has too much of, to be a response; "" where nothing."""
    has = set(kinds)
    if "frequency" not in has:
        return "needs a frequency"
    if has & {"real", "imag"}:
        if not {"real", "imag"} <= has:
            return "needs real and imag together"
        if has & {"magnitude", "phase"}:
            return "has either magnitude and phase or real and imag, not both"
        return ""
    return "" if "magnitude" in has else "needs a magnitude, or real and imag"


def _looks_like_parts(values: Array) -> bool:
    """Whether the length of columns two and three together is far smoother than either of them.

    That is what real and imaginary part have and dB with phase has not.
    """
    if values.shape[0] < 8:
        return False
    parts = values[np.argsort(values[:, 0], kind="stable"), 1:3]
    rough = np.abs(np.diff(parts, axis=0)).sum(axis=0)
    length = np.abs(np.diff(np.hypot(parts[:, 0], parts[:, 1]))).sum()
    return bool(length * PARTS_SMOOTHER < rough.min())
