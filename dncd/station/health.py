"""Whether the service as a whole is well: its threads, the room on its disks. Found anew each round, so it clears itself."""

from typing import Final

from dncd.station.hands import Hands
from dncd.station.rounds import Round

SLOW_S: Final = 10.0
"""Seconds that one job of a thread may take before it is told: the largest file is read and checked in less."""

_WHAT: Final = {
    "records": "the disk of the records",
    "checks": "reading a dropped file",
    "supply": "reading a tape image from the disk",
    "notes": "writing STATUS.txt into the shared folder",
}


class Health:
    """`look` once a round. troubles: what is wrong with the service now, in sentences."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands
        self.troubles: tuple[str, ...] = ()

    def look(self, _over: Round) -> bool:
        """Whether the watchdog may be fed: a disk that hangs is told and no reason to start anew, a dead thread is."""
        dead = self._hands.dead()
        told = [
            f"the thread of the {name} has ended by a fault of dncd; the service must be started anew" for name in dead
        ]
        for name, spent in self._hands.slow(SLOW_S).items():
            told.append(f"{_WHAT[name]} has taken {spent:.0f} s so far: look at that disk or share")
        self.troubles = tuple(told)
        return not dead
