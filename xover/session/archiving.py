"""The archive for a screen: what there is by venue, what one revision holds, keeping another.

Safe in any thread: each call opens the archive's index for itself and lets go of it. Nothing here
knows the open preset; `Session.restore` and `Session.kept` take what comes of it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

from xover.files import preset_json
from xover.files.archive.index import Progress, Row, answered
from xover.files.archive.place import archive_folder, closed_to_writing, key_of, problem_of
from xover.files.archive.store import Archive
from xover.files.paths import shown_path
from xover.model.names import fold
from xover.model.preset import Preset

Key = tuple[str, str]
"""What makes a preset the same preset: venue and title, folded."""


class Titled(NamedTuple):
    """One preset of the archive: how it was called last, when, and how many heads it has."""

    key: Key
    title: str
    time: str
    heads: int


class Venue(NamedTuple):
    """A venue with its presets by name; `key` is its folded name."""

    key: str
    name: str
    presets: tuple[Titled, ...]


class Stock(NamedTuple):
    """What an archive holds, or what of it was searched for."""

    folder: str
    venues: tuple[Venue, ...]
    damaged: tuple[str, ...]
    problem: str
    """Why there is nothing to read, as a sentence; "" where there is."""
    presets: int
    """How many presets."""


class Revision(NamedTuple):
    """One revision taken out: its line in the index, and its preset, based on it."""

    row: Row
    preset: Preset

    @property
    def words(self) -> str:
        """`2026-11-25 17:13, first night`: what it is called where a name is needed."""
        note = self.row.note.strip().partition("\n")[0]
        return f"{moment(self.row.time)}, {note}" if note else moment(self.row.time)


class Kept(NamedTuple):
    """What came of keeping a preset: the revision's name, whether it is new, heads there are."""

    id: str
    is_new: bool
    heads: int


def moment(time: str) -> str:
    """`2026-11-25 17:13` of a revision's time, which is UTC."""
    return f"{time[:10]} {time[11:16]}"


def key(venue: str, title: str) -> Key:
    """Under what the archive keeps a preset."""
    return key_of(venue, title)


def place() -> str:
    """The archive's folder, for a message: `XOVER_ARCHIVE`, else the user's own."""
    return shown_path(archive_folder(None))


def why_not_keep() -> str:
    """Why no revision can be kept in the archive, as a sentence; "" where nothing is known."""
    return closed_to_writing(archive_folder(None))


def refresh(progress: Callable[[int, int], None]) -> None:
    """Bring the index up to date with the files; `progress` may raise `Refused` to stop it."""
    with _archive() as archive:
        archive.refresh(progress)


def stock() -> Stock:
    """All presets that the index knows, by venue; quick, and as old as the last refresh."""
    with _archive() as archive:
        rows = archive.index.rows()
        damaged = tuple(archive.index.damaged())
        folder = archive.folder
    by_venue: dict[str, dict[Key, Titled]] = {}
    names: dict[str, str] = {}
    for row in rows:  # the newest first: its spelling counts
        one = key_of(row.venue, row.title)
        names.setdefault(one[0], row.venue)
        by_venue.setdefault(one[0], {}).setdefault(one, Titled(one, row.title, row.time, row.heads))
    venues = tuple(
        Venue(name, names[name], tuple(sorted(by_venue[name].values(), key=_by_name)))
        for name in sorted(by_venue, key=_counted)
    )
    count = sum(len(venue.presets) for venue in venues)
    return Stock(shown_path(folder), venues, damaged, problem_of(folder), count)


def narrowed(whole: Stock, words: str) -> Stock:
    """The presets of a stock any revision of which has all words, none missing.

    A word counts as the beginning of one in venue, title, author, notes, tags or boxes.
    """
    asked = [word for word in words.split() if any(letter.isalnum() for letter in word)]
    if not asked:
        return whole
    asked = ["".join(letter for letter in word if letter.isprintable()) for word in asked]
    with _archive() as archive:
        found = archive.index.rows(words=asked, every=True)
    wanted = {key_of(venue, title) for venue, title in {(row.venue, row.title) for row in found}}
    some = (
        venue._replace(presets=tuple(one for one in venue.presets if one.key in wanted))
        for venue in whole.venues
    )
    venues = tuple(venue for venue in some if venue.presets)
    return whole._replace(venues=venues, presets=sum(len(venue.presets) for venue in venues))


def revisions(key: Key) -> tuple[Row, ...]:
    """All revisions of a preset, the newest first."""
    with _archive() as archive:
        return tuple(archive.index.rows(every=True, venue=key[0], title=key[1]))


def take_out(row: Row) -> Revision:
    """A revision with its preset, based on it. Raises `Refused` where it is damaged or gone."""
    with _archive() as archive:
        return Revision(row, archive.restored(row))


def keep(preset: Preset, note: str, progress: Progress) -> Kept:
    """Write a preset into the archive as a further revision, unless nothing has changed.

    Raises `Refused` where that cannot be, also where `progress` raises it to stop.
    """
    with _archive() as archive:
        archive.refresh(progress)
        saved = archive.save(preset, note=note)
    return Kept(saved.id, saved.is_new, saved.heads)


def write_copy(preset: Preset, path: str, *, overwrite: bool) -> None:
    """Write a revision's preset to a file of its own. Raises `Refused` where that cannot be."""
    preset_json.save(preset, path, overwrite=overwrite)


def _by_name(one: Titled) -> tuple[object, ...]:
    return (*_counted(one.title), one.title)


def _counted(name: str) -> tuple[object, ...]:
    """A name as people sort it: “Hall 2” before “Hall 10”."""
    parts = re.split(r"([0-9]+)", fold(name))
    numbers = [part.lstrip("0") for part in parts[1::2]]
    return tuple(
        one for text, number in zip(parts[::2], [*numbers, ""], strict=True)
        for one in (text, len(number), number)
    )  # fmt: skip


@contextmanager
def _archive() -> Iterator[Archive]:
    with answered():
        archive = Archive()
        try:
            yield archive
        finally:
            archive.close()
