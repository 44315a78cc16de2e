"""An index of the library: which revisions there are, so that nobody has to walk 50,000 commits to know.

`STATE/library.index`, an sqlite file. It is derived from git and never trusted over it: it names the commit up to which
it was made. A reader asks git for `main`, and walks from there down to that commit for what is newer; where that commit is
not met (a push, a restore, another clone), or the file is absent, torn or of another kind, git is read whole.

Rows are only ever added, numbered in the order of `main`; a reader keeps to the number that held when it opened. The
service writes it (it holds the lock); when none runs, a reader that had to read much leaves what it found.
"""

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from dncd.records import durable
from dncd.records.revisions import Revision
from dncd.values import Origin

Row = tuple[str, str, Revision]
"""Machine, program and the revision."""

VERSION: Final = 1
_WAIT_S: Final = 0.25
"""Seconds to wait for another one who has the file; then it is done another time."""

_TABLES: Final = """
CREATE TABLE revisions (position INTEGER PRIMARY KEY, machine TEXT, program TEXT, number INTEGER, origin TEXT, time TEXT,
    named TEXT, blob TEXT, title TEXT, chars INTEGER);
CREATE INDEX by_program ON revisions (machine, program, number);
CREATE TABLE state (head TEXT, rows INTEGER);
INSERT INTO state VALUES ('', 0);
"""


def path_of_index(state: Path) -> Path:
    return state / "library.index"


class Index:
    """An open index. head: the commit up to which it tells; rows: how many revisions that is."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Use `find` or `build`. sqlite3.Error where it is no index."""
        self._at = connection
        self.head, self.rows = b"", 0
        if connection.execute("PRAGMA user_version").fetchone() != (VERSION,):
            raise sqlite3.DatabaseError("another version")
        head, rows = connection.execute("SELECT head, rows FROM state").fetchone()
        there = connection.execute(
            "SELECT count(*), max(position) FROM revisions WHERE position <= ?", (rows,)
        ).fetchone()
        if there != (rows, rows or None):
            raise sqlite3.DatabaseError("rows are missing")
        self.head, self.rows = str(head).encode(), int(rows)

    @classmethod
    def find(cls, path: Path) -> "Index | None":
        if not path.is_file():
            return None
        mode = "rw" if os.access(path, os.W_OK) and os.access(path.parent, os.W_OK) else "ro"
        connection = None
        try:
            connection = _connect(path, mode)
            return cls(connection)
        except (sqlite3.Error, TypeError, ValueError):  # torn, or not ours: it is read from git again
            if connection is not None:
                connection.close()
            return None

    @classmethod
    def build(cls, path: Path, rows: Iterable[Row], head: bytes) -> "Index":
        """A whole index in the place of one that may be there, at one instant. sqlite3.Error, OSError: as it was."""
        temporary = path.with_name(durable.hidden_name())
        with durable.or_discarded(temporary):
            with contextlib.closing(_connect(temporary, "rwc")) as made:
                made.executescript(_TABLES)
                made.execute(f"PRAGMA user_version = {VERSION}")
                _insert(made, 0, rows, head)
            durable.DISK.rename(temporary, path)
        durable.fsync_dir(path.parent)
        return cls(_connect(path, "rw"))

    def close(self) -> None:
        self._at.close()

    def add(self, rows: Sequence[Row], head: bytes) -> None:
        """Adds what is newer, durably, whole or not at all. sqlite3.Error: nothing was added."""
        _insert(self._at, self.rows, rows, head)
        self.head, self.rows = head, self.rows + len(rows)

    def every(self) -> Iterator[Row]:
        said = (
            "SELECT machine, program, number, origin, time, named, blob, title, chars FROM revisions"
            " WHERE position <= ? ORDER BY position"
        )
        for machine, program, *columns in self._at.execute(said, (self.rows,)):
            yield machine, program, _revision(columns)

    def machines(self) -> list[str]:
        said = "SELECT DISTINCT machine FROM revisions WHERE position <= ?"
        return [machine for (machine,) in self._at.execute(said, (self.rows,))]

    def history(self, machine: str, program: str) -> list[Revision]:
        said = (
            "SELECT number, origin, time, named, blob, title, chars FROM revisions"
            " WHERE machine = ? AND program = ? AND position <= ? ORDER BY number"
        )
        return [_revision(columns) for columns in self._at.execute(said, (machine, program, self.rows))]

    def count(self, machine: str, program: str) -> int:
        said = "SELECT max(number) FROM revisions WHERE machine = ? AND program = ? AND position <= ?"
        (number,) = self._at.execute(said, (machine, program, self.rows)).fetchone()
        return int(number or 0)

    def newest(self, machine: str) -> dict[str, Revision]:
        # Columns beside a max() are those of the row that has it (sqlite.org, "Bare columns in an aggregate query").
        said = (
            "SELECT program, max(number), origin, time, named, blob, title, chars FROM revisions"
            " WHERE machine = ? AND position <= ? GROUP BY program"
        )
        return {program: _revision(columns) for program, *columns in self._at.execute(said, (machine, self.rows))}


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    """Used by one thread at a time, not by one alone: the records thread is not the one that opened it."""
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=_WAIT_S, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA synchronous = FULL")
    except sqlite3.Error:  # it is no database
        connection.close()
        raise
    return connection


def _insert(connection: sqlite3.Connection, before: int, rows: Iterable[Row], head: bytes) -> None:
    count = before

    def values() -> Iterator[tuple[Any, ...]]:
        nonlocal count
        for count, (machine, program, r) in enumerate(rows, before + 1):
            named = (r.number, r.origin.value, r.time, r.commit, r.blob, r.title, r.chars)
            yield (count, machine, program, *named)

    connection.execute("BEGIN IMMEDIATE")
    try:
        connection.executemany("INSERT INTO revisions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", values())
        connection.execute("UPDATE state SET head = ?, rows = ?", (head.decode(), count))
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _revision(columns: Sequence[Any]) -> Revision:
    number, origin, time, named, blob, title, chars = columns
    return Revision(number, Origin(origin), time, named, blob, title, chars)
