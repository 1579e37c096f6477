"""What the operating system said about a path, as one sentence; reading bytes with a limit.

Every reader and writer of files speaks through here, so that a path is named the same way
everywhere. Interprets nothing that it reads.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING, BinaryIO, cast

from xover.model.names import inert, quoted
from xover.model.problems import Refused

if TYPE_CHECKING:
    from pathlib import Path

COPY_BYTES_MAX = 1024 * 1024 * 1024
"""The most of a pipe that is copied, since one may never end."""
STANDARD_STREAM = "-"
"""The path that means standard input or output."""

_REASONS: dict[int, str] = {
    errno.ENOENT: "there is no such file or folder; check the path",
    errno.ENOTDIR: "part of the path is a file, not a folder; check the path",
    errno.EISDIR: "it is a folder; name a file in it",
    errno.EACCES: "permission is denied; change the permissions or choose another place",
    errno.EPERM: "the system does not permit it; change the permissions or choose another place",
    errno.EROFS: "the disk is read-only; choose another place",
    errno.ENOSPC: "the disk is full; make room or choose another place",
    errno.EDQUOT: "your share of the disk is used up; make room or choose another place",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
    errno.ELOOP: "its symbolic links go round in a circle; name the file itself",
    errno.EFBIG: "it would be larger than the disk allows; choose another place",
    errno.EIO: "the disk reports an error; try another disk, and look after this one",
    errno.EBUSY: "it is in use; close what holds it and try again",
    errno.ETXTBSY: "it is in use; close what holds it and try again",
}


def shown_path(path: str | Path) -> str:
    """A path for a message: inert, in quotation marks, standard streams by their names."""
    return quoted(str(path), 300)


def file_name(path: str | Path) -> str:
    """What a file is called in messages about its content: its name without the folder, inert."""
    from pathlib import Path

    return "standard input" if str(path) == STANDARD_STREAM else inert(Path(path).name)


def refused(error: OSError | ValueError, path: str | Path, doing: str) -> Refused:
    """The refusal that says why a path could not be used; `doing` is "read" or "written"."""
    number = error.errno if isinstance(error, OSError) else None
    if number is None:
        # A path with a NUL or with letters that the file system cannot spell.
        reason = "its name holds characters that no file name can hold; choose another name"
    else:
        reason = _REASONS.get(number) or f"the system says: {os.strerror(number)}"
    return Refused.at("", f"{shown_path(path)} could not be {doing}: {reason}")


def read_bytes(path: str | Path, *, limit_bytes: int) -> bytes:
    """The bytes of a file, or of standard input for "-".

    Raises `Refused` where the path cannot be read or holds more than `limit_bytes`, of which no
    more than that is read.
    """
    if str(path) == STANDARD_STREAM:
        data = sys.stdin.buffer.read(limit_bytes + 1)
    else:
        if not str(path):
            raise Refused.at("", "the path is empty; name a file")
        try:
            with open(path, "rb") as file:
                size = os.fstat(file.fileno()).st_size
                data = b"" if size > limit_bytes else file.read(size + 1)
                if len(data) > size:  # a pipe, or a file that grows
                    data += file.read(limit_bytes + 1 - len(data))
        except (OSError, ValueError) as error:
            raise refused(error, path, "read") from error
        if size > limit_bytes:
            raise _too_large(path, limit_bytes)
    if len(data) > limit_bytes:
        raise _too_large(path, limit_bytes)
    return data


@contextmanager
def open_seekable(path: str | Path, *, limit_bytes: int) -> Iterator[BinaryIO]:
    """A file open for reading at any place; standard input ("-") and pipes by way of a copy.

    The copy is a temporary file, at most a gigabyte long, gone afterwards. Raises `Refused` where
    the path cannot be read or holds more than `limit_bytes`.
    """
    copied_bytes = min(limit_bytes, COPY_BYTES_MAX)
    if str(path) == STANDARD_STREAM:
        with _copied(sys.stdin.buffer, path, copied_bytes) as copy:
            yield copy
        return
    if not str(path):
        raise Refused.at("", "the path is empty; name a file")
    try:
        file = open(path, "rb")  # noqa: SIM115  # what fails later is not the opening
    except (OSError, ValueError) as error:
        raise refused(error, path, "read") from error
    with file:
        about = os.fstat(file.fileno())
        if not stat.S_ISREG(about.st_mode):
            with _copied(file, path, copied_bytes) as copy:
                yield copy
            return
        if about.st_size > limit_bytes:
            raise _too_large(path, limit_bytes)
        yield file


@contextmanager
def _copied(source: IO[bytes], path: str | Path, limit_bytes: int) -> Iterator[BinaryIO]:
    import tempfile

    with tempfile.TemporaryFile() as copy:
        try:
            while copy.tell() <= limit_bytes and (some := source.read(1 << 20)):
                copy.write(some)
        except OSError as error:
            raise refused(error, path, "read") from error
        if copy.tell() > limit_bytes:
            raise _too_large(path, limit_bytes)
        copy.seek(0)
        yield cast("BinaryIO", copy)


def read_open(file: BinaryIO, name: str, *, limit_bytes: int) -> bytes:
    """All bytes of an open file that is called `name`. Raises `Refused` above `limit_bytes`."""
    try:
        file.seek(0)
        data = file.read(limit_bytes + 1)
    except OSError as error:
        raise refused(error, name, "read") from error
    if len(data) > limit_bytes:
        raise _too_large(name, limit_bytes)
    return data


def _too_large(path: str | Path, limit_bytes: int) -> Refused:
    name = "standard input" if str(path) == STANDARD_STREAM else shown_path(path)
    limit_mb = limit_bytes // (1024 * 1024)
    return Refused.at("", f"{name} holds more than {limit_mb} MB; such a file is not read")
