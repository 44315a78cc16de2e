"""The git repository on a server that gets every revision: pushing to it, and asking what it has.

The git program does it, with the settings, keys and credential helpers of the service's user. Nothing is ever pushed by
force.
"""

import contextlib
import tempfile
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Final

from dulwich.repo import Repo

from dncd import defaults
from dncd.errors import NotDoneError
from dncd.peer_text import printable
from dncd.records.git_program import GitProgram, reason_in, without_users
from dncd.records.records_branch import BRANCH as RECORDS
from dncd.records.revisions import MAIN
from dncd.values import LibrarySettings

REFUSED: Final = (
    "its branch has revisions that this library has not: "
    "another box pushes to the same branch, or this library was set back"
)
_ALONG: Final = ("refs/notes/", "refs/tags/")


class Stand(Enum):
    """How the server's branch stands to the library."""

    EQUAL = "equal"
    NONE = "none"
    BEHIND = "behind"
    AHEAD = "ahead"
    DIFFERENT = "different"


def wanted(library: Path, branch: str) -> dict[str, str]:
    """What the server should have: its names, and git's names of commits, records, notes and tags. Under `main`
    everything bears the same name there; another branch has its own corner for notes and tags."""
    with contextlib.closing(Repo(str(library))) as repo:
        own = "" if branch == MAIN.decode().rpartition("/")[2] else f"{branch}/"
        found: dict[str, str] = {}
        for name, value in repo.refs.as_dict().items():
            text = name.decode("utf-8", "replace")
            if name == MAIN:
                found[f"refs/heads/{branch}"] = value.decode()
            elif name == RECORDS:
                found[f"refs/heads/{branch}-records"] = value.decode()
            for start in _ALONG:
                if text.startswith(start):
                    found[f"{start}{own}{text.removeprefix(start)}"] = value.decode()
        return found


class LibraryServer:
    """One server and branch, for one library. One thread at a time; `stop` from any."""

    def __init__(self, library: Path, settings: LibrarySettings) -> None:
        self._library, self._settings, self._git = library, settings, GitProgram()
        self.shown = without_users(settings.remote)

    def stop(self) -> None:
        self._git.stop()

    def push(self, refs: Mapping[str, str]) -> None:
        """Gives the server these. NotDoneError with the reason if it does not have all of them then."""
        words = [f"{value}:{name}" for name, value in refs.items()]
        slow = ["-c", "http.lowSpeedLimit=100", "-c", f"http.lowSpeedTime={defaults.ASK_SERVER_S:.0f}"]
        push = [*slow, "push", "--porcelain", "--no-verify", self._settings.remote, *words]
        done = self._git.run(push, defaults.PUSH_S, self._library)
        if done.code == 0:
            return
        refused = [line.split("\t")[1:] for line in done.out.split("\n") if line.startswith("!\t")]
        foreign = ("fetch first", "non-fast-forward")
        if any(":refs/heads/" in pair[0] and any(word in pair[-1] for word in foreign) for pair in refused):
            raise self._not_done(REFUSED)
        said = "; ".join(f"{pair[0].partition(':')[2]} {pair[-1]}" for pair in refused)
        raise self._not_done(reason_in(said) or done.why)

    def value(self) -> str:
        """The commit that the server's branch names; "" where it has no such branch. NotDoneError if it cannot be asked."""
        name = f"refs/heads/{self._settings.branch}"
        done = self._git.run(["ls-remote", "--", self._settings.remote, name], defaults.ASK_SERVER_S)
        if done.code:
            raise self._not_done(done.why)
        values = [line.split("\t")[0] for line in done.out.split("\n") if line.endswith(f"\t{name}")]
        return values[0] if values else ""

    def stand(self, main: str) -> tuple[Stand, int]:
        """How the server's branch stands to main, and by how many revisions it is behind. NotDoneError as `value`."""
        there = self.value()
        if there == main:
            return Stand.EQUAL, 0
        if not there:
            return Stand.NONE, 0
        if self._git.run(["merge-base", "--is-ancestor", there, main], defaults.ASK_SERVER_S, self._library).code == 0:
            return Stand.BEHIND, self.newer_than(there)
        return (Stand.AHEAD if self._is_ahead(main) else Stand.DIFFERENT), 0

    def newer_than(self, commit: str) -> int:
        """Commits of the library after that one; all of them where it is "", or none of the library's."""
        for span in (f"{commit}..main", "main") if commit else ("main",):
            done = self._git.run(["rev-list", "--count", span], defaults.ASK_SERVER_S, self._library)
            if done.code == 0:
                return int(done.out)
        return 0

    def title(self, commit: str) -> str:
        """The first line of a commit's message: which revision of which program it is; "" for no commit."""
        words = ["log", "-1", "--format=%s", commit]
        return printable(self._git.run(words, defaults.ASK_SERVER_S, self._library).out.strip()) if commit else ""

    def _is_ahead(self, main: str) -> bool:
        """Whether main is a part of what the server has; that is fetched to a place apart, the library stays as it is."""
        if not main:
            return True
        with tempfile.TemporaryDirectory(prefix="dncd-") as place:
            aside = Path(place) / "aside.git"
            more = {"GIT_ALTERNATE_OBJECT_DIRECTORIES": str(self._library / "objects")}
            branch = f"refs/heads/{self._settings.branch}"
            self._git.run(["init", "-q", "--bare", str(aside)], defaults.ASK_SERVER_S)
            words = ["fetch", "-q", "--no-tags", "--", self._settings.remote, branch]
            done = self._git.run(words, defaults.PUSH_S, aside, more)
            if done.code:
                raise self._not_done(done.why)
            words = ["merge-base", "--is-ancestor", main, "FETCH_HEAD"]
            return self._git.run(words, defaults.ASK_SERVER_S, aside, more).code == 0

    def _not_done(self, what: str) -> NotDoneError:
        return NotDoneError(what, self.shown, "Look at the server, its address in [library] and the key of this user")
