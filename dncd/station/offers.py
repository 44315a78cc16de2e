"""The programs that wait for one control, in the order in which they came.

| stage     | what it means                                                    |
|-----------|------------------------------------------------------------------|
| settling  | its file changed while it waited; looked at again when complete  |
| checking  | it is being read and checked                                     |
| ready     | checked, and nothing against it                                  |
| preparing | first in line: its tape image is being made                      |
| prepared  | may start at once                                                |
| taken     | being sent, refused or withdrawn: no longer waits                |
"""

import enum
from collections.abc import Iterator
from dataclasses import dataclass, replace

from dncd.outside.folders import Complete, Entry
from dncd.station.papers import Checked, Prepared


class Stage(enum.Enum):
    """How far an offered file has come."""

    SETTLING = "settling"
    CHECKING = "checking"
    READY = "ready"
    PREPARING = "preparing"
    PREPARED = "prepared"
    TAKEN = "taken"


@dataclass(slots=True)
class Offer:
    """One dropped file. came_at: seconds of the loop's clock; entry: the file as it was when it was last looked at."""

    name: str
    entry: Entry
    came_at: float
    stage: Stage = Stage.CHECKING
    checked: Checked | None = None
    prepared: Prepared | None = None
    looks: int = 0

    @property
    def waits(self) -> bool:
        """Whether it stands in the list of waiting files: checked once, nothing against it, not taken."""
        return self.stage is not Stage.TAKEN and self.checked is not None

    def forget_look(self) -> None:
        """Makes the next look at the folder see the file as changed."""
        self.entry = replace(self.entry, inode=-1)


@dataclass(frozen=True, slots=True)
class Changes:
    """What a look at the folder changed: offers to check (new or edited), offers whose file is gone, and what was prepared
    of files that have changed since."""

    check: tuple[Offer, ...]
    gone: tuple[Offer, ...]
    stale: tuple[Prepared, ...] = ()


class Offers:
    """The offers of one machine by file name, oldest first."""

    def __init__(self) -> None:
        self._by_name: dict[str, Offer] = {}

    def __iter__(self) -> Iterator[Offer]:
        return iter(self._by_name.values())

    def look(self, entries: tuple[Entry, ...], now: float, room: int) -> Changes:
        """Takes over a listing of the folder, at most `room` offers in all."""
        check: list[Offer] = []
        stale: list[Prepared] = []
        seen = {entry.name for entry in entries}
        gone = [o for name, o in self._by_name.items() if name not in seen and o.stage is not Stage.TAKEN]
        for left in gone:
            del self._by_name[left.name]
        for entry in entries:
            offer = self._by_name.get(entry.name)
            if offer is None:
                if entry.complete is Complete.YES and len(self._by_name) < room:
                    check.append(self._by_name.setdefault(entry.name, Offer(entry.name, entry, now)))
            elif offer.stage is not Stage.TAKEN and not same_file(offer.entry, entry):
                if offer.prepared is not None:
                    stale.append(offer.prepared)
                offer.stage, offer.prepared = Stage.SETTLING, None
                if entry.complete is Complete.YES:
                    offer.stage, offer.entry = Stage.CHECKING, entry
                    check.append(offer)
        for found in check:
            found.looks += 1
        return Changes(tuple(check), tuple(gone), tuple(stale))

    def first(self) -> Offer | None:
        """The offer whose turn it is: the oldest that is not taken."""
        return next((offer for offer in self._by_name.values() if offer.stage is not Stage.TAKEN), None)

    def get(self, name: str) -> Offer | None:
        """The offer of that file name."""
        return self._by_name.get(name)

    def drop(self, offer: Offer) -> None:
        """Forgets an offer whose ending is on record."""
        if self._by_name.get(offer.name) is offer:
            del self._by_name[offer.name]

    def waiting(self) -> list[str]:
        """File names that wait, in order."""
        return [offer.name for offer in self._by_name.values() if offer.waits]


def same_file(one: Entry, other: Entry) -> bool:
    """Whether two looks saw the same file with the same contents, as far as a listing can tell."""
    return (one.inode, one.device, one.size, one.mtime_ns, one.ctime_ns) == (
        other.inode,
        other.device,
        other.size,
        other.mtime_ns,
        other.ctime_ns,
    )
