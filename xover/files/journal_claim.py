"""Claiming a preset for editing, and looking for work that nobody came back to.

The journal beside the preset is the claim: who holds its lock edits. A journal with edits whose
owner is gone is set aside under a number, never written over.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
from typing import Final, NamedTuple

from xover.files import journal_text
from xover.files.journal import Journal, is_file_at, remove
from xover.files.journal_text import Contents, Header
from xover.files.ownership import LockAnswer, Owner, lock, this_process
from xover.files.paths import refused, shown_path
from xover.model.names import inert

NUMBERS: Final = 1000
"""The most journals about one preset."""
TRIES: Final = 5
TRY_AGAIN_S: Final = 0.02
"""Somebody who only looks for lost work holds a lock this short."""

_FLAGS = (
    os.O_RDWR
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
)


class Held(Exception):
    """Somebody else edits this preset: `owner`, as far as the journal at `path` says."""

    def __init__(self, owner: Owner, path: str) -> None:
        super().__init__(path)
        self.owner = owner
        self.path = path


class Claim(NamedTuple):
    """A claimed preset; `journal` is None where none can be written, `warnings` are sentences."""

    journal: Journal | None
    warnings: tuple[str, ...]


class _Open(NamedTuple):
    descriptor: int
    answer: LockAnswer
    contents: Contents | None

    @property
    def lives(self) -> bool:
        """Whether somebody edits through this journal now."""
        if self.answer == "taken":
            return True
        if self.contents is None or self.contents.closed:
            return False
        owner = self.contents.header.owner
        if self.answer == "unknown":
            return owner.may_live
        # We hold the lock; where locks do nothing, a living owner on this machine is the proof.
        return owner.is_here and owner.pid != os.getpid() and owner.may_live

    @property
    def has_edits(self) -> bool:
        return self.contents is not None and bool(self.contents.entries)


def claim(preset_path: str, *, sha256: str, unnamed: bool = False) -> Claim:
    """Begin a journal about a preset (a real path) whose bytes have this hash.

    `unnamed` work claims nothing: it is a copy that has no name yet. Raises `Held` where somebody
    else edits the preset.
    """
    header = Header(
        preset=inert(preset_path),
        base_sha256=sha256,
        unnamed=unnamed,
        owner=this_process(),
        opened=journal_text.now(),
    )
    warnings: list[str] = []
    places = [journal_text.beside(preset_path), journal_text.elsewhere(preset_path)]
    if unnamed:
        places = places[1:]
    for folder, name in places:
        last = (folder, name) == places[-1]
        try:
            if last:
                os.makedirs(folder, mode=0o700, exist_ok=True)
            path, descriptor = _number_of_our_own(folder, name) if unnamed else _own(folder, name)
        except (OSError, ValueError) as error:
            reason = refused(error, folder, "written").faults[0].message
            if last:
                warnings.append(f"unsaved work is kept nowhere if the program ends: {reason}")
            elif getattr(error, "errno", None) != errno.ENAMETOOLONG:
                warnings.append(
                    f"{reason}; until then this preset cannot be saved there, and its journal "
                    f"lies in {shown_path(places[-1][0])}"
                )
            continue
        return Claim(Journal(path, descriptor, header), tuple(warnings))
    return Claim(None, tuple(warnings))


def unclaimed(preset_path: str) -> list[tuple[str, Contents]]:
    """Journals with edits about a preset (a real path) whose owners are gone; path and contents.

    Those without edits are removed on the way. Journals that cannot be read are passed over.
    """
    result: list[tuple[str, Contents]] = []
    for path in journal_text.found(preset_path):
        with contextlib.suppress(OSError):
            opened = _opened(path, create=False)
            try:
                if opened.lives:
                    continue
                if opened.contents is not None and opened.has_edits:
                    result.append((path, opened.contents))
                elif opened.contents is not None or not os.fstat(opened.descriptor).st_size:
                    remove(path, opened.descriptor)
            finally:
                os.close(opened.descriptor)
    return result


def discard(path: str) -> None:
    """Remove a journal that `unclaimed` gave, unless somebody has taken it up since."""
    try:
        opened = _opened(path, create=False)
    except FileNotFoundError:
        return
    except OSError as error:
        raise refused(error, path, "removed") from error
    try:
        if not opened.lives:
            remove(path, opened.descriptor)
    except OSError as error:
        raise refused(error, path, "removed") from error
    finally:
        os.close(opened.descriptor)


def _own(folder: str, name: str) -> tuple[str, int]:
    """The preset's own journal, empty and locked by us; one with edits is set aside."""
    path = os.path.join(folder, name)
    for attempt in range(TRIES):
        opened = _opened(path, create=True)
        if opened.lives:
            os.close(opened.descriptor)
            owner = Owner() if opened.contents is None else opened.contents.header.owner
            if attempt < TRIES - 1 and not (owner.may_live and owner != this_process()):
                time.sleep(TRY_AGAIN_S)
                continue
            raise Held(owner, path)
        if opened.answer != "unknown" and not is_file_at(path, opened.descriptor):
            os.close(opened.descriptor)  # removed between opening and locking
            continue
        if not opened.has_edits:
            return path, opened.descriptor
        try:
            _set_aside(folder, name)
        finally:
            os.close(opened.descriptor)
    raise Held(Owner(), path)


def _number_of_our_own(folder: str, name: str) -> tuple[str, int]:
    for number in range(1, NUMBERS):
        path = os.path.join(folder, journal_text.numbered(name, number))
        opened = _opened(path, create=True)
        if not opened.lives and not opened.has_edits and is_file_at(path, opened.descriptor):
            return path, opened.descriptor
        os.close(opened.descriptor)
    raise _exists(folder)


def _set_aside(folder: str, name: str) -> None:
    for number in range(1, NUMBERS):
        path = os.path.join(folder, journal_text.numbered(name, number))
        try:
            os.close(os.open(path, _FLAGS | os.O_CREAT | os.O_EXCL, 0o666))
        except FileExistsError:
            continue
        os.replace(os.path.join(folder, name), path)
        return
    raise _exists(folder)


def _exists(path: str) -> FileExistsError:
    return FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), path)


def _opened(path: str, *, create: bool) -> _Open:
    try:
        descriptor = os.open(path, _FLAGS | os.O_CREAT if create else _FLAGS, 0o666)
    except PermissionError:
        if create:
            raise
        descriptor = os.open(path, (_FLAGS & ~os.O_RDWR) | os.O_RDONLY)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise _exists(path)
        answer = lock(descriptor)
        return _Open(descriptor, answer, journal_text.read(_all_of(descriptor)))
    except BaseException:
        os.close(descriptor)
        raise


def _all_of(descriptor: int) -> bytes:
    size = os.fstat(descriptor).st_size
    if size > journal_text.LIMIT_BYTES:
        raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
    parts, at = [], 0
    while part := os.pread(descriptor, 1 << 24, at):
        parts.append(part)
        at += len(part)
    return b"".join(parts)
