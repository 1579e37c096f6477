"""The journal of one open preset: every step on the disk within a tenth of a second.

A thread of its own writes, so that no key waits for a disk; the lock on the file says that the
preset is being edited. What holds edits is removed only on request.
"""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import threading
from typing import Final, NamedTuple

from msgspec.structs import replace

from xover.files import journal_text
from xover.files.journal_text import Doing, Header
from xover.files.paths import refused
from xover.model.differences import differences
from xover.model.preset import Preset

RETRY_S: Final = 0.5
"""How long the thread waits before it tries a full disk again."""
GATHER_S: Final = 0.02
"""How long it waits for more steps: the frame of the key is on the screen by then."""


class _Step(NamedTuple):
    name: str
    do: Doing
    before: Preset
    after: Preset


class _Restart(NamedTuple):
    sha256: str


class Journal:
    """The journal in an open, locked file, which it owns from now on; writing starts at once.

    Methods are for one thread; none but `flush` and `close` waits for the disk.
    """

    def __init__(self, path: str, descriptor: int, header: Header) -> None:
        self.path = path
        self.problem = ""
        """Why steps are not on the disk, as a sentence; "" while they are."""
        self._descriptor = descriptor
        self._header = header
        self._queue: queue.SimpleQueue[_Step | _Restart | None] = queue.SimpleQueue()
        self._moved = threading.Condition()
        self._hurry = threading.Event()
        self._asked = 0
        self._on_disk = 0
        # What follows belongs to the thread.
        self._taken = 0
        self._pending = b""
        self._good_bytes = 0
        self._entries = 0
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def record(self, name: str, do: Doing, before: Preset, after: Preset) -> None:
        """Have one step written; returns at once."""
        self._ask(_Step(name, do, before, after))

    def restart(self, *, sha256: str) -> None:
        """Forget all steps, which are saved: the journal now rests on a file with this hash."""
        self._ask(_Restart(sha256))

    def flush(self, timeout_s: float = 5.0) -> bool:
        """Wait until everything asked for is on the disk; False where it is not by then."""
        self._hurry.set()
        with self._moved:
            return self._moved.wait_for(lambda: self._on_disk >= self._asked, timeout_s)

    def close(self, *, keep: bool) -> None:
        """Stop, and let go of the preset; without edits, or unless `keep`, the file goes too."""
        self._ask(None)
        self._hurry.set()
        self._thread.join()
        try:
            if self._entries and keep:
                self._append(self._pending + journal_text.CLOSED_LINE)
            else:
                remove(self.path, self._descriptor)
        except OSError as error:
            self.problem = _why(error, self.path)
        finally:
            os.close(self._descriptor)

    def _ask(self, what: _Step | _Restart | None) -> None:
        with self._moved:
            self._asked += 1
        self._queue.put(what)

    # In the thread

    def _run(self) -> None:
        self._pending = journal_text.header_line(self._header)
        self._settle()
        _sync_folder(os.path.dirname(self.path))
        while True:
            batch: list[_Step | _Restart | None] = []
            with contextlib.suppress(queue.Empty):
                batch.append(self._queue.get(timeout=RETRY_S if self._pending else None))
                self._hurry.wait(GATHER_S)
                while True:
                    batch.append(self._queue.get_nowait())
            for what in batch:
                if isinstance(what, _Restart):
                    self._header = replace(self._header, base_sha256=what.sha256)
                    self._pending = journal_text.header_line(self._header)
                    self._good_bytes = self._entries = 0
                elif what is not None:
                    self._pending += self._lines(what)
            self._taken += len(batch)
            self._hurry.clear()
            self._settle()
            if None in batch:
                return

    def _lines(self, step: _Step) -> bytes:
        changes = differences(step.before, step.after)
        line = journal_text.entry_line(step.name, step.do, changes)
        self._entries += 1
        # What stood before the first step is what the file holds.
        return journal_text.base_line(step.before) + line if self._entries == 1 else line

    def _settle(self) -> None:
        """Try to have what is pending on the disk; a failure keeps it pending and is said."""
        try:
            self._append(self._pending)
        except OSError as error:
            self.problem = _why(error, self.path)
            return
        self._pending, self.problem = b"", ""
        with self._moved:
            self._on_disk = self._taken
            self._moved.notify_all()

    def _append(self, data: bytes) -> None:
        """Put data behind what is known to be good, and have it on the disk."""
        if os.fstat(self._descriptor).st_nlink == 0:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        os.ftruncate(self._descriptor, self._good_bytes)
        at, rest = self._good_bytes, memoryview(data)
        while rest:
            written = os.pwrite(self._descriptor, rest, at)
            at, rest = at + written, rest[written:]
        os.fsync(self._descriptor)
        self._good_bytes = at


def remove(path: str, descriptor: int) -> None:
    """Remove a journal that is open here, unless another file has its name by now."""
    with contextlib.suppress(FileNotFoundError):
        if is_file_at(path, descriptor):
            os.unlink(path)


def is_file_at(path: str, descriptor: int) -> bool:
    """Whether the open file still has this name."""
    try:
        named, held = os.lstat(path), os.fstat(descriptor)
    except FileNotFoundError:
        return False
    return (named.st_dev, named.st_ino) == (held.st_dev, held.st_ino)


def _why(error: OSError, path: str) -> str:
    reason = refused(error, path, "written").faults[0].message
    return f"the last steps are not safe yet: the journal {reason}"


def _sync_folder(folder: str) -> None:
    """Have the journal's name itself reach the disk; some file systems refuse, and that is fine."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
