"""A thread of its own that keeps a server up to date with the library; it holds up neither a line nor the records.

It pushes after every revision (`wake`), looks now and then for records, notes and tags, and waits ever longer after a
failure. What it reached last is kept in `STATE/library.pushed` for the status after a restart; nothing is decided by
that file.
"""

import contextlib
import threading
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

from dncd import defaults
from dncd.errors import DncdError
from dncd.outside.library_server import LibraryServer, wanted
from dncd.outside.threads import Fate, Thread
from dncd.peer_text import printable
from dncd.records import codec, durable, records_branch
from dncd.records.ledger import utc_now
from dncd.records.library import path_of
from dncd.values import LibrarySettings

_FILE: Final = "library.pushed"


@dataclass(frozen=True, slots=True)
class Pushed:
    """What is known of the server. remote: without a user; commit, what: up to where it is, "" for nothing yet; waiting:
    revisions that it has not; failing_since: "" while all is well. Times: ISO 8601, UTC."""

    remote: str
    branch: str
    commit: str = ""
    what: str = ""
    time: str = ""
    waiting: int = 0
    failing_since: str = ""
    reason: str = ""


class Pushing:
    """state: the state folder; file: the settings file, which goes along with the records; server: the one of the settings.
    first_s, longest_s: waits after failures, seconds."""

    def __init__(
        self,
        state: Path,
        settings: LibrarySettings,
        server: LibraryServer | None = None,
        *,
        file: Path | None = None,
        first_s: float = defaults.PUSH_FIRST_S,
        longest_s: float = defaults.PUSH_LONGEST_S,
    ) -> None:
        self._state, self._settings_file = state, file
        self._library, self._file = path_of(state), state / _FILE
        self._server = server or LibraryServer(self._library, settings)
        self._branch = settings.branch
        self._first_s, self._longest_s = first_s, longest_s
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._there: dict[str, str] = {}  # what this run has given the server
        self.pushed = self._remembered()
        self.thread = Thread("dncd-pushing", self._work, Fate.ANEW)

    def start(self) -> None:
        """Begins with a push, whatever was there before: the server may be another one now."""
        self.thread.start()

    def wake(self) -> None:
        """There is a new revision. Costs nothing; from any thread."""
        self._woken.set()

    def stop(self, seconds: float) -> bool:
        """Ends what is under way; whether the thread is gone. The next start pushes what is left."""
        self._stopping.set()
        self._server.stop()
        self._woken.set()
        return self.thread.join(seconds)

    def status(self) -> dict[str, Any]:
        return asdict(self.pushed)

    def _work(self) -> None:
        failed = 0
        while not self._stopping.is_set():
            self._woken.clear()
            if self._push():
                failed = 0
                self._woken.wait(defaults.PUSH_LOOK_S)
                continue
            failed += 1
            wait = min(self._first_s * 2 ** (failed - 1), self._longest_s)
            until = time.monotonic() + wait
            while not self._stopping.is_set() and (left := until - time.monotonic()) > 0:
                self._woken.wait(left)  # a new revision does not make the server come back sooner
                self._woken.clear()

    def _push(self) -> bool:
        try:
            if self._settings_file is not None:
                records_branch.bring_up(self._state, self._settings_file)
            refs = wanted(self._library, self._branch)
            due = {name: value for name, value in refs.items() if self._there.get(name) != value}
            if due:
                self._server.push(due)
        except Exception as error:  # noqa: BLE001 - this thread goes on whatever happens; what happened is told
            if not self._stopping.is_set():
                self._failed(error)
            return False
        self._there |= due
        if due or self.pushed.failing_since:
            commit = refs.get(f"refs/heads/{self._branch}", "")
            self._keep(Pushed(self._server.shown, self._branch, commit, self._server.title(commit), _now()))
        return True

    def _failed(self, error: Exception) -> None:
        reason = error.what if isinstance(error, DncdError) else f"{type(error).__name__}: {error}"
        since = self.pushed.failing_since or _now()
        waiting = self._server.newer_than(self.pushed.commit)
        self._keep(replace(self.pushed, failing_since=since, reason=printable(reason), waiting=waiting))

    def _keep(self, pushed: Pushed) -> None:
        with contextlib.suppress(OSError):  # the status after a restart says less then, no more
            durable.replace(self._file, codec.encode(pushed))
        self.pushed = pushed  # last: whoever sees it finds it kept

    def _remembered(self) -> Pushed:
        fresh = Pushed(self._server.shown, self._branch)
        try:
            kept = codec.decode(Pushed, self._file.read_bytes())
        except (OSError, ValueError, TypeError):
            return fresh
        return kept if (kept.remote, kept.branch) == (fresh.remote, fresh.branch) else fresh


def _now() -> str:
    return utc_now().strftime("%Y-%m-%dT%H:%M:%SZ")
