"""The library: a bare git repository with one commit for each revision, readable by any git (contract 5).

`STATE/library.git`, branch `main`, `MACHINE/PROGRAM.nc`. One folder a machine keeps a commit small (a flat tree costs ten
times as much). Objects are written by a writer of our own: dulwich's leaves lock files after a crash that later refuse the
very same content, and does not sync. Objects first, then their folders, then the branch by compare-and-swap.
"""

import contextlib
import hashlib
import os
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Final, cast

from dulwich.errors import ChecksumMismatch, ObjectFormatException
from dulwich.objects import Commit, ObjectID, ShaFile, Tree
from dulwich.refs import Ref
from dulwich.repo import Repo

from dncd.errors import RecordsError
from dncd.records import durable
from dncd.values import Origin

MAIN: Final = Ref(b"refs/heads/main")
SUFFIX: Final = ".nc"
_UNREADABLE: Final = (
    KeyError,
    OSError,
    zlib.error,
    ValueError,
    AssertionError,
    ObjectFormatException,
    ChecksumMismatch,
)
_IDENTITY: Final = b"dncd <dncd@localhost>"
_FILE: Final = 0o100644
_FOLDER: Final = 0o040000


@dataclass(frozen=True, slots=True)
class Text:
    """The text of a revision, given as often as needed without holding it: chunks and their size in bytes."""

    chunks: Callable[[], Iterable[bytes]]
    size: int

    @classmethod
    def of(cls, data: bytes) -> "Text":
        """A text that is in memory."""
        return cls(lambda: [data], len(data))


@dataclass(frozen=True, slots=True)
class Revision:
    """number: from 1; time: ISO 8601, UTC; commit, blob: git's names, hex; sha256: of the text, hex, where known."""

    number: int
    origin: Origin
    time: str
    commit: str
    blob: str


@dataclass(frozen=True, slots=True)
class Made:
    """What `revise` did. new: whether a commit was made, or the newest revision already had this text."""

    revision: Revision
    new: bool


def path_of(state: Path) -> Path:
    """Where the library is."""
    return state / "library.git"


class Library:
    """The library of one state folder. `Writer` makes revisions; this reads them, also beside a running service."""

    def __init__(self, state: Path) -> None:
        self.path = path_of(state)
        if not (self.path / "HEAD").is_file():
            raise RecordsError("there is no library", str(self.path), "Start the service once, it makes one")
        self.repo = Repo(str(self.path))
        self._histories: dict[tuple[str, str], list[Revision]] | None = None
        self._read_from: bytes | None = None

    def __enter__(self) -> "Library":
        return self

    def __exit__(self, _kind: type[BaseException] | None, _error: object, _trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Gives the files back."""
        self.repo.close()

    def head(self) -> bytes | None:
        """The newest commit; None in an empty library."""
        return self.repo.refs.read_ref(MAIN)

    def machines(self) -> list[str]:
        """Machines that have programs."""
        return sorted({machine for machine, _ in self._read()})

    def programs(self, machine: str) -> list[str]:
        """Programs of a machine, by name."""
        return sorted(program for where, program in self._read() if where == machine)

    def history(self, machine: str, program: str) -> list[Revision]:
        """Revisions of a program, oldest first; [] where there is none."""
        return list(self._read().get((machine, program), []))

    def text(self, machine: str, program: str, number: int = 0) -> str:
        """The text of a revision, the newest by default. RecordsError if there is none."""
        history = self.history(machine, program)
        chosen = history[-1:] if number == 0 else [r for r in history if r.number == number]
        if not chosen:
            raise RecordsError("there is no such revision", f"{machine}/{program}", "Look at `dncd programs`")
        return self.blob(chosen[0].blob).decode("utf-8")

    def blob(self, name: str) -> bytes:
        """The bytes of a text by git's name of it. RecordsError if it is gone or damaged."""
        try:
            found = self.repo.object_store[ObjectID(name.encode())]
            data = found.as_raw_string()
        except _UNREADABLE as error:
            raise RecordsError(
                f"the object {name} cannot be read: {error}", str(self.path), "Take it from a backup"
            ) from error
        if hashlib.sha1(b"blob %d\0" % len(data) + data, usedforsecurity=False).hexdigest() != name:
            raise RecordsError(f"the object {name} was changed", str(self.path), "Take it from a backup")
        return data

    def commits(self) -> Iterator[Commit]:
        """Commits of main along first parents, newest first. RecordsError where one is gone."""
        at = self.head()
        while at is not None:
            try:
                commit = self.repo.object_store[ObjectID(at)]
            except _UNREADABLE as error:
                raise RecordsError(
                    f"the commit {at.decode()} cannot be read", str(self.path), "Take it from a backup"
                ) from error
            if not isinstance(commit, Commit):
                raise RecordsError(f"{at.decode()} is no commit", str(self.path), "Take the library from a backup")
            yield commit
            at = commit.parents[0] if commit.parents else None

    def _read(self) -> dict[tuple[str, str], list[Revision]]:
        """Histories by machine and program; read on from where the last reading ended."""
        head = self.head()
        if self._histories is not None and self._read_from == head:
            return self._histories
        fresh: list[tuple[tuple[str, str], Revision]] = []
        known = self._histories if self._histories is not None else {}
        for commit in self.commits():
            if commit.id == self._read_from:
                break
            trailers = trailers_of(commit)
            if "Program" not in trailers:
                continue
            when = datetime.fromtimestamp(commit.commit_time, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            origin = Origin(trailers.get("From", "office"))
            made = Revision(0, origin, when, commit.id.decode(), trailers.get("Blob", ""))
            fresh.append(((trailers.get("Machine", ""), trailers["Program"]), made))
        else:
            known = {}  # not the history that was read before: read it all
        for key, made in reversed(fresh):
            history = known.setdefault(key, [])
            history.append(Revision(len(history) + 1, made.origin, made.time, made.commit, made.blob))
        self._histories, self._read_from = known, head
        return known


def trailers_of(commit: Commit) -> dict[str, str]:
    """The `Key: value` lines at the end of a commit's message."""
    last = commit.message.decode("utf-8", "replace").rstrip("\n").rpartition("\n\n")[2]
    return {key: value.strip() for key, colon, value in (line.partition(":") for line in last.split("\n")) if colon}


class Writer(Library):
    """The one writer of the library; the caller holds the state folder's lock."""

    def __init__(self, state: Path, disk: durable.Disk = durable.DISK) -> None:
        self._disk = disk
        path = path_of(state)
        if not (path / "HEAD").is_file():
            durable.make_folder(path, disk)
            Repo.init_bare(str(path), default_branch=b"main").close()
            durable.fsync_dir(path, disk)
        for lock in [*path.glob("*.lock"), *path.glob("refs/heads/*.lock"), *path.glob("objects/??/*.lock")]:
            durable.discard(lock, disk)  # nobody else writes here (we hold the lock): what is left is from a crash
        super().__init__(state)

    def revise(self, machine: str, program: str, text: Text, origin: Origin, trailers: Mapping[str, str]) -> Made:
        """Makes a revision, durably, unless the newest one has this very text. OSError leaves the library as it was."""
        blob = blob_name(text)
        history = self.history(machine, program)
        if history and history[-1].blob == blob:
            return Made(history[-1], new=False)
        folders = {self._write_blob(text, blob)}
        old = self.head()
        root, folder = self._trees(old, machine)
        folder[(program + SUFFIX).encode()] = (_FILE, ObjectID(blob.encode()))
        root[machine.encode()] = (_FOLDER, folder.id)
        commit = Commit()
        commit.tree = root.id
        commit.parents = [ObjectID(old)] if old else []
        commit.author = commit.committer = _IDENTITY
        commit.commit_time = commit.author_time = int(time.time())
        commit.commit_timezone = commit.author_timezone = 0
        commit.encoding = b"UTF-8"
        number = len(history) + 1
        lines = {"Machine": machine, "Program": program, "From": origin.value, **trailers, "Blob": blob}
        foot = "\n".join(f"{key}: {value}" for key, value in lines.items())
        commit.message = f"{program} at {machine}, revision {number} from the {origin.value}\n\n{foot}\n".encode()
        folders |= {self._write(item) for item in (folder, root, commit)}
        for where in folders:
            durable.fsync_dir(where, self._disk)
        self._swap(old, commit.id)
        return Made(self.history(machine, program)[-1], new=True)

    def _trees(self, head: bytes | None, machine: str) -> tuple[Tree, Tree]:
        if head is None:
            return Tree(), Tree()
        commit = self.repo.object_store[ObjectID(head)]
        assert isinstance(commit, Commit)  # noqa: S101 - `main` only ever names a commit of ours
        root = self.repo.object_store[commit.tree]
        assert isinstance(root, Tree)  # noqa: S101 - likewise
        name = machine.encode()
        folder = self.repo.object_store[root[name][1]] if name in root else Tree()
        assert isinstance(folder, Tree)  # noqa: S101 - likewise
        return cast(Tree, root.copy()), cast(Tree, folder.copy())

    def _swap(self, old: bytes | None, new: bytes) -> None:
        if not self.repo.refs.set_if_equals(MAIN, ObjectID(old) if old else None, ObjectID(new)):
            raise RecordsError(
                "somebody else changed the branch main", str(self.path), "Do not commit into this library by hand"
            )
        durable.fsync_dir(self.path / "refs" / "heads", self._disk)

    def _write(self, item: ShaFile) -> Path:
        name = item.id.decode()
        return self._write_object(name, [zlib.compress(_header(item) + item.as_raw_string(), 1)])

    def _write_blob(self, text: Text, name: str) -> Path:
        def packed() -> Iterator[bytes]:
            packer = zlib.compressobj(1)
            yield packer.compress(b"blob %d\0" % text.size)
            for chunk in text.chunks():
                yield packer.compress(chunk)
            yield packer.flush()

        return self._write_object(name, packed())

    def _write_object(self, name: str, packed: Iterable[bytes]) -> Path:
        """Writes an object whole under its name, unless it is there; the folder to sync."""
        folder = self.path / "objects" / name[:2]
        target = folder / name[2:]
        with contextlib.suppress(FileNotFoundError):
            self._disk.utime(target)  # there already: freshened, so that no clean-up takes it for old
            return folder
        durable.make_folder(folder, self._disk)
        temporary = durable.write_temporary(folder, packed, self._disk, name=f"tmp_obj_{os.urandom(6).hex()}")
        temporary.chmod(0o444)
        self._disk.rename(temporary, target)
        return folder


def _header(item: ShaFile) -> bytes:
    return b"%s %d\0" % (item.type_name, item.raw_length())


def blob_name(text: Text) -> str:
    """git's name of a text: SHA-1 of `blob SIZE NUL` and its bytes. ValueError if the chunks are not of that size."""
    digest = hashlib.sha1(b"blob %d\0" % text.size, usedforsecurity=False)
    size = 0
    for chunk in text.chunks():
        digest.update(chunk)
        size += len(chunk)
    if size != text.size:
        raise ValueError(f"the text has {size} bytes, not {text.size}")
    return digest.hexdigest()
