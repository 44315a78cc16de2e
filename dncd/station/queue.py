"""The programs that wait for one control, in the order in which they came, or in which somebody put them.

The queue knows the folder by differences alone: what a listing found new, changed or gone. So a round costs it nothing
where nothing changed, however many files wait.
"""

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from dncd.outside.folder_looks import Complete, Entry, Sight
from dncd.records.orders import Order
from dncd.station.events import Listed
from dncd.station.results import NO_IMAGE, UNCHECKED, Checked, Prepared, TakenIn
from dncd.station.states import FileState, moved

_LOOKS: Final = 256
"""Names that one look compares: a large drop must not keep other lines from their characters."""

AT_ONCE: Final = 64
"""Files of one machine that are in the hands of the checks thread at a time: the others of a large drop wait listed."""

_BEFORE_TURN: Final = frozenset({FileState.SETTLING, FileState.INTAKE, FileState.READY})


@dataclass(slots=True, eq=False)
class WaitingFile:
    """One dropped file. came_at: seconds of the loop's clock; entry: the file as it was when it was last looked at; look:
    counts the looks."""

    name: str
    entry: Entry
    came_at: float
    state: FileState = FileState.SETTLING
    checked: Checked = UNCHECKED
    prepared: Prepared = NO_IMAGE
    look: int = 0
    before_turn: bool = True
    """Whether its turn has not come, so that a change of the file counts; kept, for 20,000 are asked at once."""

    @property
    def waits(self) -> bool:
        """Whether it stands in the list of waiting files: checked once, nothing against it, its turn has not come."""
        return self.before_turn and self.checked is not UNCHECKED


@dataclass(frozen=True, slots=True)
class Changes:
    """What a look at the folder changed. gone: files taken away before their turn; stale: what was made of files that have
    changed since."""

    gone: tuple[WaitingFile, ...] = ()
    stale: tuple[Prepared, ...] = ()


class SendQueue:
    """The files of one machine by name, oldest first, behind those that somebody put in front. room: files that it holds at
    most; front, behind: as `records.orders` has them; changes: counts the changes of these two."""

    def __init__(self, room: int, order: Order) -> None:
        self._room = room
        self.front, self.behind, self.changes = dict(order.front), set(order.behind), 0
        self._was_listed = False
        self._files: dict[str, WaitingFile] = {}
        self._listed: dict[str, Entry] = {}
        self._open: dict[str, None] = {}  # names to be compared with the listing
        self._later: dict[str, None] = {}  # the same, once it is time to look again
        self._complete: dict[str, None] = {}  # settling files that may be taken in
        self._intakes = 0
        self._waiting: tuple[tuple[str, ...], int] | None = (), 0

    @property
    def waiting(self) -> tuple[str, ...]:
        return self._who_waits()[0]

    def _who_waits(self) -> tuple[tuple[str, ...], int]:
        if self._waiting is None:
            files = {f.name: f for f in self._files.values() if f.before_turn and f.checked is not UNCHECKED}
            in_front = dict.fromkeys(name for name in self.front if name in files)
            newest_ns = max(map(self.came_ns, files.values()), default=0)
            self._waiting = tuple(in_front | dict.fromkeys(files)), newest_ns
        return self._waiting

    def came_ns(self, file: WaitingFile) -> int:
        """When it was dropped, changed or put in front last: ns since 1970, UTC, by the clock of the folder's disk."""
        return max(file.entry.ctime_ns, self.front.get(file.name, 0))

    @property
    def newest_ns(self) -> int:
        """`came_ns` of the newest that waits."""
        return self._who_waits()[1]

    @property
    def looks_again(self) -> bool:
        """Whether a file is to be looked at once more though the listing has not changed."""
        return bool(self._later)

    @property
    def has_more(self) -> bool:
        """Whether `compare` left some for the next look, so that no look takes long."""
        return bool(self._open)

    def first(self) -> WaitingFile | None:
        front = (self._files[name] for name in self.front if name in self._files)
        return next((file for file in itertools.chain(front, self._files.values()) if file.before_turn), None)

    def put_first(self, file: WaitingFile, at_ns: int) -> None:
        self.front = {file.name: at_ns} | {name: at for name, at in self.front.items() if name != file.name}
        self.behind.discard(file.name)
        self._waiting = None
        self.changes += 1

    def put_behind(self) -> None:
        """What waits now is not brought by the control's start alone."""
        names = {file.name for file in self._files.values() if file.before_turn} - self.behind
        self.behind |= names
        self.changes += bool(names)

    def _forget(self, names: Iterable[str]) -> None:
        """Files that are there no more: another one of such a name is another program."""
        for name in names:
            if name in self.front or name in self.behind:
                self.front.pop(name, None)
                self.behind.discard(name)
                self.changes += 1

    def get(self, name: str) -> WaitingFile | None:
        return self._files.get(name)

    def move(self, file: WaitingFile, state: FileState) -> None:
        """A file goes to another state. One that is gone leaves the queue, and one that settles is looked at again."""
        self._intakes += (state is FileState.INTAKE) - (file.state is FileState.INTAKE)
        file.state = moved(file.state, state)
        file.before_turn = state in _BEFORE_TURN
        self._waiting = None
        if state is FileState.GONE:
            del self._files[file.name]
            self._forget((file.name,))
        if state in (FileState.GONE, FileState.SETTLING):
            entry = self._listed.get(file.name, file.entry)
            (self._later if file.entry.identity == entry.identity else self._open)[file.name] = None

    def ready(self, file: WaitingFile, taken: TakenIn) -> None:
        file.checked, file.prepared = taken.checked, taken.prepared
        self.move(file, FileState.READY)

    def shut(self) -> list[Prepared]:
        """The station ends for good: what was made of files that wait, and is to be removed. What comes of a look that is
        under way is for nobody."""
        for file in self._files.values():
            file.look += 1
        return [file.prepared for file in self._files.values() if file.before_turn and file.prepared is not NO_IMAGE]

    def note(self, listed: Listed) -> None:
        for entry in listed.came:
            self._listed[entry.name] = entry
            self._open[entry.name] = None
        for name in listed.gone:
            self._listed.pop(name, None)
            self._open[name] = None
        if not self._was_listed and listed.sight is Sight.SEEN:
            self._was_listed = True
            self._forget({*self.front, *self.behind} - set(self._listed))

    def look_again(self) -> None:
        """Time to look once more at what could not be taken in."""
        self._open |= self._later
        self._later.clear()

    def compare(self, now: float) -> Changes:
        """Compares what is open with the listing; files that are new come into the queue, as settling."""
        gone, stale = [], []
        for name in list(itertools.islice(self._open, _LOOKS)):
            del self._open[name]
            file, entry = self._files.get(name), self._listed.get(name)
            if file is not None and not file.before_turn:
                continue
            if entry is None:
                gone += [file] if file is not None else []
                continue
            if file is not None and name in self.behind and file.entry.inode != entry.inode:
                self.behind.discard(name)  # it was dropped again
                self.changes += 1
            if file is None:
                if entry.complete is Complete.NO:
                    continue  # the listing tells when it is
                if len(self._files) >= self._room:
                    self._later[name] = None
                    continue
                self._files[name] = WaitingFile(name, entry, now)
            elif file.state is not FileState.SETTLING:
                if file.entry.identity == entry.identity:
                    continue
                stale += [file.prepared] if file.prepared is not NO_IMAGE else []
                file.prepared = NO_IMAGE
                file.entry = entry
                self.move(file, FileState.SETTLING)
            if entry.complete is Complete.YES:
                self._later.pop(name, None)
                self._complete[name] = None
        return Changes(tuple(gone), tuple(stale))

    def to_take_in(self) -> Iterator[WaitingFile]:
        """Settling files that are complete, in order, as many as may be in hand at once."""
        while self._complete and self._intakes < AT_ONCE:
            name = next(iter(self._complete))
            del self._complete[name]
            file = self._files.get(name)
            if file is not None and file.state is FileState.SETTLING:
                file.entry = self._listed.get(name, file.entry)
                yield file
