"""What a folder holds, for choosing a file: names in the order people look for them.

Reads names and kinds, never contents. A folder that cannot be read is refused with its reason.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from msgspec import Struct

from xover.files.paths import refused
from xover.model.names import fold

ENTRIES_MAX = 2000
"""The most entries of one folder that are listed; the count of the rest is given."""

Kind = Literal["folder", "file", "other"]


class Entry(Struct, frozen=True):
    """One name in a folder; `path` is whole, `name` without the folder."""

    name: str
    path: str
    is_folder: bool = False


class Listing(Struct, frozen=True):
    """What a folder holds: folders first, then files; `left_out` counts what was too much."""

    folder: str
    entries: tuple[Entry, ...]
    left_out: int = 0


def list_folder(folder: str | Path, *, endings: Sequence[str] = ()) -> Listing:
    """The folders and files in a folder, hidden ones too, sorted without regard to case.

    `endings` (".json") keeps only files that end so, in any case; folders stay. Raises `Refused`
    where the folder cannot be read.
    """
    whole = os.path.abspath(folder)
    wanted = tuple(ending.lower() for ending in endings)
    found: list[Entry] = []
    try:
        with os.scandir(whole) as entries:
            for entry in entries:
                is_folder = _is_folder(entry)
                if not is_folder and wanted and not entry.name.lower().endswith(wanted):
                    continue
                found.append(Entry(entry.name, os.path.join(whole, entry.name), is_folder))
    except (OSError, ValueError) as error:
        raise refused(error, whole, "read") from error
    found.sort(key=lambda entry: (not entry.is_folder, fold(entry.name), entry.name))
    return Listing(whole, tuple(found[:ENTRIES_MAX]), max(0, len(found) - ENTRIES_MAX))


def kind_of(path: str | Path) -> Kind | None:
    """What a path leads to, links followed; None where there is nothing (to be seen)."""
    try:
        if os.path.isdir(path):
            return "folder"
        if os.path.isfile(path):
            return "file"
        return "other" if os.path.lexists(path) else None
    except ValueError:  # a NUL in it
        return None


def resolve(folder: str | Path, typed: str) -> str:
    """The whole path that `typed` means in `folder`; `~` is the user's own folder."""
    return os.path.abspath(os.path.join(folder, os.path.expanduser(typed)))


def split_typed(folder: str | Path, typed: str) -> tuple[str, str]:
    """The folder that a typed path speaks of, whole, and the beginning of a name in it."""
    head, name = os.path.split(os.path.expanduser(typed))
    return os.path.abspath(os.path.join(folder, head)), name


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that goes round in a circle
        return False
