"""The git repository on a server that gets every revision: pushing to it, and asking what it has.

The git program does it where there is one, with the settings, keys and credential helpers of the service's user; without
it dulwich does (over ssh with the same keys). Nothing is ever pushed by force.
"""

import tempfile
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Any, Final

from dulwich.client import get_transport_and_path
from dulwich.objects import ObjectID
from dulwich.refs import Ref
from dulwich.repo import Repo

from dncd import defaults
from dncd.errors import NotDoneError
from dncd.records.git_program import GitProgram, reason_in, without_users
from dncd.records.revisions import MAIN, walk
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
    """What the server should have: its names, and git's names of commits, notes and tags.

    Under `main` everything bears the same name there; another branch has its own corner for notes and tags.
    """
    repo = Repo(str(library))
    try:
        own = "" if branch == MAIN.decode().rpartition("/")[2] else f"{branch}/"
        found: dict[str, str] = {}
        for name, value in repo.refs.as_dict().items():
            text = name.decode("utf-8", "replace")
            if name == MAIN:
                found[f"refs/heads/{branch}"] = value.decode()
            for start in _ALONG:
                if text.startswith(start):
                    found[f"{start}{own}{text.removeprefix(start)}"] = value.decode()
        return found
    finally:
        repo.close()


class LibraryServer:
    """One server and branch, for one library. One thread at a time; `stop` from any."""

    def __init__(self, library: Path, settings: LibrarySettings, git: GitProgram | None) -> None:
        self._library, self._settings, self._git = library, settings, git
        self.shown = without_users(settings.remote)

    def stop(self) -> None:
        """Ends what is under way."""
        if self._git is not None:
            self._git.stop()

    def push(self, refs: Mapping[str, str]) -> None:
        """Gives the server these. NotDoneError with the reason if it does not have all of them then."""
        if self._git is None:
            self._push_without_git(refs)
            return
        words = [f"{value}:{name}" for name, value in refs.items()]
        slow = ["-c", "http.lowSpeedLimit=100", "-c", f"http.lowSpeedTime={defaults.ASK_SERVER_S:.0f}"]
        done = self._git.run(
            [*slow, "push", "--porcelain", "--no-verify", self._settings.remote, *words],
            defaults.PUSH_S,
            self._library,
        )
        if done.code == 0:
            return
        refused = [line.split("\t")[1:] for line in done.out.split("\n") if line.startswith("!\t")]
        if any(f"refs/heads/{self._settings.branch}" in pair[0] and _is_foreign(pair[-1]) for pair in refused):
            raise self._not_done(REFUSED)
        said = "; ".join(f"{pair[0].partition(':')[2]} {pair[-1]}" for pair in refused)
        raise self._not_done(reason_in(said) or done.why)

    def value(self) -> str:
        """The commit that the server's branch names; "" where it has no such branch. NotDoneError if it cannot be asked."""
        name = f"refs/heads/{self._settings.branch}"
        if self._git is None:
            return self._refs_without_git().get(name, "")
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
        behind = self._behind(there, main)
        if behind >= 0:
            return Stand.BEHIND, behind
        return (Stand.AHEAD if self._is_ahead(main) else Stand.DIFFERENT), 0

    def _behind(self, there: str, main: str) -> int:
        """Commits from `there` to main; -1 where it is no part of main."""
        repo = Repo(str(self._library))
        try:
            for count, told in enumerate(walk(repo.object_store, main.encode() or None, str(self._library))):
                if told.commit == there.encode():
                    return count
        finally:
            repo.close()
        return -1

    def _is_ahead(self, main: str) -> bool:
        """Whether main is a part of what the server has; that is fetched to a place apart, the library stays as it is."""
        if self._git is None or not main:
            return not main
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

    # --- without the git program ---------------------------------------------------------------------------------------

    def _client(self) -> Any:
        return get_transport_and_path(self._settings.remote)

    def _refs_without_git(self) -> dict[str, str]:
        try:
            client, path = self._client()
            refs = client.get_refs(path.encode() if isinstance(path, str) else path).refs
        except Exception as error:  # noqa: BLE001 - whatever a transport meets is the reason to tell
            raise self._not_done(_plain(error)) from None
        return {name.decode(): value.decode() for name, value in refs.items() if value}

    def _push_without_git(self, refs: Mapping[str, str]) -> None:
        repo = Repo(str(self._library))
        try:
            client, path = self._client()

            def choose(there: Mapping[Ref, ObjectID]) -> dict[Ref, ObjectID]:
                old = there.get(Ref(f"refs/heads/{self._settings.branch}".encode()))
                mine = refs.get(f"refs/heads/{self._settings.branch}", "")
                if old and mine and old.decode() != mine and self._behind(old.decode(), mine) < 0:
                    raise self._not_done(REFUSED)
                return {Ref(name.encode()): ObjectID(value.encode()) for name, value in refs.items()}

            result = client.send_pack(path, choose, repo.generate_pack_data)
        except NotDoneError:
            raise
        except Exception as error:  # noqa: BLE001 - likewise
            raise self._not_done(_plain(error)) from None
        finally:
            repo.close()
        wrong = {name: said for name, said in (result.ref_status or {}).items() if said}
        if wrong:
            raise self._not_done("; ".join(f"{name.decode()}: {said}" for name, said in wrong.items()))


def _is_foreign(said: str) -> bool:
    return "fetch first" in said or "non-fast-forward" in said


def _plain(error: Exception) -> str:
    return reason_in(f"{error}" or type(error).__name__) or type(error).__name__
