"""A venue, or the whole archive, as one zip: revisions with a manifest of their hashes.

What comes in is judged member by member before anything is written: no path outside, no link, no
bomb, no member twice. The same revision is taken once; nothing is ever overwritten.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import zipfile
import zlib
from collections.abc import Callable
from typing import IO

from msgspec import Struct

from xover.files.archive.place import ID, NO_VENUE, id_of, slug
from xover.files.archive.revision import loads_revision
from xover.files.archive.store import Archive
from xover.files.json_text import LIMIT_BYTES
from xover.files.paths import refused, shown_path
from xover.files.safe_write import write_filled
from xover.model.names import quoted
from xover.model.preset import Preset
from xover.model.problems import Refused

MANIFEST = "manifest.json"
FORMAT = "xover-archive"
TOTAL_BYTES_MAX = 8 * 1024 * 1024 * 1024
MEMBERS_MAX = 1_000_000
RATIO_MAX = 200
"""More than this much larger once unpacked is no JSON of ours."""
Progress = Callable[[int, int], None]


class Taken(Struct, frozen=True):
    """What an import did: revisions that are new here, and how many were here already."""

    new: tuple[str, ...]
    known: int


class Exported(Struct, frozen=True):
    """What an export did: how many revisions went out, and which files were damaged."""

    count: int
    damaged: tuple[str, ...]


def export_archive(
    archive: Archive,
    venue: str | None,
    target: str,
    *,
    overwrite: bool,
    progress: Progress | None = None,
) -> Exported:
    """Write a zip with every sound revision of a venue, or of all.

    What is spread must be sound: a damaged revision is left out, and named. Raises `Refused`.
    """
    damaged: list[str] = []
    rows = archive.index.rows(every=True, venue=venue)
    if not rows:
        what = "the archive is empty" if venue is None else f"there is no venue {quoted(venue)}"
        raise Refused.at("", f"{what}; xover archive list shows what there is")

    def fill(file: IO[bytes]) -> None:
        damaged.clear()
        manifest: dict[str, str] = {}
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as bundle:
            for done, row in enumerate(sorted(rows, key=lambda one: one.name)):
                if progress is not None:
                    progress(done, len(rows))
                try:
                    data = archive.bytes_of(row)
                except Refused:
                    damaged.append(row.name)
                    continue
                name = f"{os.path.dirname(row.name)}/{row.id}.json"
                manifest[name] = hashlib.sha256(data).hexdigest()
                bundle.writestr(_member(name), data)
            if not manifest:
                raise Refused.at("", "every revision of these is damaged; nothing was written")
            text = json.dumps({"format": FORMAT, "version": 1, "sha256": manifest}, indent=2)
            bundle.writestr(_member(MANIFEST), text.encode())

    write_filled(target, fill, overwrite=overwrite)
    count = len(rows) - len(damaged)
    lead = "" if venue is None else f"{slug(venue, empty=NO_VENUE)}/"
    damaged += [name for name in archive.index.damaged() if name.startswith(lead)]
    return Exported(count, tuple(damaged))


def import_archive(archive: Archive, path: str, progress: Progress | None = None) -> Taken:
    """Take the revisions of a zip into the archive, merging without loss. Raises `Refused`.

    Everything is judged before the first file is written.
    """
    try:
        with zipfile.ZipFile(path) as bundle:
            members = _judged(bundle)
            manifest = _manifest(bundle, members)
            have = {row.id for row in archive.index.rows(every=True)}
            wanted: dict[str, tuple[str, str, str]] = {}
            known = 0
            revisions = [(name, info) for name, info in members.items() if name != MANIFEST]
            for done, (name, info) in enumerate(revisions):
                if progress is not None:
                    progress(done, 2 * len(revisions))
                id_, preset = _revision(bundle, name, info, manifest)
                if id_ in have:
                    known += 1
                else:
                    have.add(id_)
                    wanted[name] = (id_, preset.venue, preset.title)
            for done, (name, (id_, venue, title)) in enumerate(wanted.items()):
                if progress is not None:
                    progress(len(revisions) + done, 2 * len(revisions))
                data = _bytes(bundle, members[name])
                if hashlib.sha256(data).hexdigest() != manifest[name]:
                    raise Refused.at("", f"{shown_path(path)} changed while it was read")
                archive.put(venue, title, id_, data)
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError) as error:
        raise Refused.at("", f"{shown_path(path)} is no sound zip: {error}") from None
    except zlib.error:
        raise Refused.at("", f"{shown_path(path)} is no sound zip") from None
    except OSError as error:
        raise refused(error, path, "read") from error
    archive.refresh()
    return Taken(tuple(id_ for id_, _, _ in wanted.values()), known)


def _judged(bundle: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    """The members by name, every one a plain file inside. Raises `Refused` for any other."""
    found: dict[str, zipfile.ZipInfo] = {}
    infos = bundle.infolist()
    if len(infos) > MEMBERS_MAX:
        raise Refused.at("", f"the zip holds {len(infos)} members; at most {MEMBERS_MAX} are read")
    total = 0
    for info in infos:
        name = info.filename
        if info.is_dir():
            continue
        parts = name.replace("\\", "/").split("/")
        if name.startswith(("/", "\\")) or ".." in parts or ":" in parts[0] or "" in parts:
            raise Refused.at("", f"the zip is refused: {quoted(name)} points out of the archive")
        if stat.S_ISLNK(info.external_attr >> 16):
            raise Refused.at("", f"the zip is refused: {quoted(name)} is a link")
        if name in found:
            raise Refused.at("", f"the zip is refused: {quoted(name)} stands in it twice")
        if info.flag_bits & 0x1:
            raise Refused.at("", f"the zip is refused: {quoted(name)} is encrypted")
        total += info.file_size
        if (
            info.file_size > LIMIT_BYTES
            or total > TOTAL_BYTES_MAX
            or (
                info.file_size > 1 << 20 and info.file_size > RATIO_MAX * max(1, info.compress_size)
            )
        ):
            raise Refused.at(
                "", f"the zip is refused: {quoted(name)} would unpack to more than is believed"
            )
        found[name] = info
    return found


def _manifest(bundle: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo]) -> dict[str, str]:
    info = members.get(MANIFEST)
    if info is None:
        raise Refused.at("", f"the zip has no {MANIFEST}, so it is no export of an archive")
    try:
        tree = json.loads(_bytes(bundle, info))
        hashes = tree["sha256"]
        if tree["format"] != FORMAT or tree["version"] != 1 or not isinstance(hashes, dict):
            raise ValueError
    except (ValueError, KeyError, TypeError, RecursionError):
        raise Refused.at("", f"the {MANIFEST} of the zip cannot be understood") from None
    listed = {str(name): str(value) for name, value in hashes.items()}
    missing = sorted(set(listed) - set(members))
    if missing:
        raise Refused.at("", f"the zip lacks {quoted(missing[0])}, which its manifest lists")
    return listed


def _revision(
    bundle: zipfile.ZipFile,
    name: str,
    info: zipfile.ZipInfo,
    manifest: dict[str, str],
) -> tuple[str, Preset]:
    """A member's name as a revision, and its preset."""
    if name not in manifest:
        raise Refused.at("", f"the zip is refused: {quoted(name)} is not in its manifest")
    data = _bytes(bundle, info)
    if hashlib.sha256(data).hexdigest() != manifest[name]:
        raise Refused.at("", f"the zip is refused: {quoted(name)} is not what its manifest says")
    try:
        revision = loads_revision(data)
    except Refused as error:
        raise Refused.at("", f"the zip is refused: {quoted(name)}: {error.faults[0]}") from None
    id_ = id_of(data, revision.time)
    if ID.findall(name.rpartition("/")[2]) != [id_]:
        raise Refused.at("", f"the zip is refused: the name {quoted(name)} speaks of other bytes")
    return id_, revision.preset


def _bytes(bundle: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """A member's bytes, never more than it said it would be."""
    with bundle.open(info) as file:
        data = file.read(info.file_size + 1)
    if len(data) > info.file_size:
        raise Refused.at("", f"the zip is refused: {quoted(info.filename)} is larger than it says")
    return data


def _member(name: str) -> zipfile.ZipInfo:
    """A member with a fixed time, so that the same revisions give the same bytes."""
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    return info
