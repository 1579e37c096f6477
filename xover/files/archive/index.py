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
from typing import Any, NamedTuple

from xover.files.archive.place import (
    Folder,
    Found,
    changed_at,
    fold,
    folder_at,
    folders_of,
    tells_changes,
)

VERSION = 2
SETTLED_NS = 5_000_000_000
"""A folder that changed this shortly before it was looked through is looked through again."""
BUSY_S = 20.0
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
  parent TEXT, time TEXT, author TEXT, note TEXT, followed INTEGER
);
CREATE INDEX by_preset ON revisions (preset, followed);
CREATE INDEX by_parent ON revisions (parent);
CREATE VIRTUAL TABLE words USING fts5(venue, title, author, note, tags, boxes, notes);
"""


class Row(NamedTuple):
    """One revision as it is listed; `heads` counts those of its preset."""

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
            values.append(" AND ".join(_token(word) for word in words))
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
        condition = f"WHERE {' AND '.join(where)}" if where else ""
        found = self._connection.execute(
            "SELECT r.id, r.name, r.venue, r.title, r.parent, r.time, r.author, r.note, p.heads, "
            f"r.followed = 0 FROM {source} JOIN presets p ON p.number = r.preset {condition} "
            "ORDER BY r.time DESC, r.id DESC",
            values,
        )
        return _newest_first(list(map(Row._make, found)))

    def find(self, beginning: str) -> list[Row]:
        """Revisions whose name, or whose hash, begins like this."""
        like = beginning.replace("\\", "").replace("%", "").replace("_", "")
        rows = self.rows(every=True)
        return [
            row for row in rows if row.id.startswith(like) or row.id.split("-")[1].startswith(like)
        ] if like else []  # fmt: skip

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
        again = [
            Found(name, self._path_of(name))
            for name, size, changed in execute(
                "SELECT name, size, changed FROM files WHERE id IS NULL"
            ).fetchall()
            if name not in lost and _status(self._path_of(name)) != (size, changed)
        ]
        stale = [one for one in looked.values() if known.get(one.name) != one.changed]
        if not (gone or new or lost or again or stale):
            return
        with self._transaction():
            self._forget([*lost, *(one.name for one in again)])
            self._take_in([*new, *again], progress)
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
        """Say of a revision whether any other follows it, and count its preset's heads."""
        execute = self._connection.execute
        row = execute("SELECT number, preset FROM revisions WHERE id = ?", [id_]).fetchone()
        if row is None:
            return
        execute(
            "UPDATE revisions SET followed = EXISTS (SELECT 1 FROM revisions c WHERE c.parent = ?) "
            "WHERE number = ?",
            [id_, row[0]],
        )
        self._count(row[1])

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
        from xover.files.archive.place import ID, id_of
        from xover.files.archive.revision import head_of

        execute = self._connection.execute
        insert = "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?)"
        for done, one in enumerate(found):
            if progress is not None and done % 64 == 0:
                progress(done, len(found))
            status = _status(one.path)
            folder = one.name.rpartition("/")[0]
            try:
                with open(one.path, "rb") as file:
                    data = file.read()
            except OSError:
                execute(insert, [one.name, folder, None, *status])
                continue
            head = head_of(data)
            id_ = None if head is None else id_of(data, head.time)
            if id_ is not None and ID.findall(one.name.rpartition("/")[2]) not in ([id_], []):
                id_ = None  # the name speaks of other bytes
            execute(insert, [one.name, folder, id_, *status])
            if head is None or id_ is None:
                continue
            preset = head.preset
            number = self._preset(preset.venue, preset.title)
            cursor = execute(
                "INSERT OR IGNORE INTO revisions (id, name, venue, title, preset, parent, time, "
                "author, note, followed) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 0)",
                [id_, one.name, preset.venue, preset.title, number, head.parent, head.time,
                 head.author, head.note],
            )  # fmt: skip
            if not cursor.rowcount:
                continue
            boxes = " ".join(box.name for box in preset.loudspeakers)
            execute(
                "INSERT INTO words (rowid, venue, title, author, note, tags, boxes, notes) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [cursor.lastrowid, preset.venue, preset.title, head.author, head.note,
                 " ".join(preset.tags), boxes, preset.notes],
            )  # fmt: skip
            self._follow(id_)
            if head.parent is not None:
                self._follow(head.parent)
        if progress is not None:
            progress(len(found), len(found))

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


def _status(path: str) -> tuple[int, int]:
    try:
        found = os.stat(path, follow_symlinks=False)
    except OSError:
        return (-1, -1)
    return found.st_size, found.st_mtime_ns


def _token(word: str) -> str:
    """A word for full-text search, as text alone: the beginning of a word counts."""
    return '"' + word.replace('"', '""') + '"*'
