"""Whether the service as a whole is well: its threads, its disks. Found anew each round, so it clears itself."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.outside.disk_room import free_bytes
from dncd.outside.journal import journal
from dncd.outside.threads import Fate, Thread
from dncd.outside.workers import APART, Workers
from dncd.service.rounds import Round

SLOW_S: Final = 10.0
"""Seconds that one job of a thread may take before it is told: the largest file is read and checked in less."""

ROOM_EVERY: Final = 5
"""Rounds between two looks at the room on the disks: ten seconds, in which no line fills what the warning leaves."""

_WHAT: Final = {
    "records": "writing the records to the disk",
    "captures": "writing what a control punches to the disk",
    "checks": "reading a dropped file",
    "supply": "reading a tape image from the disk",
    APART: "reading what a control punched",
    "notes": "writing STATUS.txt into the shared folder",
}


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that is wrong with the service now. kind: stays the same while it lasts, though its figures change."""

    kind: str
    what: str
    where: str
    next_step: str

    def __str__(self) -> str:
        return f"{self.what} ({self.where}): {self.next_step}"


class Health:
    """`look` once a round. problems: what is wrong now; room: free bytes, by name of the folder (None: not known).

    threads: all that the service lives by beside the workers, asked at each look.
    """

    def __init__(
        self,
        workers: Workers,
        folders: Mapping[str, Path],
        threads: Callable[[], Iterable[Thread]] = tuple,
    ) -> None:
        self._workers, self._folders, self._threads = workers, dict(folders), threads
        self._rounds = 0
        self._asking = False
        self._extra: dict[str, Problem] = {}
        self._told: set[str] = set()
        self.problems: tuple[Problem, ...] = ()
        self.room: dict[str, int | None] = dict.fromkeys(folders)

    def set(self, kind: str, problem: Problem | None) -> None:
        """What somebody else found wrong with the service, until it is taken back with None."""
        self._extra.pop(kind, None)
        if problem is not None:
            self._extra[kind] = problem

    def look(self, _over: Round) -> bool:
        """Whether the watchdog may be fed: a disk that hangs is told and no reason to start anew, a dead thread is, if what
        it does is vital."""
        if self._rounds % ROOM_EVERY == 0 and not self._asking:
            self._ask_room()
        self._rounds += 1
        dead = [thread for thread in self._all_threads() if thread.fault and not thread.alive()]
        self.problems = (*map(_of_dead, dead), *self._slow(), *self._low(), *self._extra.values())
        self._tell()
        return not any(Fate.VITAL in thread.fate and not thread.alive() for thread in dead)

    def _all_threads(self) -> Iterable[Thread]:
        yield from (worker.thread for worker in self._workers.named().values())
        yield from self._threads()

    def _slow(self) -> Iterable[Problem]:
        for name, spent in self._workers.slow(SLOW_S).items():
            what = f"{_WHAT[name]} has taken {spent:.0f} s so far"
            where = str(self._folders["folder" if name in ("checks", "notes") else "state"])
            yield Problem(f"slow-{name}", what, where, "look at that disk or share; it goes on by itself")

    def _tell(self) -> None:
        """What is wrong is told once, and once more when it is over."""
        found = {problem.kind: problem for problem in self.problems}
        for kind in found.keys() - self._told:
            problem = found[kind]
            journal().warning("service", what=problem.what, where=problem.where, next=problem.next_step)
        for kind in self._told - found.keys():
            journal().info("service well again", what=kind)
        self._told = set(found)

    def _low(self) -> Iterable[Problem]:
        for name, room in self.room.items():
            if room is not None and room < defaults.DISK_LOW_BYTES:
                what = f"the disk has {room // 1_000_000} MB left, less than {defaults.DISK_LOW_BYTES // 1_000_000}"
                yield Problem(f"low-{name}", what, str(self._folders[name]), "make room there")

    def _ask_room(self) -> None:
        """In a thread: a share that hangs must not keep the loop."""
        self._asking = True
        self._workers.notes.do(
            lambda: {name: free_bytes(folder) for name, folder in self._folders.items()},
            self._told_room,
            self._not_told,
        )

    def _told_room(self, room: dict[str, int | None]) -> None:
        self._asking, self.room = False, room

    def _not_told(self, _error: Exception) -> None:
        self._asking, self.room = False, dict.fromkeys(self._folders)


def _of_dead(thread: Thread) -> Problem:
    """A thread that has ended by a fault; it is started anew here where that is its fate."""
    what = f"the {thread.name} thread has ended by a fault of dncd" + (f" ({thread.fault})" if thread.fault else "")
    next_step = "report it with what `dncd report` packs"
    if thread.revive():
        return Problem(f"dead-{thread.name}", f"{what}; it was started anew", "the service", next_step)
    return Problem(f"dead-{thread.name}", what, "the service", f"restart it, and {next_step}")
