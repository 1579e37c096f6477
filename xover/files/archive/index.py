"""The index of an archive: a disposable cache that finds revisions without opening them.

SQLite with full-text search, in the user's cache folder, keyed by the archive's place. Rebuilt
whenever it is missing, torn or stale; nothing is lost with it. Kept free of the preset's model, so
that listing starts quickly.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
import time as clock
from collections.abc import Callable, Iterable, Iterator, Sequence
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from xover.files.archive.place import (
    Folder,
    Found,
    changed_at,
    fold,
    folder_at,
    folders_of,
    tells_changes,
)
from xover.files.archive.words import query_of, spaced
from xover.model.problems import Refused

if TYPE_CHECKING:
    from xover.files.archive.taking_in import TakenIn

VERSION = 3
SETTLED_NS = 5_000_000_000
"""A folder that changed this shortly before it was looked through is looked through again."""
BUSY_S = 20.0
PORTION = 128
"""So many files are taken in at a time; no lock is held while they are read."""
ID_HASH_AT = 17
"""Where the hash begins in a revision's name."""
Progress = Callable[[int, int], None]
"""Called with how many files are done, and of how many; may raise to stop."""

_TABLES = """
CREATE TABLE folders (name TEXT PRIMARY KEY, changed INTEGER);
CREATE TABLE files (name TEXT PRIMARY KEY, folder TEXT, id TEXT, size INTEGER, changed INTEGER);
CREATE INDEX by_folder ON files (folder);
CREATE TABLE presets (
  number INTEGER PRIMARY KEY, venue TEXT, title TEXT, heads INTEGER, UNIQUE (venue, title)
);
CREATE TABLE revisions (
  number INTEGER PRIMARY KEY, id TEXT UNIQUE, name TEXT, venue TEXT, title TEXT, preset INTEGER,
  parent TEXT, time TEXT, author TEXT, note TEXT, followed INTEGER, goes_on INTEGER
);
CREATE INDEX by_preset ON revisions (preset, followed);
CREATE INDEX by_parent ON revisions (parent);
CREATE VIRTUAL TABLE words USING fts5(venue, title, author, note, tags, boxes, notes);
"""


class Row(NamedTuple):
    """One revision as it is listed; `heads` counts those of its preset.

    A head is a revision that none of the same preset follows; `goes_on` tells of one that another
    preset follows: renamed, or taken to another venue.
    """

    id: str
    name: str
    venue: str
    title: str
    parent: str | None
    time: str
    author: str
    note: str
    heads: int
    is_head: bool
    goes_on: bool


class Index:
    """The index of one archive folder; `refresh` brings it up to date with the files."""

    def __init__(self, archive: str, connection: sqlite3.Connection, path: str) -> None:
        self.archive = archive
        self.path = path
        self._connection = connection

    @classmethod
    def of(cls, archive: str, *, cache: str | None = None) -> Index:
        """The index of an archive, made anew where there is none that can be used.

        Without a cache folder that can be written it lives in memory.
        """
        path = _path(archive, cache)
        try:
            os.makedirs(os.path.dirname(path), exist_ok=True)
            return cls(archive, _opened(path), path)
        except (OSError, sqlite3.Error):
            with contextlib.suppress(OSError):
                os.unlink(path)
        try:
            return cls(archive, _opened(path), path)
        except (OSError, sqlite3.Error):
            connection = sqlite3.connect(":memory:", isolation_level=None)
            _prepare(connection)
            return cls(archive, connection, "")

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def refresh(self, progress: Progress | None = None, *, whole: bool = True) -> None:
        """Take in what has appeared, leave out what has gone; damaged files are looked at again.

        With `whole` false, folders that say they have not changed are believed, on file systems
        that are known to say so. Torn or unusable indexes are thrown away and made anew.
        """
        try:
            self._refresh(progress, whole)
        except sqlite3.DatabaseError:
            self._start_over()
            self._refresh(progress, True)

    def rows(
        self,
        *,
        words: Sequence[str] = (),
        every: bool = False,
        venue: str | None = None,
        title: str | None = None,
        since: str | None = None,
        until: str | None = None,
    ) -> list[Row]:
        """Revisions, newest first: heads alone, or with `every` all of them.

        `words` must all be found, each as the beginning of a word; times compare as text.
        """
        where: list[str] = []
        values: list[Any] = []
        source = "revisions r"
        if words:
            source = "words JOIN revisions r ON r.number = words.rowid"
            where.append("words MATCH ?")
            values.append(" AND ".join(query_of(word) for word in words))
        for field, value in (("venue", venue), ("title", title)):
            if value is not None:
                where.append(f"p.{field} = ?")
                values.append(fold(value))
        if since is not None:
            where.append("r.time >= ?")
            values.append(since)
        if until is not None:
            where.append("r.time <= ?")
            values.append(until)
        if not every:
            where.append("r.followed = 0")
        return self._rows(source, where, values)

    def find(self, beginning: str) -> list[Row]:
        """Revisions whose name, or whose hash, begins like this."""
        if not beginning:
            return []
        length = len(beginning)
        where = "(substr(r.id, 1, ?) = ? OR substr(r.id, ?, ?) = ?)"
        return self._rows(
            "revisions r", [where], [length, beginning, ID_HASH_AT + 1, length, beginning]
        )

    def following(self, id_: str) -> list[Row]:
        """Revisions that were based on this one, under whatever name."""
        return self._rows("revisions r", ["r.parent = ?"], [id_])

    def _rows(self, source: str, where: Sequence[str], values: Sequence[Any]) -> list[Row]:
        condition = f"WHERE {' AND '.join(where)}" if where else ""
        found = self._connection.execute(
            "SELECT r.id, r.name, r.venue, r.title, r.parent, r.time, r.author, r.note, p.heads, "
            f"r.followed = 0, r.goes_on FROM {source} JOIN presets p ON p.number = r.preset "
            f"{condition} ORDER BY r.time DESC, r.id DESC",
            values,
        )
        return _newest_first(list(map(Row._make, found)))

    def damaged(self) -> list[str]:
        """Names of files that are no sound revisions."""
        query = "SELECT name FROM files WHERE id IS NULL ORDER BY name"
        return [str(name) for (name,) in self._connection.execute(query)]

    def _refresh(self, progress: Progress | None, whole: bool) -> None:
        execute = self._connection.execute
        known: dict[str, int] = dict(execute("SELECT name, changed FROM folders"))
        if whole or not known or not tells_changes(self.archive):
            looked = {folder.name: folder for folder in folders_of(self.archive)}
            gone = [name for name in known if name not in looked]
        else:
            looked, gone = self._changed(known)
        new: list[Found] = []
        lost: list[str] = []
        for folder in looked.values():
            lead = f"{folder.name}/" if folder.name else ""
            have = {name for (name,) in execute("SELECT name FROM files WHERE folder = ?",
                                                [folder.name])}  # fmt: skip
            here = {lead + name for name in folder.files}
            lost += have - here
            new += [Found(name, self._path_of(name)) for name in sorted(here - have)]
        for name in gone:
            lost += [one for (one,) in execute("SELECT name FROM files WHERE folder = ?", [name])]
        # What another process has saved since the folder was looked through is there all the same.
        lost = [name for name in lost if not os.path.lexists(self._path_of(name))]
        again = self._changed_damage(lost)
        stale = [one for one in looked.values() if known.get(one.name) != one.changed]
        if not (gone or new or lost or again or stale):
            return
        self._take_in([*new, *again], progress)
        with self._transaction():
            self._forget(lost)
            self._connection.executemany("DELETE FROM folders WHERE name = ?", [(n,) for n in gone])
            settled = clock.time_ns() - SETTLED_NS
            self._connection.executemany(
                "INSERT OR REPLACE INTO folders VALUES (?, ?)",
                [
                    (one.name, one.changed if one.changed < settled else -1)
                    for one in looked.values()
                ],
            )

    def _changed(self, known: dict[str, int]) -> tuple[dict[str, Folder], list[str]]:
        """The folders that say they have changed, looked through, and those that are gone."""
        looked: dict[str, Folder] = {}
        gone: list[str] = []
        lead = os.path.join(self.archive, "")  # systems take the "/" of a name as it is
        for name, before in known.items():
            if name in looked:
                continue
            now = changed_at(lead + name, follow=not name)
            if now is None:
                gone.append(name)
            elif now != before:
                found = folder_at(self.archive, name)
                if found is None:
                    gone.append(name)
                    continue
                looked[name] = found
                for inner in found.folders:
                    inner = f"{name}/{inner}" if name else inner
                    if inner not in known:
                        looked.update({one.name: one for one in folders_of(self.archive, inner)})
        return looked, gone

    def _changed_damage(self, lost: Sequence[str]) -> list[Found]:
        """Damaged files that are not what they were."""
        query = "SELECT name, size, changed FROM files WHERE id IS NULL"
        damaged = self._connection.execute(query).fetchall()
        if not damaged:
            return []
        from xover.files.archive.taking_in import status_of

        found = [(Found(name, self._path_of(name)), status) for name, *status in damaged]
        return [
            one for one, status in found
            if one.name not in lost and status_of(one.path) != tuple(status)
        ]  # fmt: skip

    def _path_of(self, name: str) -> str:
        return os.path.join(self.archive, *name.split("/"))

    def _forget(self, names: Iterable[str]) -> None:
        execute = self._connection.execute
        for name in names:
            (id_,) = execute("SELECT id FROM files WHERE name = ?", [name]).fetchone() or (None,)
            execute("DELETE FROM files WHERE name = ?", [name])
            if id_ is None:
                continue
            other = execute("SELECT name FROM files WHERE id = ?", [id_]).fetchone()
            if other is not None:
                execute("UPDATE revisions SET name = ? WHERE id = ?", [other[0], id_])
                continue
            row = execute(
                "SELECT number, preset, parent FROM revisions WHERE id = ?", [id_]
            ).fetchone()
            if row is None:
                continue
            number, preset, parent = row
            execute("DELETE FROM words WHERE rowid = ?", [number])
            execute("DELETE FROM revisions WHERE number = ?", [number])
            if parent is not None:
                self._follow(parent)
            self._count(preset)

    def _follow(self, id_: str) -> None:
        """Say of a revision what follows it, in its preset and in others; count its heads."""
        execute = self._connection.execute
        row = execute("SELECT number, preset FROM revisions WHERE id = ?", [id_]).fetchone()
        if row is None:
            return
        number, preset = row
        execute(
            "UPDATE revisions SET "
            "followed = EXISTS (SELECT 1 FROM revisions c WHERE c.parent = ? AND c.preset = ?), "
            "goes_on = EXISTS (SELECT 1 FROM revisions c WHERE c.parent = ? AND c.preset <> ?) "
            "WHERE number = ?",
            [id_, preset, id_, preset, number],
        )
        self._count(preset)

    def _count(self, preset: int) -> None:
        self._connection.execute(
            "UPDATE presets SET heads = (SELECT count(*) FROM revisions WHERE preset = ? AND "
            "followed = 0) WHERE number = ?",
            [preset, preset],
        )

    def _preset(self, venue: str, title: str) -> int:
        execute = self._connection.execute
        key = [fold(venue), fold(title)]
        execute("INSERT OR IGNORE INTO presets (venue, title, heads) VALUES (?, ?, 0)", key)
        (number,) = execute(
            "SELECT number FROM presets WHERE venue = ? AND title = ?", key
        ).fetchone()
        return int(number)

    def _take_in(self, found: Sequence[Found], progress: Progress | None) -> None:
        """Files into the index, some at a time: what is done stays done where this is stopped."""
        from xover.files.archive.taking_in import taken_in

        for start in range(0, len(found), PORTION):
            if progress is not None:
                progress(start, len(found))
            read = [taken_in(one) for one in found[start : start + PORTION]]
            with self._transaction():
                for one in read:
                    self._insert(one)
        if progress is not None and found:
            progress(len(found), len(found))

    def _insert(self, one: TakenIn) -> None:
        execute = self._connection.execute
        folder = one.name.rpartition("/")[0]
        execute(
            "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?)",
            [one.name, folder, one.id, *one.status],
        )
        head = one.head
        if head is None:
            return
        preset = head.preset
        cursor = execute(
            "INSERT OR IGNORE INTO revisions (id, name, venue, title, preset, parent, time, "
            "author, note, followed, goes_on) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 0, 0)",
            [one.id, one.name, preset.venue, preset.title,
             self._preset(preset.venue, preset.title), head.parent, head.time, head.author,
             head.note],
        )  # fmt: skip
        if not cursor.rowcount:
            return
        texts = [preset.venue, preset.title, head.author, head.note, " ".join(preset.tags),
                 " ".join(box.name for box in preset.loudspeakers), preset.notes]  # fmt: skip
        execute(
            "INSERT INTO words (rowid, venue, title, author, note, tags, boxes, notes) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [cursor.lastrowid, *map(spaced, texts)],
        )
        assert one.id is not None
        self._follow(one.id)
        if head.parent is not None:
            self._follow(head.parent)

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")

    def _start_over(self) -> None:
        self._connection.close()
        if self.path:
            for ending in ("", "-wal", "-shm", "-journal"):
                with contextlib.suppress(OSError):
                    os.unlink(self.path + ending)
        fresh = Index.of(self.archive, cache=os.path.dirname(self.path) or None)
        self._connection, self.path = fresh._connection, fresh.path


@contextlib.contextmanager
def answered() -> Iterator[None]:
    """Raises `Refused`, with a sentence, where the index will not answer."""
    try:
        yield
    except sqlite3.Error as error:
        raise Refused.at(
            "", f"the archive's index cannot be used just now ({error}); try again"
        ) from error


_PARENT = itemgetter(4)


def _newest_first(rows: list[Row]) -> list[Row]:
    """Rows by time, those of one second with what follows before what it follows."""
    generation: dict[str, int] = {}
    if not any(map(_PARENT, rows)):
        return rows
    times = {row.id: row.time for row in rows}
    parents = {row.id: row.parent for row in rows}
    for row in rows:
        steps, one = 0, row.parent
        while one is not None and times.get(one) == row.time and steps < len(rows):
            steps, one = steps + 1, parents.get(one)
        if steps:
            generation[row.id] = steps
    if not generation:
        return rows
    return sorted(rows, key=lambda row: (row.time, generation.get(row.id, 0)), reverse=True)


def _opened(path: str) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    try:
        connection.execute("PRAGMA synchronous = OFF")  # a cache: torn is made anew
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version == 0:
            connection.execute("BEGIN EXCLUSIVE")
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if version == 0:
                _prepare(connection)
                version = VERSION
            connection.execute("COMMIT")
        if version != VERSION:
            raise sqlite3.DatabaseError("an index of another version")
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection) -> None:
    for statement in _TABLES.strip().split(";\n"):
        connection.execute(statement.rstrip(";"))
    connection.execute(f"PRAGMA user_version = {VERSION}")


def _path(archive: str, cache: str | None) -> str:
    if cache is None:
        import platformdirs

        cache = str(platformdirs.user_cache_path("xover"))
    mark = hashlib.sha256(os.path.realpath(archive).encode("utf-8", "surrogateescape"))
    return os.path.join(cache, f"archive-{mark.hexdigest()[:16]}.sqlite")
