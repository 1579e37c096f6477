"""Who holds a file: an advisory lock, and for places without locks a name that can be asked for.

The lock is the operating system's own and ends with its process, however that ends; it is not
handed to child processes. A name is trusted only where the lock cannot answer.
"""

from __future__ import annotations

import errno
import os
import socket
from pathlib import Path
from typing import Literal

from msgspec import Struct

LockAnswer = Literal["held", "taken", "unknown"]
"""We hold the lock now, somebody else does, or the place knows no locks."""

_WITHOUT_LOCKS = frozenset(
    {errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL}
)


class Owner(Struct, frozen=True):
    """A process that opened a file for editing: where it runs, its number, when it started."""

    host: str = ""
    pid: int = 0
    started: str = ""
    """As the system states it, "" where it does not: numbers are given out again."""

    @property
    def is_here(self) -> bool:
        """Whether the process ran on this machine."""
        return self.host == socket.gethostname()

    @property
    def may_live(self) -> bool:
        """Whether the process is alive, as far as can be told from here: elsewhere it may be."""
        if not self.host:
            return False
        return not self.is_here or _is_alive(self.pid, self.started)

    @property
    def words(self) -> str:
        """`process 4711 on this machine` or `process 4711 on HOST`."""
        return f"process {self.pid} on {'this machine' if self.is_here else self.host}"


def this_process() -> Owner:
    """The running process as an owner."""
    return Owner(socket.gethostname(), os.getpid(), started_at(os.getpid()))


def lock(descriptor: int) -> LockAnswer:
    """Try for the exclusive lock on an open file, without waiting."""
    try:
        import fcntl
    except ImportError:  # a system without this kind of lock
        return "unknown"
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return "taken"
    except OSError as error:
        if error.errno in _WITHOUT_LOCKS:
            return "unknown"
        raise
    return "held"


def started_at(pid: int) -> str:
    """When a living process started, in the clock ticks since boot that Linux states; else "".

    Source: proc(5), fields 3 and 22 of /proc/PID/stat; field 2 may hold blanks and brackets.
    """
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    fields = text.rpartition(")")[2].split()
    return fields[19] if len(fields) > 19 and fields[0] not in "ZX" else ""


def _is_alive(pid: int, started: str) -> bool:
    if pid <= 0:
        return False
    if os.name != "posix":
        return True  # cannot be asked without harm
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        pass
    return not started or started_at(pid) == started
