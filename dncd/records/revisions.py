"""Revisions as the commits of `main` tell them: one commit a revision, its facts in the trailers of the message.

| trailer       | what it says                                                            |
|---------------|-------------------------------------------------------------------------|
| `Machine`     | the machine's name, also the folder                                     |
| `Program`     | the program's name, also the file without its ending                    |
| `From`        | `office` or `machine`                                                   |
| `Blob`        | git's name of the text                                                  |
| `Chars`       | how many characters the text has; may be absent                         |
| `Title`       | its first comment; may be absent                                        |

A commit without `Machine` and `Program` is somebody else's and no revision.
"""

import contextlib
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from dulwich.errors import ChecksumMismatch, ObjectFormatException
from dulwich.object_store import BaseObjectStore
from dulwich.objects import ObjectID, ShaFile
from dulwich.refs import Ref

from dncd.errors import RecordsError
from dncd.values import Origin

MAIN: Final = Ref(b"refs/heads/main")
SUFFIX: Final = ".nc"
UNKNOWN: Final = -1

UNREADABLE: Final = (KeyError, OSError, zlib.error, ValueError, AssertionError, ObjectFormatException, ChecksumMismatch)
"""What reading an object may raise where it is gone or damaged."""

_LOOKS: Final = 4

_COMMIT: Final = 1  # gitformat-pack(5), object types


@dataclass(frozen=True, slots=True)
class Revision:
    """number: from 1; time: ISO 8601, UTC; commit, blob: git's names, hex; chars: of the text, UNKNOWN if not told."""

    number: int
    origin: Origin
    time: str
    commit: str
    blob: str
    title: str = ""
    chars: int = UNKNOWN


@dataclass(frozen=True, slots=True)
class CommitFacts:
    """A commit of `main`: its name and trailers, and when it was made (seconds since 1970)."""

    commit: bytes
    seconds: int
    trailers: dict[str, str]

    @property
    def key(self) -> tuple[str, str] | None:
        """Machine and program; None for a commit that is no revision."""
        machine, program = self.trailers.get("Machine"), self.trailers.get("Program")
        return (machine, program) if machine and program else None

    def revision(self, number: int) -> Revision:
        said = self.trailers
        origin = Origin.MACHINE if said.get("From") == Origin.MACHINE.value else Origin.OFFICE
        when = datetime.fromtimestamp(self.seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        chars = said.get("Chars", "")
        length = int(chars) if chars.isascii() and chars.isdigit() else UNKNOWN
        return Revision(number, origin, when, self.commit.decode(), said.get("Blob", ""), said.get("Title", ""), length)


def walk(store: BaseObjectStore, head: bytes | None, where: str) -> Iterator[CommitFacts]:
    """Commits along first parents, newest first. RecordsError where one is gone. `where`: for the message. Only the
    bytes that are wanted are looked at: 50,000 packed commits take well under a second."""
    at = head
    while at is not None:
        try:
            kind, raw = read_object(store, ObjectID(at))
        except UNREADABLE as error:
            raise RecordsError(
                f"the commit {at.decode()} cannot be read",
                where,
                "`dncd recover` takes the library to its newest whole state",
            ) from error
        if kind != _COMMIT:
            raise RecordsError(
                f"{at.decode()} is no commit", where, "`dncd recover` takes the library to its newest whole state"
            )
        top, _, message = raw.partition(b"\n\n")
        yield CommitFacts(at, _seconds(top), trailers_in(message))
        parent = top.find(b"\nparent ")
        at = top[parent + 8 : parent + 48] if parent >= 0 else None


def read_object(store: BaseObjectStore, name: ObjectID) -> tuple[int, bytes]:
    """Kind and bytes of an object. While the library is packed it may go from one file to another just between two looks:
    it is looked for a few times more. One of UNREADABLE where it is gone or damaged."""
    for _ in range(_LOOKS - 1):
        with contextlib.suppress(*UNREADABLE):
            return store.get_raw(name)
    return store.get_raw(name)


def whole_object(store: BaseObjectStore, name: ObjectID) -> ShaFile:
    """An object with the bytes that its name is of; one of UNREADABLE where it is gone or damaged."""
    found = ShaFile.from_raw_string(*read_object(store, name))
    if found.id != name:
        raise ValueError("its bytes are not those that gave it its name")
    return found


def _seconds(top: bytes) -> int:
    """The committer's time: the number after his address."""
    start = top.find(b"> ", top.find(b"\ncommitter ")) + 2
    try:
        return max(0, min(int(top[start:].split(None, 1)[0]), 253_402_300_799))  # the end of year 9999
    except (ValueError, IndexError):
        return 0


def trailers_in(message: bytes) -> dict[str, str]:
    """The `Key: value` lines at the end of a commit's message."""
    last = message.rstrip(b"\n").rpartition(b"\n\n")[2].decode("utf-8", "replace")
    return {key: value.strip() for key, colon, value in (line.partition(":") for line in last.split("\n")) if colon}
