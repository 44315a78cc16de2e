"""The round that is made of all lines, and whether the service as a whole is well: its threads, its disks.

Each line is served once, tells its status, and only then is the watchdog fed. One line at a time, spread over the round, so
that 128 of them never keep the loop from a character for long. What feeds the watchdog is having been there: a line whose
port hangs in a system call keeps the loop, and so the dog, waiting. A line that raises is that line's own trouble, and has
been there. What is wrong is found anew each round, so it clears itself.
"""

import functools
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.outside.journal import journal
from dncd.outside.loop import Loop
from dncd.outside.threads import Fate, Thread
from dncd.outside.workers import APART, Workers
from dncd.records.durable import free_bytes
from dncd.records.problems import Problem
from dncd.station.driver import Station

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


_CLOSEST_S = 0.005
"""Least seconds between two lines of a round."""


class Rounds:
    """A client of the loop that serves and visits one station after another. every_s: seconds for a whole round; visit:
    called for each station after it answered; over: called after each round."""

    def __init__(
        self,
        loop: Loop,
        stations: Mapping[str, Station],
        every_s: float,
        visit: Callable[[Station], None],
        over: Callable[[], None],
    ) -> None:
        self._loop, self._stations, self._every_s = loop, stations, every_s
        self._visit, self._over = visit, over
        self._left: list[str] = []
        self._first = True

    def on_input(self, now: float) -> None:
        """It has no port."""

    def broke(self, error: Exception) -> None:
        """Without rounds nobody feeds the watchdog: the service had better start anew."""
        self._loop.broke(error)

    def on_due(self, now: float) -> None:
        if not self._left:
            self._left = list(self._stations)[::-1]
        if self._left:
            station = self._stations.get(self._left.pop())
            if station is not None:  # a reload may have let it go
                self._loop.serve(station, station.kick)
                self._loop.serve(station, functools.partial(self._visit, station))
        if not self._left:
            self._over()
            self._first = False
        gap = _CLOSEST_S if self._first else max(_CLOSEST_S, self._every_s / max(1, len(self._stations)))
        self._loop.due(self, self._loop.now() + gap)


class Health:
    """`look` once a round. problems: what is wrong now, by its kind, which stays the same while it lasts, though its
    figures change; room: free bytes, by name of the folder (None: not known). threads: all that the service lives by
    beside the workers, asked at each look."""

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
        self.problems: dict[str, Problem] = {}
        self.room: dict[str, int | None] = dict.fromkeys(folders)

    def set(self, kind: str, problem: Problem | None) -> None:
        """What somebody else found wrong with the service, until it is taken back with None."""
        self._extra.pop(kind, None)
        if problem is not None:
            self._extra[kind] = problem

    def look(self) -> bool:
        """Whether the watchdog may be fed: a disk that hangs is told and no reason to start anew, a dead thread is, if what
        it does is vital."""
        if self._rounds % ROOM_EVERY == 0 and not self._asking:
            self._ask_room()
        self._rounds += 1
        threads = (*(worker.thread for worker in self._workers.named().values()), *self._threads())
        dead = [thread for thread in threads if thread.fault and not thread.alive()]
        self.problems = dict((*map(_of_dead, dead), *self._slow(), *self._low(), *self._extra.items()))
        self._tell()
        return not any(Fate.VITAL in thread.fate and not thread.alive() for thread in dead)

    def _slow(self) -> Iterable[tuple[str, Problem]]:
        for name, spent in self._workers.slow(SLOW_S).items():
            what = f"{_WHAT[name]} has taken {spent:.0f} s so far"
            where = str(self._folders["folder" if name in ("checks", "notes") else "state"])
            yield f"slow-{name}", Problem(what, where, "look at that disk or share; it goes on by itself")

    def _tell(self) -> None:
        """What is wrong is told once, and once more when it is over."""
        for kind in self.problems.keys() - self._told:
            journal().warning("service", **self.problems[kind].fields)
        for kind in self._told - self.problems.keys():
            journal().info("service well again", what=kind)
        self._told = set(self.problems)

    def _low(self) -> Iterable[tuple[str, Problem]]:
        for name, room in self.room.items():
            if room is not None and room < defaults.DISK_LOW_BYTES:
                what = f"the disk has {room // 1_000_000} MB left, less than {defaults.DISK_LOW_BYTES // 1_000_000}"
                yield f"low-{name}", Problem(what, str(self._folders[name]), "make room there")

    def _ask_room(self) -> None:
        """In a thread: a share that hangs must not keep the loop."""
        self._asking = True
        self._workers.notes.do(
            lambda: {name: free_bytes(folder) for name, folder in self._folders.items()},
            self._told_room,
            lambda _: self._told_room(dict.fromkeys(self._folders)),
        )

    def _told_room(self, room: dict[str, int | None]) -> None:
        self._asking, self.room = False, room


def _of_dead(thread: Thread) -> tuple[str, Problem]:
    """A thread that has ended by a fault; it is started anew here where that is its fate."""
    what = f"the {thread.name} thread has ended by a fault of dncd" + (f" ({thread.fault})" if thread.fault else "")
    next_step = "report it with what `dncd report` packs"
    if thread.revive():
        what = f"{what}; it was started anew"
    else:
        next_step = f"restart it, and {next_step}"
    return f"dead-{thread.name}", Problem(what, "the service", next_step)
