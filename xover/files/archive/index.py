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
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from xover.files.archive.place import Found, files_of, fold

VERSION = 1
BUSY_S = 20.0
Progress = Callable[[int, int], None]
"""Called with how many files are done, and of how many; may raise to stop."""

_TABLES = """
CREATE TABLE files (name TEXT PRIMARY KEY, id TEXT, size INTEGER, changed INTEGER);
CREATE TABLE revisions (
  number INTEGER PRIMARY KEY, id TEXT UNIQUE, name TEXT, venue TEXT, title TEXT, key TEXT,
  parent TEXT, time TEXT, author TEXT, note TEXT
);
CREATE INDEX by_key ON revisions (key);
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

    def refresh(self, progress: Progress | None = None) -> None:
        """Take in what has appeared, leave out what has gone; damaged files are looked at again.

        Torn or unusable indexes are thrown away and made anew.
        """
        try:
            self._refresh(progress)
        except sqlite3.DatabaseError:
            self._start_over()
            self._refresh(progress)

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
        if words:
            where.append("r.number IN (SELECT rowid FROM words WHERE words MATCH ?)")
            values.append(" AND ".join(_token(word) for word in words))
        for field, value in (("venue", venue), ("title", title)):
            if value is not None:
                position = "1" if field == "venue" else "2"
                where.append(f"part(r.key, {position}) = ?")
                values.append(fold(value))
        if since is not None:
            where.append("r.time >= ?")
            values.append(since)
        if until is not None:
            where.append("r.time <= ?")
            values.append(until)
        if not every:
            where.append("NOT EXISTS (SELECT 1 FROM revisions c WHERE c.parent = r.id)")
        condition = f"WHERE {' AND '.join(where)}" if where else ""
        query = f"""
            WITH heads AS (
              SELECT key, count(*) AS n FROM revisions h
              WHERE NOT EXISTS (SELECT 1 FROM revisions c WHERE c.parent = h.id) GROUP BY key)
            SELECT r.id, r.name, r.venue, r.title, r.parent, r.time, r.author, r.note,
              coalesce(heads.n, 0),
              NOT EXISTS (SELECT 1 FROM revisions c WHERE c.parent = r.id)
            FROM revisions r LEFT JOIN heads ON heads.key = r.key {condition}
            ORDER BY r.time DESC, r.id DESC
        """
        found = self._connection.execute(query, values)
        return [Row._make((*row[:9], bool(row[9]))) for row in found]

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

    def _refresh(self, progress: Progress | None) -> None:
        found = {one.name: one for one in files_of(self.archive)}
        known: dict[str, tuple[str | None, int, int]] = {
            name: (id_, size, changed)
            for name, id_, size, changed in self._connection.execute("SELECT * FROM files")
        }
        gone = [name for name in known if name not in found]
        new = [one for name, one in found.items() if name not in known]
        again = [
            found[name]
            for name, (id_, size, changed) in known.items()
            if id_ is None and name in found and _status(found[name].path) != (size, changed)
        ]
        if not (gone or new or again):
            return
        with self._transaction():
            self._forget([*gone, *(one.name for one in again)])
            self._take_in([*new, *again], progress)

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
            row = execute("SELECT number FROM revisions WHERE id = ?", [id_]).fetchone()
            if row is not None:
                execute("DELETE FROM words WHERE rowid = ?", row)
                execute("DELETE FROM revisions WHERE number = ?", row)

    def _take_in(self, found: Sequence[Found], progress: Progress | None) -> None:
        from xover.files.archive.place import ID, id_of
        from xover.files.archive.revision import head_of

        execute = self._connection.execute
        for done, one in enumerate(found):
            if progress is not None and done % 64 == 0:
                progress(done, len(found))
            status = _status(one.path)
            try:
                with open(one.path, "rb") as file:
                    data = file.read()
            except OSError:
                execute("INSERT OR REPLACE INTO files VALUES (?, NULL, ?, ?)",
                        [one.name, *status])  # fmt: skip
                continue
            head = head_of(data)
            id_ = None if head is None else id_of(data, head.time)
            if id_ is not None and ID.findall(one.name.rpartition("/")[2]) not in ([id_], []):
                id_ = None  # the name speaks of other bytes
            execute("INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?)", [one.name, id_, *status])
            if head is None or id_ is None:
                continue
            preset = head.preset
            key = "\n".join((fold(preset.venue), fold(preset.title)))
            cursor = execute(
                "INSERT OR IGNORE INTO revisions (id, name, venue, title, key, parent, time, "
                "author, note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [id_, one.name, preset.venue, preset.title, key, head.parent, head.time,
                 head.author, head.note],
            )  # fmt: skip
            if cursor.rowcount:
                boxes = " ".join(box.name for box in preset.loudspeakers)
                execute(
                    "INSERT INTO words (rowid, venue, title, author, note, tags, boxes, notes) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    [cursor.lastrowid, preset.venue, preset.title, head.author, head.note,
                     " ".join(preset.tags), boxes, preset.notes],
                )  # fmt: skip
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
        _functions(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection) -> None:
    for statement in _TABLES.strip().split(";\n"):
        connection.execute(statement.rstrip(";"))
    connection.execute(f"PRAGMA user_version = {VERSION}")
    _functions(connection)


def _functions(connection: sqlite3.Connection) -> None:
    connection.create_function("part", 2, _part, deterministic=True)


def _part(key: str, number: int) -> str:
    return key.split("\n")[int(number) - 1]


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
