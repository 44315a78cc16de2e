"""The branch `main` as dncd moves it: git's own lock file, made so that one left by a crash is known to be ours.

Git holds a branch by making `refs/heads/main.lock`, writes the new value there and renames it (gitrepository-layout(5),
lockfile.h). dncd makes it as a second name (hard link) of a file of its own. After a crash a lock with the same inode as
that file is dncd's; any other one may be a git's that runs right now, and is left alone.
"""

import contextlib
import time
from pathlib import Path
from typing import Final

from dulwich.objects import ObjectID
from dulwich.repo import Repo

from dncd import defaults
from dncd.errors import RecordsError
from dncd.records import durable
from dncd.records.revisions import MAIN

NEW: Final = "dncd-main.new"
"""In the library's folder: the value that `main` is to get."""

_LOOK_S: Final = 0.02


class Branch:
    """The branch `main` of one library; the caller holds the state folder's lock."""

    def __init__(self, library: Path, repo: Repo) -> None:
        self._library, self._repo = library, repo
        self._main = library / MAIN.decode()
        self._lock = self._main.with_name(f"{self._main.name}.lock")
        self._new = library / NEW

    def clear(self) -> None:
        """At start: removes what a crash of dncd left, and nothing else."""
        if self._new.exists():
            if self._lock.exists() and self._lock.samefile(self._new):
                durable.discard(self._lock)
            durable.discard(self._new)

    def move(self, old: bytes | None, new: bytes) -> None:
        """From `old` to `new`, durably, at one instant. RecordsError if it is not at `old`, or somebody holds it."""
        durable.add_folder(self._main.parent)
        durable.discard(self._new)
        durable.write_temporary(self._library, [new + b"\n"], name=self._new.name)
        durable.fsync_dir(self._library)  # else a cut may leave the lock without the name that says whose it is
        with durable.or_discarded(self._new):
            self._replace(old, new)
        durable.fsync_dir(self._main.parent)
        durable.discard(self._new)

    def _replace(self, old: bytes | None, new: bytes) -> None:
        try:
            self._take()
        except OSError as error:
            if error.errno not in durable.NO_LINKS:
                raise
            # A disk without hard links: as every git does it; what a crash leaves waits until no git runs.
            if not self._repo.refs.set_if_equals(MAIN, ObjectID(old) if old else None, ObjectID(new)):
                raise self._changed() from None
            return
        with durable.or_discarded(self._lock):
            if self._repo.refs.read_ref(MAIN) != old:
                raise self._changed()
            durable.DISK.rename(self._lock, self._main)

    def _take(self) -> None:
        """Makes the lock. RecordsError when another one has it for too long."""
        until = time.monotonic() + defaults.BRANCH_WAIT_S
        while True:
            try:
                durable.DISK.link(self._new, self._lock)
            except FileExistsError:
                if self._left_behind():
                    durable.discard(self._lock)
                elif time.monotonic() > until:
                    raise RecordsError(
                        "another program holds the branch main",
                        str(self._lock),
                        "Wait until no git works in the library; if none does, remove this file",
                    ) from None
                else:
                    time.sleep(_LOOK_S)
            else:
                return

    def _left_behind(self) -> bool:
        """A lock that nobody has touched for a minute while no git runs on this machine."""
        try:
            age = time.time() - self._lock.stat().st_mtime
        except FileNotFoundError:
            return False
        return age > defaults.LOCK_LEFT_S and not git_runs()

    def _changed(self) -> RecordsError:
        return RecordsError(
            "somebody else changed the branch main",
            str(self._library),
            "Do not commit into this library by hand; dncd tries again with what is there now",
        )


def git_runs(processes: Path = Path("/proc")) -> bool:
    """Whether any git program runs here, whoever's it is; True as well where that cannot be told."""
    names = [*processes.glob("[0-9]*/comm")]
    for name in names:
        with contextlib.suppress(FileNotFoundError, ProcessLookupError):
            if name.read_bytes().startswith(b"git"):
                return True
    return not names
