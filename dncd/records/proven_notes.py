"""Proven revisions as git notes: `git log --notes=proven` shows who signed a revision off, beside its commit.

`refs/notes/proven` is a branch of its own; its tree has one text for each commit that it notes, under the commit's name, in
folders of its first two digits (git-notes(1); every git reads that and the flat form, which it writes itself for few
notes). Objects first, then their folders, then the ref by compare-and-swap, as for `main` (`records/library`).
"""

import time
from pathlib import Path
from typing import Final

from dulwich.objects import Blob, Commit, ObjectID, Tree
from dulwich.refs import Ref
from dulwich.repo import Repo

from dncd.errors import RecordsError
from dncd.records import durable
from dncd.records.branch import Branch
from dncd.records.objects import ObjectWriter
from dncd.records.revisions import UNREADABLE
from dncd.records.texts import Text

NOTES: Final = Ref(b"refs/notes/proven")

NEW: Final = "dncd-proven.new"
"""In the library's folder: the value that the ref is to get."""

_FILE: Final = 0o100644
_FOLDER: Final = 0o040000
_FAN: Final = 2
_IDENTITY: Final = b"dncd <dncd@localhost>"


def note_of(repo: Repo, commit: str) -> str:
    """What is noted of a commit, "" for nothing. RecordsError if the notes cannot be read."""
    try:
        head = repo.refs.read_ref(NOTES)
        root = _tree(repo, _commit(repo, head).tree) if head else Tree()
        found = _find(repo, root, commit.encode())
        if found is None:
            return ""
        blob = repo.object_store[found[1]]
        return blob.as_raw_string().decode("utf-8", "replace")
    except UNREADABLE as error:
        raise _unreadable(repo, error) from error


class ProvenNotes:
    """The one writer of the notes; the caller holds the state folder's lock."""

    def __init__(self, library: Path, repo: Repo, disk: durable.Disk = durable.DISK) -> None:
        self._repo, self._disk = repo, disk
        self._objects = ObjectWriter(library / "objects", disk)
        self._branch = Branch(library, repo, disk, ref=NOTES, new=NEW)
        self._branch.clear()

    def add(self, commit: str, text: str) -> bool:
        """Notes a text of a commit, after what is noted of it already, durably; False if that very text is there.

        text: whole lines. RecordsError if the notes cannot be read or somebody else writes them; OSError: nothing was noted.
        """
        before = note_of(self._repo, commit)
        if text.rstrip("\n") in before.rstrip("\n").split("\n\n"):
            return False
        whole = f"{before.rstrip()}\n\n{text}" if before.strip() else text
        try:
            self._write(commit, whole)
        except UNREADABLE as error:
            if isinstance(error, OSError):
                raise
            raise _unreadable(self._repo, error) from error
        return True

    def _write(self, commit: str, text: str) -> None:
        old = self._branch.value()
        root = _tree(self._repo, _commit(self._repo, old).tree) if old else Tree()
        blob = Blob.from_string(text.encode("utf-8"))
        name = commit.encode()
        found = _find(self._repo, root, name)
        made: list[Tree] = []
        if found is not None and found[0] == name:  # the flat form, as git writes it
            root[name] = (_FILE, blob.id)
        else:
            fan = name[:_FAN]
            folder = _tree(self._repo, root[fan][1]) if fan in root else Tree()
            folder[name[_FAN:]] = (_FILE, blob.id)
            root[fan] = (_FOLDER, folder.id)
            made.append(folder)
        new = Commit()
        new.tree = root.id
        new.parents = [ObjectID(old)] if old else []
        new.author = new.committer = _IDENTITY
        new.commit_time = new.author_time = int(time.time())
        new.commit_timezone = new.author_timezone = 0
        new.encoding = b"UTF-8"
        new.message = f"Proven: {text.rstrip().rpartition(chr(10) * 2)[2].splitlines()[0]}\n".encode()
        folders = {self._objects.write_text(Text.of(blob.data), blob.id.decode())}
        folders |= {self._objects.write(item) for item in (*made, root, new)}
        for where in folders:
            durable.fsync_dir(where, self._disk)
        self._branch.move(old, new.id)


def _find(repo: Repo, root: Tree, name: bytes) -> tuple[bytes, ObjectID] | None:
    """The path of a commit's note and the text's name."""
    if name in root:
        return name, ObjectID(root[name][1])
    fan, rest = name[:_FAN], name[_FAN:]
    if fan not in root:
        return None
    folder = _tree(repo, root[fan][1])
    return (fan + b"/" + rest, ObjectID(folder[rest][1])) if rest in folder else None


def _commit(repo: Repo, name: bytes) -> Commit:
    found = repo.object_store[ObjectID(name)]
    if not isinstance(found, Commit):
        raise ValueError(f"{name!r} is no commit")
    return found


def _tree(repo: Repo, name: bytes) -> Tree:
    found = repo.object_store[ObjectID(name)]
    if not isinstance(found, Tree):
        raise ValueError(f"{name!r} is no folder")
    return found


def _unreadable(repo: Repo, error: Exception) -> RecordsError:
    return RecordsError(
        f"the notes on proven revisions cannot be read: {error}", f"{repo.path}/{NOTES.decode()}", "Run `dncd verify`"
    )
