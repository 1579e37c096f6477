"""Every file of an archive looked at whole: what is damaged, what is odd. Changes nothing."""

from __future__ import annotations

import os

from msgspec import Struct

from xover.files.archive.index import Progress
from xover.files.archive.place import ID, files_of, folder_of, id_of, leftovers_of, links_of
from xover.files.archive.revision import loads_revision
from xover.files.archive.store import Archive
from xover.files.json_text import LIMIT_BYTES
from xover.files.paths import read_bytes
from xover.model.problems import Refused


class Finding(Struct, frozen=True):
    """`kind` is "damage" (what was saved is lost here) or "note"."""

    kind: str
    name: str
    message: str


def audit(archive: Archive, progress: Progress | None = None) -> tuple[list[Finding], int]:
    """What is wrong or odd with an archive's files, and how many sound revisions there are."""
    findings: list[Finding] = []
    parents: dict[str, str] = {}
    names: dict[str, str] = {}
    places: dict[str, list[str]] = {}
    files = sorted(files_of(archive.folder))
    for done, one in enumerate(files):
        if progress is not None:
            progress(done, len(files))
        try:
            data = read_bytes(one.path, limit_bytes=LIMIT_BYTES)
            revision = loads_revision(data)
        except Refused as error:
            findings.append(Finding("damage", one.name, str(error.faults[0])))
            continue
        id_ = id_of(data, revision.time)
        spoken = ID.findall(one.name.rpartition("/")[2])
        if spoken not in ([id_], []):
            message = f"its name speaks of {spoken[0]}, its bytes are {id_}"
            findings.append(Finding("damage", one.name, message))
            continue
        if one.name.rpartition("/")[2] != f"{id_}.json":
            findings.append(Finding("note", one.name, f"another name for {id_}; it counts once"))
        if id_ in names:
            findings.append(Finding("note", one.name, f"the same revision as {names[id_]}"))
            continue
        names[id_] = one.name
        preset = revision.preset
        places.setdefault(folder_of("", preset.venue, preset.title), []).append(id_)
        if revision.parent is not None:
            parents[id_] = revision.parent
    for id_, parent in parents.items():
        if parent not in names:
            findings.append(Finding("note", names[id_], f"its parent {parent} is not here"))
    for place, ids in sorted(places.items()):
        followed = {parents.get(id_) for id_ in ids}
        heads = [id_ for id_ in ids if id_ not in followed]
        if len(heads) > 1:
            findings.append(
                Finding("note", place.lstrip(os.sep), f"{len(heads)} heads: {', '.join(heads)}")
            )
    findings += [
        Finding(
            "note",
            name,
            "left over where saving was cut short; it may be deleted while nobody saves",
        )
        for name in leftovers_of(archive.folder)
    ]
    findings += [
        Finding("note", name, "a link; links are never followed")
        for name in links_of(archive.folder)
    ]
    return findings, len(names)
