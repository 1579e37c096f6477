"""Writing a file so that the old one or the new one is there, whole, whatever happens.

The bytes go to an exclusive file beside the target, reach the disk, and take the name in one
step. Refuses to replace anything unless told to.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
from collections.abc import Callable
from typing import IO, TYPE_CHECKING

from xover.files.paths import refused, shown_path
from xover.model.problems import Refused

if TYPE_CHECKING:
    from pathlib import Path

_NO_LINKS = frozenset(
    {errno.EPERM, errno.EACCES, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK,
     errno.EINVAL, errno.EXDEV}
)  # fmt: skip
"""What file systems without hard links answer when asked for one."""
LEFTOVER = re.compile(r"\.xover-[0-9]+-[0-9a-f]{16}\.tmp")
"""A file that was being written when its writer was killed."""


def write_bytes(path: str | Path, data: bytes, *, overwrite: bool) -> None:
    """Write `data` as the file `path`; see `write_filled`."""
    write_filled(path, lambda file: _write_all(file.fileno(), data), overwrite=overwrite)


def write_filled(path: str | Path, fill: Callable[[IO[bytes]], None], *, overwrite: bool) -> None:
    """Write the file `path` with what `fill` puts into it, all or nothing, on the disk on return.

    Symbolic links are followed; an existing file keeps its permissions, and its owner where the
    system allows. A device or pipe is written straight through. Raises `Refused`, with the old
    file untouched and nothing left behind, where the file exists and `overwrite` is false, or
    where the system does not let it be written.
    """
    if not str(path):
        raise Refused.at("", "the path is empty; name a file")
    try:
        existing = _status(path)
        if existing is None or stat.S_ISREG(existing.st_mode):
            if existing is not None and not overwrite:
                raise _exists(path)
            if existing is not None and not os.access(path, os.W_OK):
                os.close(os.open(path, os.O_WRONLY))  # a disk that is read-only says so itself
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
            _write_beside(os.path.realpath(path), fill, existing, overwrite=overwrite)
        else:
            _write_through(path, fill)  # a folder is refused by the system itself
    except FileExistsError as error:
        raise _exists(path) from error
    except BrokenPipeError:
        raise  # whoever reads the pipe has gone; the door decides what that means
    except (OSError, ValueError) as error:
        raise refused(error, path, "written") from error


def make_folders(root: str, folder: str) -> None:
    """Make `folder` below `root`, and `root` itself, each with its name on the disk on return.

    Also a folder that was there: whoever made it may not have come so far. Raises `Refused`.
    """
    try:
        os.makedirs(folder, exist_ok=True)
    except (OSError, ValueError) as error:
        raise refused(error, folder, "made") from error
    while folder != root:
        folder = os.path.dirname(folder)
        _sync_folder(folder)
    _sync_folder(os.path.dirname(root))


def _write_beside(
    target: str,
    fill: Callable[[IO[bytes]], None],
    existing: os.stat_result | None,
    *,
    overwrite: bool,
) -> None:
    folder = os.path.dirname(target)
    temporary = os.path.join(folder, f".xover-{os.getpid()}-{os.urandom(8).hex()}.tmp")
    # A private file stays private from its first byte; a new one follows the umask.
    mode = 0o666 if existing is None else 0o600
    descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _CLOSE_ON_EXEC, mode)
    try:
        with os.fdopen(descriptor, "w+b") as file:
            fill(file)
            file.flush()
            if existing is not None:
                _keep_owner_and_mode(descriptor, existing)
            os.fsync(descriptor)
        if overwrite:
            os.replace(temporary, target)
        else:
            _claim(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    _sync_folder(folder)


def _claim(temporary: str, target: str) -> None:
    """Give the finished file its name, unless something of that name has appeared meanwhile."""
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
    else:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        return
    # Without hard links: claim the name with an empty file, then put the full one in its place.
    os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _CLOSE_ON_EXEC, 0o666))
    try:
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(target)
        raise


def _write_through(target: str | Path, fill: Callable[[IO[bytes]], None]) -> None:
    with os.fdopen(os.open(target, os.O_WRONLY | _CLOSE_ON_EXEC), "wb") as file:
        fill(file)


def _write_all(descriptor: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def _keep_owner_and_mode(descriptor: int, existing: os.stat_result) -> None:
    if hasattr(os, "fchown"):
        with contextlib.suppress(OSError):
            os.fchown(descriptor, existing.st_uid, existing.st_gid)
    if hasattr(os, "fchmod"):
        with contextlib.suppress(OSError):  # file systems without modes have none to keep
            os.fchmod(descriptor, stat.S_IMODE(existing.st_mode))


def _sync_folder(folder: str) -> None:
    """Have the new name itself reach the disk; some file systems refuse this, and that is fine."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | _CLOSE_ON_EXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _status(target: str | Path) -> os.stat_result | None:
    try:
        return os.stat(target)
    except FileNotFoundError:
        return None


def _exists(path: str | Path) -> Refused:
    return Refused.at(
        "",
        f"{shown_path(path)} exists already; name another file, or say that it may be overwritten",
    )


_CLOSE_ON_EXEC = getattr(os, "O_CLOEXEC", 0)
