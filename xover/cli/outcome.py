"""How a command ends: exit codes, faults as sentences, results as JSON.

Data goes to stdout, talk to stderr. Names and values from files are shown inert.
"""

from __future__ import annotations

import enum
import math
import sys
from collections.abc import Iterable, Sequence
from typing import Any, TextIO

import click
import msgspec

from xover.model.problems import Fault

SHOWN_FAULTS = 50


class Exit(enum.IntEnum):
    """Exit codes, each with its one meaning."""

    DONE = 0
    ATTENTION = 1
    """Done, and something needs attention."""
    NOT_DONE = 2
    """Could not be done; a sentence says why."""


def report_faults(faults: Sequence[Fault], *, as_json: bool) -> int:
    """Print faults on stderr, and as JSON on stdout when asked; gives the exit code."""
    shown = faults[:SHOWN_FAULTS]
    say(*map(str, shown), whole=[fault.where for fault in shown])
    if len(faults) > SHOWN_FAULTS:
        say(f"and {len(faults) - SHOWN_FAULTS} more")
    if as_json:
        print_json({"faults": [{"where": f.where, "message": f.message} for f in faults]})
    return int(Exit.NOT_DONE)


def print_json(document: Any) -> None:
    """One JSON document on stdout: exact numbers, −∞ and "nothing there" as null."""
    click.echo(_pretty(msgspec.to_builtins(document)))


def _pretty(value: Any, indent: str = "") -> str:
    """Two-space indent, arrays of plain values on one line."""
    inner = indent + "  "
    if isinstance(value, dict):
        if not value:
            return "{}"
        lines = [f"{inner}{_plain(key)}: {_pretty(item, inner)}" for key, item in value.items()]
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}"
    if isinstance(value, list | tuple):
        if not any(isinstance(item, dict | list | tuple) for item in value):
            return "[" + ", ".join(_plain(item) for item in value) + "]"
        lines = [f"{inner}{_pretty(item, inner)}" for item in value]
        return "[\n" + ",\n".join(lines) + f"\n{indent}]"
    return _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, float) and not math.isfinite(value):
        return "null"
    return msgspec.json.encode(value).decode("utf-8")


def say(*lines: str, whole: Iterable[str] = ()) -> None:
    """Talk: to stderr, inert, one line each; on a terminal folded, never inside texts of `whole`.

    What goes to a file or a pipe stays a line a sentence, to be searched.
    """
    from xover.model.names import inert

    told = [f"xover: {inert(line)}" for line in lines]
    if sys.stderr.isatty():
        from xover.sheets.cells import folded

        told = folded(told, people_width(sys.stderr), whole=map(inert, whole))
    for line in told:
        print(line, file=sys.stderr)


def tell(text: str, *, whole: Iterable[str] = ()) -> None:
    """Words for people on stdout: inert, folded to the width, never inside texts of `whole`."""
    from xover.model.names import inert

    lines, width = [inert(line) for line in text.split("\n")], people_width(sys.stdout)
    if not all(line.isascii() and len(line) <= width for line in lines):
        from xover.sheets.cells import folded

        lines = folded(lines, width, whole=map(inert, whole))
    click.echo("\n".join(lines))


def people_width(stream: TextIO) -> int:
    """Columns that prose may take: those of the terminal, at most 100; elsewhere 80."""
    import shutil

    return min(max(shutil.get_terminal_size().columns, 40), 100) if stream.isatty() else 80


def say_notes(notes: Iterable[str]) -> None:
    """Notes that belong to an answer, each once."""
    say(*dict.fromkeys(notes))


def on_terminal() -> bool:
    """Whether stdout is a terminal that may get colour (`NO_COLOR` is honoured)."""
    import os

    return sys.stdout.isatty() and "NO_COLOR" not in os.environ
