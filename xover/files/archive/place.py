"""Where the archive is, what folders and files in it are called, and which files count.

`VENUE/PRESET/<UTC>-<hash>.json`; names are for people and for every file system, never evidence:
what a file is stands in it. Reads no file.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Iterator
from typing import NamedTuple

from xover.files.paths import shown_path
from xover.files.safe_write import LEFTOVER

ENVIRONMENT = "XOVER_ARCHIVE"
NO_VENUE = "no-venue"
"""The folder of presets that name no venue."""
SLUG_LENGTH = 60
HASH_DIGITS = 16
DEPTH_MAX = 4
"""Folders are followed this deep: the two of our own, and what a synchroniser may put around."""

ID = re.compile(r"[0-9]{8}T[0-9]{6}Z-[0-9a-f]{16}")
"""A revision by name: when it was made, and the start of the SHA-256 of its bytes."""

_TELLING = frozenset(["ext2", "ext3", "ext4", "xfs", "btrfs", "zfs", "tmpfs", "f2fs", "overlay"])
_PLAIN = re.compile(r"[a-z0-9]+(?: [a-z0-9]+)*")
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul"] + [f"{kind}{n}" for kind in ("com", "lpt") for n in range(10)]
)
"""Names that some systems keep for devices."""


class Found(NamedTuple):
    """A file that may be a revision: its path in the archive (with `/`), and in the system."""

    name: str
    path: str


def archive_folder(asked: str | None) -> str:
    """The archive's folder: the one asked for, the environment's, or the user's own."""
    place = asked or os.environ.get(ENVIRONMENT)
    if place:
        return os.path.abspath(os.path.expanduser(place))
    import platformdirs

    return str(platformdirs.user_data_path("xover") / "archive")


def problem_of(folder: str) -> str:
    """Why nothing can be read from an archive's folder, as a sentence; "" where it can."""
    if not os.path.lexists(folder):
        return f"there is no archive at {shown_path(folder)} yet; keeping a revision makes it"
    if not os.path.isdir(folder):
        return f"{shown_path(folder)} is no folder, so it is no archive; choose another"
    if not os.access(folder, os.R_OK | os.X_OK):
        return f"{shown_path(folder)} may not be read; ask its owner, or choose another archive"
    return ""


def closed_to_writing(folder: str) -> str:
    """Why no revision can be added to an archive, as a sentence; one not there yet is made."""
    if not os.path.lexists(folder):
        return ""
    if problem_of(folder) or os.access(folder, os.W_OK | os.X_OK):
        return problem_of(folder)
    return (
        f"the archive {shown_path(folder)} may only be read; save the preset as a file, and keep "
        "it where the archive can be written"
    )


def slug(name: str, *, empty: str) -> str:
    """A folder's name for a venue or preset: safe on every system, one name one folder.

    Lower case, blanks as hyphens. Where that loses anything, six digits of a hash keep names
    apart that would otherwise share a folder.
    """
    folded = unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
    if _PLAIN.fullmatch(folded) and len(folded) <= SLUG_LENGTH and folded not in _RESERVED:
        return folded.replace(" ", "-")
    plain = unicodedata.normalize("NFKD", folded).encode("ascii", "ignore").decode()
    words = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:SLUG_LENGTH].strip("-")
    mark = hashlib.sha256(folded.encode("utf-8", "surrogatepass")).hexdigest()[:6]
    return f"{words or empty}_{mark}"


def key_of(venue: str, title: str) -> tuple[str, str]:
    """What makes a preset the same preset: venue and title, composed and case-folded."""
    return fold(venue), fold(title)


def fold(text: str) -> str:
    """NFC and case-folded."""
    composed = unicodedata.normalize("NFC", text.strip())
    return unicodedata.normalize("NFC", composed.casefold())


def folder_of(archive: str, venue: str, title: str) -> str:
    """The folder of one preset's revisions."""
    return os.path.join(archive, slug(venue, empty=NO_VENUE), slug(title, empty="preset"))


def id_of(data: bytes, time: str) -> str:
    """The name of a revision: its time (`2026-11-25T17:06:49Z`) without marks, and its hash."""
    stamp = time.replace("-", "").replace(":", "")
    return f"{stamp}-{hashlib.sha256(data).hexdigest()[:HASH_DIGITS]}"


class Folder(NamedTuple):
    """One folder of the archive as it was looked through: when it last changed, and its files."""

    name: str
    changed: int
    files: tuple[str, ...]
    folders: tuple[str, ...]


def files_of(archive: str) -> Iterator[Found]:
    """Every file of the archive that ends in `.json`, links and hidden ones left out.

    What vanishes while it is looked for is passed over; an archive that is not there is empty.
    """
    for folder in folders_of(archive):
        for name in folder.files:
            inner = f"{folder.name}/{name}" if folder.name else name
            yield Found(inner, os.path.join(archive, *inner.split("/")))


def folders_of(archive: str, start: str = "") -> Iterator[Folder]:
    """Every folder of the archive from `start` on, each looked through once."""
    pending = [start]
    while pending:
        name = pending.pop()
        found = folder_at(archive, name)
        if found is None:
            continue
        yield found
        if name.count("/") + bool(name) < DEPTH_MAX:
            pending += [f"{name}/{inner}" if name else inner for inner in found.folders]


def folder_at(archive: str, name: str) -> Folder | None:
    """One folder looked through, or None where it is gone or a link."""
    path = os.path.join(archive, *name.split("/")) if name else archive
    files: list[str] = []
    folders: list[str] = []
    changed = changed_at(path) if name else changed_at(path, follow=True)
    if changed is None:
        return None
    try:
        with os.scandir(path) as entries:
            for entry in entries:
                if entry.name.startswith("."):
                    continue
                if entry.name.endswith(".json"):
                    if entry.is_file(follow_symlinks=False):
                        files.append(entry.name)
                elif entry.is_dir(follow_symlinks=False):
                    folders.append(entry.name)
    except OSError:
        return None
    return Folder(name, changed, tuple(files), tuple(folders))


def changed_at(path: str, *, follow: bool = False) -> int | None:
    """When a folder last changed, in ns; None where it is gone or no folder."""
    try:
        found = os.stat(path) if follow else os.lstat(path)
    except OSError:
        return None
    return found.st_mtime_ns if stat.S_ISDIR(found.st_mode) else None


def tells_changes(folder: str) -> bool:
    """Whether the file system is one whose folders are known to say when they changed.

    Sticks, network shares and whatever is not known are looked through whole each time.
    """
    try:
        with open("/proc/self/mounts", encoding="utf-8", errors="replace") as file:
            mounts = [line.split(" ") for line in file]
    except OSError:
        return False
    place = os.path.realpath(folder)
    best, kind = -1, ""
    for parts in mounts:
        if len(parts) < 3:
            continue
        point = parts[1].replace("\\040", " ")
        inside = place == point or place.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= best:
            best, kind = len(point), parts[2]
    return kind in _TELLING


def links_of(archive: str) -> Iterator[str]:
    """Symbolic links in the archive, which are never followed."""
    for folder, folders, files in os.walk(archive, followlinks=False):
        for name in (*folders, *files):
            path = os.path.join(folder, name)
            if os.path.islink(path):
                yield os.path.relpath(path, archive)


def leftovers_of(archive: str) -> Iterator[str]:
    """Half-written files of our own: hidden, never listed."""
    for folder, _, files in os.walk(archive, followlinks=False):
        for name in sorted(files):
            if LEFTOVER.fullmatch(name):
                yield os.path.relpath(os.path.join(folder, name), archive)
