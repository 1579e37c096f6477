"""A file of the archive as the index takes it in: judged by its bytes, never by its name alone."""

from __future__ import annotations

import os
from typing import NamedTuple

from xover.files.archive.place import ID, Found, id_of
from xover.files.archive.revision import Head, head_of
from xover.files.json_text import LIMIT_BYTES


class TakenIn(NamedTuple):
    """`id` and `head` are None where the file is no sound revision."""

    name: str
    status: tuple[int, int]
    id: str | None
    head: Head | None


def taken_in(found: Found) -> TakenIn:
    """Read one file; what cannot be read, or whose name speaks of other bytes, is not sound."""
    status = status_of(found.path)
    unsound = TakenIn(found.name, status, None, None)
    if status[0] > LIMIT_BYTES:
        return unsound
    try:
        with open(found.path, "rb") as file:
            data = file.read()
    except OSError:
        return unsound
    head = head_of(data)
    if head is None:
        return unsound
    id_ = id_of(data, head.time)
    if ID.findall(found.name.rpartition("/")[2]) not in ([id_], []):
        return unsound
    return TakenIn(found.name, status, id_, head)


def status_of(path: str) -> tuple[int, int]:
    """Size in bytes, and when it was changed in ns; (−1, −1) where it is gone."""
    try:
        found = os.stat(path, follow_symlinks=False)
    except OSError:
        return (-1, -1)
    return found.st_size, found.st_mtime_ns
