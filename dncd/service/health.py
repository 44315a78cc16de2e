"""Whether the service as a whole is well: its threads, the room on its disks. Found anew each round, so it clears itself."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.outside.disk_room import free_bytes
from dncd.service.rounds import Round
from dncd.station.hands import Hands

SLOW_S: Final = 10.0
"""Seconds that one job of a thread may take before it is told: the largest file is read and checked in less."""

ROOM_EVERY: Final = 5
"""Rounds between two looks at the room on the disks: ten seconds, in which no line fills what the warning leaves."""

_WHAT: Final = {
    "records": "writing the records to the disk",
    "captures": "writing what a control punches to the disk",
    "checks": "reading a dropped file",
    "supply": "reading a tape image from the disk",
    "notes": "writing STATUS.txt into the shared folder",
}


@dataclass(frozen=True, slots=True)
class Ill:
    """Something that is wrong with the service now. kind: stays the same while it lasts, though its figures change."""

    kind: str
    what: str
    where: str
    next_step: str

    def __str__(self) -> str:
        return f"{self.what} ({self.where}): {self.next_step}"


class Health:
    """`look` once a round. ills: what is wrong now; room: bytes that are free, by name of the folder (None: not known)."""

    def __init__(self, hands: Hands, folders: Mapping[str, Path]) -> None:
        self._hands, self._folders = hands, dict(folders)
        self._rounds = 0
        self._asking = False
        self._extra: dict[str, Ill] = {}
        self.ills: tuple[Ill, ...] = ()
        self.room: dict[str, int | None] = dict.fromkeys(folders)

    def set(self, kind: str, ill: Ill | None) -> None:
        """What somebody else found wrong with the service, until it is taken back with None."""
        self._extra.pop(kind, None)
        if ill is not None:
            self._extra[kind] = ill

    def look(self, _over: Round) -> bool:
        """Whether the watchdog may be fed: a disk that hangs is told and no reason to start anew, a dead thread is."""
        if self._rounds % ROOM_EVERY == 0 and not self._asking:
            self._ask_room()
        self._rounds += 1
        dead = self._hands.dead()
        self.ills = (*self._threads(dead), *self._low(), *self._extra.values())
        return not dead

    def _threads(self, dead: Iterable[str]) -> Iterable[Ill]:
        for name in dead:
            what = f"the {name} thread has ended by a fault of dncd"
            yield Ill(f"dead-{name}", what, "the service", "restart it, and report it with what `dncd report` packs")
        for name, spent in self._hands.slow(SLOW_S).items():
            what = f"{_WHAT[name]} has taken {spent:.0f} s so far"
            where = str(self._folders["folder" if name in ("checks", "notes") else "state"])
            yield Ill(f"slow-{name}", what, where, "look at that disk or share; it goes on by itself")

    def _low(self) -> Iterable[Ill]:
        for name, room in self.room.items():
            if room is not None and room < defaults.DISK_LOW_BYTES:
                what = f"the disk has {room // 1_000_000} MB left, less than {defaults.DISK_LOW_BYTES // 1_000_000}"
                yield Ill(f"low-{name}", what, str(self._folders[name]), "make room there")

    def _ask_room(self) -> None:
        """In a thread: a share that hangs must not keep the loop."""
        self._asking = True
        self._hands.notes.do(
            lambda: {name: free_bytes(folder) for name, folder in self._folders.items()},
            self._told_room,
            self._not_told,
        )

    def _told_room(self, room: dict[str, int | None]) -> None:
        self._asking, self.room = False, room

    def _not_told(self, _error: Exception) -> None:
        self._asking, self.room = False, dict.fromkeys(self._folders)
