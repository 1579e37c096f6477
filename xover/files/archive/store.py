"""Saving into the archive and opening from it: revisions are written once and never changed.

A revision is durable when `save` returns. What other processes save at the same time, and what a
synchroniser brings, is found by the index and never overwritten.
"""

from __future__ import annotations

import os
import time as clock

from msgspec import Struct
from msgspec.structs import replace

from xover.files.archive.index import Index, Progress, Row
from xover.files.archive.place import archive_folder, folder_of, id_of
from xover.files.archive.revision import Revision, dumps_revision, loads_sound
from xover.files.json_text import LIMIT_BYTES
from xover.files.paths import read_bytes, shown_path
from xover.files.safe_write import make_folders, write_bytes
from xover.model.names import listed, quoted
from xover.model.preset import Preset
from xover.model.problems import Refused

SHOWN_IDS = 6


class Saved(Struct, frozen=True):
    """What saving did: the revision's name, its parent's, and whether anything was written."""

    id: str
    parent: str | None
    is_new: bool
    path: str
    heads: int


class Archive:
    """One archive folder with its index. `refresh` looks at the files again."""

    def __init__(self, folder: str | None = None, *, cache: str | None = None) -> None:
        self.folder = archive_folder(folder)
        self.index = Index.of(self.folder, cache=cache)

    def close(self) -> None:
        """Let go of the index."""
        self.index.close()

    def refresh(self, progress: Progress | None = None, *, whole: bool = True) -> None:
        """Bring the index up to date with the files; see `Index.refresh`."""
        self.index.refresh(progress, whole=whole)

    def find(self, asked: str) -> Row:
        """The one revision that a name, the beginning of one, or of its hash means.

        Raises `Refused` where there is none, or more than one.
        """
        found = self.index.find(asked.strip())
        if not found:
            raise Refused.at(
                "",
                f"there is no revision {quoted(asked)} in the archive {shown_path(self.folder)}; "
                "xover archive list --all shows what there is",
            )
        if len(found) > 1 and not any(row.id == asked for row in found):
            some = [row.id for row in found[:SHOWN_IDS]]
            raise Refused.at(
                "", f"{quoted(asked)} can be {len(found)} revisions ({listed(some)}); type more"
            )
        return next((row for row in found if row.id == asked), found[0])

    def bytes_of(self, row: Row) -> bytes:
        """A revision's file, its hash compared. Raises `Refused` where it is damaged or gone."""
        data = read_bytes(self._path(row), limit_bytes=LIMIT_BYTES)
        if id_of(data, row.time) != row.id:
            raise Refused.at(
                "",
                f"the revision {row.id} is damaged: its bytes are not those that were saved; "
                "restore another, and look after the disk",
            )
        return data

    def open(self, row: Row) -> Revision:
        """A revision's content. Raises `Refused` where the file is damaged or gone."""
        data = self.bytes_of(row)
        try:
            return loads_sound(data)
        except Refused as error:
            raise Refused.at(
                "", f"the revision {row.id} cannot be read: {error.faults[0]}"
            ) from None

    def restored(self, row: Row) -> Preset:
        """The preset of a revision, based on it."""
        return replace(self.open(row).preset, based_on=row.id)

    def save(self, preset: Preset, *, note: str = "", author: str | None = None) -> Saved:
        """Write a preset as a further revision, unless nothing has changed.

        The parent is the revision that the preset is based on, where the archive has it; what is
        the same as the parent, or without one as any head of the preset, is not written again.
        Raises `Refused`.
        """
        self.refresh()
        parent = self._parent(preset)
        for row in [parent] if parent is not None else self._heads(preset):
            if _bare(self.open(row).preset) == _bare(preset):
                return Saved(row.id, row.parent, False, self._path(row), row.heads)
        stamp = clock.strftime("%Y-%m-%dT%H:%M:%SZ", clock.gmtime())
        revision = Revision(
            parent=None if parent is None else parent.id,
            time=stamp,
            author=preset.author if author is None else author,
            note=note,
            preset=replace(preset, based_on=None if parent is None else parent.id),
        )
        data = dumps_revision(revision)
        id_ = id_of(data, stamp)
        path = self.put(preset.venue, preset.title, id_, data)
        self.refresh()
        heads = len(self._heads(preset))
        return Saved(id_, revision.parent, True, path, heads)

    def put(self, venue: str, title: str, id_: str, data: bytes) -> str:
        """Write a revision's bytes where it belongs, on the disk on return; gives the path.

        The name is that of the bytes: whoever writes the same at once writes the same. Raises
        `Refused`, also where a link stands in the way, since links are never followed.
        """
        folder = folder_of(self.folder, venue, title)
        path = os.path.join(folder, f"{id_}.json")
        for place in (os.path.dirname(folder), folder, path):
            if os.path.islink(place):
                raise Refused.at(
                    "",
                    f"{shown_path(place)} is a link, and the archive follows none; put a folder "
                    "of its own there, or choose another archive",
                )
        make_folders(self.folder, folder)
        write_bytes(path, data, overwrite=True)
        return path

    def _parent(self, preset: Preset) -> Row | None:
        if preset.based_on is None:
            return None
        found = self.index.find(preset.based_on)
        return next((row for row in found if row.id == preset.based_on), None)

    def _heads(self, preset: Preset) -> list[Row]:
        return self.index.rows(venue=preset.venue, title=preset.title)

    def _path(self, row: Row) -> str:
        return os.path.join(self.folder, *row.name.split("/"))


def _bare(preset: Preset) -> Preset:
    return replace(preset, based_on=None)
