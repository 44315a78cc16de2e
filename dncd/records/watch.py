"""Whether the state folder is still what the service wrote: looked at while it runs, for others may have hands there too."""

from pathlib import Path

from dncd.errors import RecordsError
from dncd.records.ledger import Ledger
from dncd.records.library import Library
from dncd.records.problems import Problem
from dncd.records.revisions import walk


class RecordsWatch:
    """`look` is for the records thread. ledger: why no line can be written, for any thread; None where all is well."""

    def __init__(self, state: Path, ledger: Ledger, library: Library) -> None:
        self._state, self._ledger, self._library = state, ledger, library
        self._head = library.head()
        self._set_back_to = self._head
        self.ledger: Problem | None = None

    def look(self) -> Problem | None:
        """What is wrong with ledger, captures or library now."""
        self.ledger = None
        try:
            self._ledger.check()
        except RecordsError as error:
            self.ledger = Problem.of(error, "", "")
            return self.ledger
        try:
            return self._gone() or self._set_back()
        except RecordsError as error:
            return Problem.of(error, "", "")

    def _gone(self) -> Problem | None:
        folders = [self._state / name for name in ("captures", "outgoing", "underway")]
        objects = self._library.path / "objects"
        for folder in (*folders, objects):
            if not folder.is_dir() or (folder == objects and self._head is not None and not any(folder.iterdir())):
                what = "what dncd keeps there was removed while it runs"
                return Problem(what, str(folder), "stop dncd, take it from a backup, start it again; see `dncd verify`")
        return None

    def _set_back(self) -> Problem | None:
        """Revisions that were there and that the newest commit does not know of any more."""
        head = self._library.head()
        if head not in (self._head, self._set_back_to):
            store = self._library.repo.object_store
            known = self._head is None or any(
                told.commit == self._head for told in walk(store, head, str(self._library.path))
            )
            self._head, self._set_back_to = (head, head) if known else (self._head, head)
        if head == self._head or self._head is None:
            return None
        what = f"main was set back or put elsewhere while dncd runs: it no longer holds {self._head.decode()[:12]}"
        return Problem(what, str(self._library.path), "put it back with git's update-ref; see `dncd verify`")
