"""The library: a bare git repository with one commit for each revision, readable by any git (contract 5).

`STATE/library.git`, branch `main`, `MACHINE/PROGRAM.nc`. One folder a machine keeps a commit small (a flat tree costs ten
times as much). Objects are written by a writer of our own: dulwich's leaves lock files after a crash that later refuse the
very same content, and does not sync. Objects first, then their folders, then the branch by compare-and-swap.

Which revisions there are comes from `main`, read through an index (`library_index`) that is checked against it.
"""

import contextlib
import fcntl
import hashlib
import os
import shutil
import sqlite3
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final, TypeVar, cast

from dulwich.objects import Commit, ObjectID, Tree
from dulwich.repo import Repo

from dncd import defaults
from dncd.errors import RecordsError
from dncd.program.names import title_in
from dncd.records import durable, state_format
from dncd.records.branch import Branch
from dncd.records.library_index import Index, Row, path_of_index
from dncd.records.objects import ObjectWriter, new_commit
from dncd.records.revisions import (
    MAIN,
    SUFFIX,
    UNKNOWN,
    UNREADABLE,
    CommitFacts,
    Revision,
    read_object,
    walk,
    whole_object,
)
from dncd.records.texts import Text, blob_name, facts_of
from dncd.values import Origin

__all__ = ["MAIN", "SUFFIX", "Library", "Revision", "Text", "Writer", "blob_name", "path_of"]

_FILE: Final = 0o100644
_FOLDER: Final = 0o040000

_T = TypeVar("_T")


def path_of(state: Path) -> Path:
    return state / "library.git"


class Library:
    """The library of one state folder. `Writer` makes revisions; this reads them, also beside a running service.
    `trouble`: why the index could not be written last time, "" if it could. It costs time, nothing else."""

    def __init__(self, state: Path) -> None:
        state_format.check(state)
        self.path = path_of(state)
        _check_place(self.path)
        self.repo = Repo(str(self.path))
        self.trouble = ""
        self._index_path = path_of_index(state)
        self._index = Index.find(self._index_path)
        self._lock = threading.RLock()  # the index and what is newer are asked by more than one thread
        self._newer: list[Row] = []  # revisions that the index does not have, in the order of main
        self._newer_of: dict[tuple[str, str], list[Revision]] = {}
        self._read_to: bytes | None = self._index.head if self._index else None
        self._owner = -1
        try:
            _check_branch(self.repo, self.path)
        except BaseException:
            self._let_go()
            raise

    def __enter__(self) -> "Library":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Gives the files back. Whoever had to read much leaves an index for the next one, if nobody else writes it."""
        if len(self._newer) >= defaults.INDEX_SAVE_ROWS and os.access(self._index_path.parent, os.W_OK):
            self._save_index()
        self._let_go()

    def _let_go(self) -> None:
        if self._index is not None:
            self._index.close()
        if self._owner >= 0:
            os.close(self._owner)
        self._index, self._owner = None, -1
        self.repo.close()

    def head(self) -> bytes | None:
        return self.repo.refs.read_ref(MAIN)

    def machines(self) -> list[str]:
        with self._lock:
            return sorted({*self._ask(Index.machines, list[str]), *(machine for machine, _ in self._newer_of)})

    def programs(self, machine: str) -> list[str]:
        return sorted(self.newest(machine))

    def newest(self, machine: str) -> dict[str, Revision]:
        """The newest revision of each program of a machine; its number is also how many there are."""
        with self._lock:
            found = self._ask(lambda index: index.newest(machine), dict[str, Revision])
            return found | {p: history[-1] for (m, p), history in self._newer_of.items() if m == machine}

    def history(self, machine: str, program: str) -> list[Revision]:
        """Revisions of a program, oldest first; [] where there is none."""
        with self._lock:
            old = self._ask(lambda index: index.history(machine, program), list[Revision])
            return [*old, *self._newer_of.get((machine, program), ())]

    def described(self, revision: Revision) -> Revision:
        """The revision with title and length; read from its text where the commit does not tell them."""
        if revision.chars != UNKNOWN:
            return revision
        text = self.blob(revision.blob).decode("utf-8")
        return replace(revision, title=title_in(text), chars=len(text))

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
            data = read_object(self.repo.object_store, ObjectID(name.encode()))[1]
        except UNREADABLE as error:
            raise RecordsError(
                f"the object {name} cannot be read: {error}", str(self.path), "Take it from a backup"
            ) from error
        if hashlib.sha1(b"blob %d\0" % len(data) + data, usedforsecurity=False).hexdigest() != name:
            raise RecordsError(f"the object {name} was changed", str(self.path), "Take it from a backup")
        return data

    def _ask(self, question: Callable[[Index], _T], nothing: Callable[[], _T]) -> _T:
        """What the index says, and `_newer` is complete then; an index that cannot be read is left for git."""
        try:
            self._catch_up()
            return question(self._index) if self._index else nothing()
        except (sqlite3.Error, ValueError):
            self._forget()
            self._catch_up()
            return nothing()

    def _catch_up(self) -> None:
        """Reads on from where the last reading ended; all of it where that is no longer a part of main."""
        head = self.head()
        if head == self._read_to:
            return
        fresh: list[CommitFacts] = []
        for told in walk(self.repo.object_store, head, str(self.path)):
            if told.commit == self._read_to:
                break
            if told.key is not None:
                fresh.append(told)
        else:
            self._forget()
        for told in reversed(fresh):
            assert told.key is not None  # noqa: S101 - only such were kept
            self._note(*told.key, told)
        self._read_to = head

    def _note(self, machine: str, program: str, told: CommitFacts) -> None:
        newer = self._newer_of.setdefault((machine, program), [])
        old = newer[-1].number if newer else self._index.count(machine, program) if self._index else 0
        revision = told.revision(old + 1)
        newer.append(revision)
        self._newer.append((machine, program, revision))

    def _forget(self) -> None:
        """main is not what was read before: another clone, a restore, a push by force."""
        if self._index is not None:
            self._index.close()
        self._index, self._newer, self._newer_of, self._read_to = None, [], {}, None

    def _save_index(self) -> None:
        """Adds what is newer to the index on the disk, if this process is the one that may."""
        if not self._newer or not self._own_index() or self._read_to is None:
            return
        try:
            self._write_index(self._read_to)
        except (sqlite3.Error, OSError) as error:
            self.trouble = f"{self._index_path.name} cannot be written: {error}"
        else:
            self.trouble = ""
            self._newer, self._newer_of = [], {}

    def _write_index(self, head: bytes) -> None:
        if self._index is not None:
            with contextlib.suppress(sqlite3.Error):  # such as somebody else's file: a new one is made
                self._index.add(self._newer, head)
                return
        rows = [*(self._index.every() if self._index else ()), *self._newer]
        made = Index.build(self._index_path, rows, head)
        if self._index is not None:
            self._index.close()
        self._index = made

    def _own_index(self) -> bool:
        """flock(2) on the library's folder: one process writes the index."""
        if self._owner < 0:
            fd = os.open(self.path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                os.close(fd)
                return False
            self._owner = fd
        return True


def _check_place(path: Path) -> None:
    if (path / ".git").exists():
        raise RecordsError(
            "this is a clone with a working copy, not a bare library",
            str(path),
            f"Clone it with `git clone --bare URL {path}`",
        )
    if not (path / "HEAD").is_file():
        raise RecordsError("there is no library", str(path), "Start the service once, it makes one")


def _check_branch(repo: Repo, path: Path) -> None:
    """A clone whose revisions are on another branch must not look empty."""
    others = [name.decode("utf-8", "replace") for name in repo.refs.keys() if name.startswith(b"refs/heads/")]  # noqa: SIM118
    if others and repo.refs.read_ref(MAIN) is None:  # in this order: the first revision may be made just now
        short = sorted(others)[0].removeprefix("refs/heads/")
        raise RecordsError(
            f"the library has no branch main, but {', '.join(sorted(others))}",
            str(path),
            f"Name the one with this box's revisions main: `git --git-dir={path} branch -m {short} main`",
        )


def make_empty(path: Path) -> None:
    """An empty library, whole at one instant: a kill must not leave half of one."""
    fresh = path.with_name(f"{path.name}.new")
    shutil.rmtree(fresh, ignore_errors=True)
    durable.make_folder(fresh)
    Repo.init_bare(str(fresh), default_branch=b"main").close()
    for made in fresh.rglob("*"):  # as all of dncd's own: its group reads, and does not write
        made.chmod(made.stat().st_mode & 0o755)
        (durable.fsync_dir if made.is_dir() else durable.sync_file)(made)
    durable.fsync_dir(fresh)
    durable.DISK.rename(fresh, path)
    durable.fsync_dir(path.parent)


class Writer(Library):
    """The one writer of the library; the caller holds the state folder's lock. `made` is called after each revision."""

    def __init__(self, state: Path) -> None:
        path = path_of(state)
        if not (path / "HEAD").is_file() and not (path / ".git").exists():
            make_empty(path)
        super().__init__(state)
        self.made: Callable[[], None] = lambda: None
        try:
            self._objects = ObjectWriter(self.path / "objects")
            self._branch = Branch(self.path, self.repo)
            self._branch.clear()
            self._own_index()
            self._catch_up()
            if self._index is None or len(self._newer) >= defaults.INDEX_ROWS:
                self._save_index()
        except BaseException:
            self._let_go()
            raise

    def close(self) -> None:
        """Gives the files back; the index is complete then."""
        with self._lock:
            self._save_index()
        self._let_go()

    def revise(self, machine: str, program: str, text: Text, origin: Origin, trailers: Mapping[str, str]) -> Revision:
        """Makes a revision, durably; the newest one where that has this very text. OSError leaves the library as it was."""
        facts = facts_of(text)
        blob = facts.blob
        history = self.history(machine, program)
        old = self.head()
        root, folder = self._trees(old, machine)
        file = (program + SUFFIX).encode()
        there = folder[file][1].decode() if file in folder else ""
        if there and history and history[-1].blob != there:
            with self._lock:
                # the index does not say what main holds, or somebody committed by hand: git alone is asked
                self._forget()
                history = self.history(machine, program)
        if history and history[-1].blob == blob and there == blob:
            return history[-1]
        folders = {self._objects.write_text(text, blob)}
        folder[file] = (_FILE, ObjectID(blob.encode()))
        root[machine.encode()] = (_FOLDER, folder.id)
        commit = new_commit(root.id, old)
        commit.encoding = b"UTF-8"
        number = len(history) + 1
        lines = {"Machine": machine, "Program": program, "From": origin.value, **trailers}
        lines |= {"Chars": str(facts.chars), **({"Title": facts.title} if facts.title else {}), "Blob": blob}
        foot = "\n".join(f"{key}: {value}" for key, value in lines.items())
        commit.message = f"{program} at {machine}, revision {number} from the {origin.value}\n\n{foot}\n".encode()
        folders |= {self._objects.write(item) for item in (folder, root, commit)}
        for where in folders:
            durable.fsync_dir(where)
        self._branch.move(old, commit.id)
        made = self.history(machine, program)[-1]
        with self._lock:
            if len(self._newer) >= defaults.INDEX_ROWS:
                self._save_index()
        self.made()
        return made

    def _trees(self, head: bytes | None, machine: str) -> tuple[Tree, Tree]:
        if head is None:
            return Tree(), Tree()
        store = self.repo.object_store
        commit = cast(Commit, whole_object(store, ObjectID(head)))  # `main` only ever names commits of ours
        root, name = cast(Tree, whole_object(store, commit.tree)), machine.encode()
        folder = cast(Tree, whole_object(store, root[name][1])) if name in root else Tree()
        return cast(Tree, root.copy()), cast(Tree, folder.copy())
