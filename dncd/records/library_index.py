"""An index of the library: which revisions there are, so that nobody has to walk 50,000 commits to know.

`STATE/library.index`: a line that says what it is, then one line of JSON a revision, in the order of `main`. It is derived
from git and never trusted over it: a reader walks `main` down to the last commit that the index names for what is newer;
where that commit is not met (a push, a restore, another clone), or the file is absent, torn or of another kind, git is
read whole. The service writes it (it holds the lock); when none runs, a reader that had to read much leaves one.
"""

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from dncd.records import durable
from dncd.records.revisions import Revision
from dncd.values import Origin

Row = tuple[str, str, Revision]
"""Machine, program and the revision."""

_HEAD: Final = b"dncd library index 2\n"


def path_of_index(state: Path) -> Path:
    return state / "library.index"


def read(path: Path) -> list[Row]:
    """All revisions that the index tells; [] where there is none, or not all of it can be read."""
    try:
        head, *lines = path.read_bytes().splitlines(keepends=True)
        return [_row(line) for line in lines] if head == _HEAD else []
    except (OSError, ValueError, TypeError):
        return []


def write(path: Path, rows: Sequence[Row]) -> None:
    """A whole index in the place of one that may be there, at one instant. OSError: as it was."""
    durable.replace(path, [_HEAD, *map(_line, rows)])


def add(path: Path, rows: Sequence[Row]) -> None:
    """Adds what is newer, durably. OSError: nothing was added."""
    fd = durable.DISK.open(path, os.O_RDWR | os.O_NOFOLLOW)
    try:
        durable.append_line(fd, b"".join(map(_line, rows)), os.fstat(fd).st_size)
    finally:
        os.close(fd)


def _line(row: Row) -> bytes:
    machine, program, r = row
    return (
        json.dumps([machine, program, r.number, r.origin, r.time, r.commit, r.blob, r.title, r.chars]) + "\n"
    ).encode()


def _row(line: bytes) -> Row:
    machine, program, number, origin, time, commit, blob, title, chars = json.loads(line)
    return machine, program, Revision(number, Origin(origin), time, commit, blob, title, chars)
