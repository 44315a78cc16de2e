"""What lies in a `to-machine` folder, and which of it is complete.

Only plain files count, seen through `lstat`: a link, pipe or device is never followed or opened. A file is complete
when nobody holds it open for writing, as far as the system tells, and it was closed or moved in since its last change,
or has not changed for `settle_s` (contract 1). An empty file always waits `settle_s`: many programs make one first and
fill it later. The size alone proves nothing: a copy may set the full size at once.

Whether somebody writes is asked as `records.held_open` does; where the file is another user's, time decides.
"""

import contextlib
import enum
import itertools
import os
import stat
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.peer_text import shown
from dncd.records.durable import closing
from dncd.records.held_open import Writer

_SIDE_FILES: Final = ("thumbs.db", "ehthumbs.db", "desktop.ini")
_SIDE_STARTS: Final = (".", "~$")
_SIDE_ENDS: Final = (".tmp", ".part", ".partial", ".crdownload", ".swp", "~")


class Complete(enum.Enum):
    """Whether a dropped file may be taken."""

    YES = "yes"
    NO = "no"


class Hint(enum.Enum):
    """What an event said about a file; events may be lost, so a hint only makes things quicker."""

    CHANGED = "changed"
    CLOSED = "closed"
    GONE = "gone"


class Sight(enum.Enum):
    """Whether a folder was seen, so that what is not in the listing is not there."""

    SEEN = "seen"
    UNSEEN = "unseen"


@dataclass(frozen=True, slots=True)
class Entry:
    """One dropped file. name: any bytes, those that are no UTF-8 as surrogates; size: bytes; times: ns."""

    name: str
    inode: int
    device: int
    size: int
    mtime_ns: int
    ctime_ns: int
    complete: Complete

    @property
    def identity(self) -> tuple[int, ...]:
        """Two looks that have the same saw the same file with the same contents, as far as a listing can tell."""
        return self.inode, self.device, self.size, self.mtime_ns, self.ctime_ns


@dataclass(frozen=True, slots=True)
class Listing:
    """A whole listing of one folder, posted when anything in it is another than in the one before.

    entries: in the order in which they came, an entry that did not change being the same object; what is no longer in it
    was taken away. problem: why the folder cannot be used as it should, in words, empty where all is well; the entries are
    then those seen last. notes: what was done.

    Who took over the listing before it need only look at `changed` (new, or changed; in the order of `entries`) and `gone`
    (names). Of the first one, and where somebody new listens, all of it is in `changed`.
    """

    machine: str
    entries: tuple[Entry, ...]
    problem: str = ""
    notes: tuple[str, ...] = ()
    sight: Sight = field(default=Sight.SEEN, compare=False)
    changed: tuple[Entry, ...] = field(default=(), compare=False)
    gone: frozenset[str] = field(default=frozenset(), compare=False)


@dataclass(slots=True)
class _Seen:
    entry: Entry
    since: float


@dataclass(slots=True)
class FolderState:
    """What is known about one folder between two looks. Times are seconds of the caller's clock. settle_s: as the
    settings say; lag_s: how long a new file waits for its event, 0 where there are none."""

    settle_s: float
    lag_s: float = 0.0
    _looks: int = 0
    _fresh: dict[str, _Seen] = field(default_factory=dict)
    _seen: dict[str, _Seen] = field(default_factory=dict)
    _came: dict[str, int] = field(default_factory=dict)
    _count: int = 0
    _closed: set[str] = field(default_factory=set)
    _held: dict[str, float] = field(default_factory=dict)

    def hint(self, name: str, hint: Hint) -> None:
        """Take in what an event said; call in the order of the events, before the look that follows them."""
        if hint is Hint.CLOSED:
            self._closed.add(name)
        else:
            self._closed.discard(name)
        if hint is Hint.GONE:
            self._came.pop(name, None)
        else:
            self._count += 1
            self._came.setdefault(name, self._count)

    def look(self, files: dict[str, os.stat_result], now: float, writer: Callable[[str], Writer]) -> tuple[Entry, ...]:
        """The entries of a listing, oldest first: by the order of events, else by time of change, then name."""
        new = self._new({name: _entry(name, found) for name, found in files.items() if name not in self._seen}, now)
        self._seen = {name: seen for name, seen in self._seen.items() if name in files}
        for name in [*self._seen, *new]:
            if name in self._fresh:
                self._seen[name] = self._fresh.pop(name)
            self._look_at(_entry(name, files[name]), now, writer)
        self._came = {name: at for name, at in self._came.items() if name in files and name not in self._seen}
        self._closed.intersection_update(files)
        self._held = {name: since for name, since in self._held.items() if name in files}
        return tuple(seen.entry for seen in self._seen.values())

    def _new(self, unseen: dict[str, Entry], now: float) -> list[str]:
        """Files that were not there at the last look, in the order in which they came. Events tell the order. A file
        whose event is late or lost waits for it, until it is complete by its time; what was changed after it (ctime:
        nobody sets it) waits with it and goes behind it. How long a file has been unchanged counts from the first
        listing that had it, whenever its event came: else those behind it would be complete before it."""
        self._looks += 1
        self._fresh = {name: self._fresh.get(name) or _Seen(entry, now) for name, entry in unseen.items()}
        if self._looks == 1:
            return sorted(unseen, key=lambda name: (self._came.get(name, 0), unseen[name].mtime_ns, name))
        untold = {name: seen for name, seen in self._fresh.items() if name not in self._came}
        waits = [seen.entry.ctime_ns for name, seen in untold.items() if self._waits(seen, unseen[name], now)]
        limit = min(waits, default=None)
        told = sorted((name for name in unseen if name in self._came), key=lambda name: self._came[name])
        latest = itertools.accumulate((unseen[name].ctime_ns for name in told), max)
        places = [(at, 1, place, name) for place, (at, name) in enumerate(zip(latest, told, strict=True))]
        places += [(unseen[name].ctime_ns, 0, 0, name) for name in untold]
        return [name for at, _, _, name in sorted(places) if limit is None or at < limit]

    def _waits(self, seen: _Seen, entry: Entry, now: float) -> bool:
        """Whether a file without an event waits for it; one that is still being written does not keep others waiting."""
        return now - seen.since < self._event_s and seen.entry.identity == entry.identity

    @property
    def _event_s(self) -> float:
        return max(self.lag_s, min(self.settle_s, defaults.HINT_LOST_S)) if self.lag_s else 0.0

    def _look_at(self, entry: Entry, now: float, writer: Callable[[str], Writer]) -> None:
        name = entry.name
        seen = self._seen.get(name)
        if seen is None or seen.entry.identity != entry.identity:
            seen = self._seen[name] = _Seen(entry, now)
            self._held.pop(name, None)
        elif seen.entry.complete is Complete.YES:
            return
        settled = now - seen.since >= self.settle_s
        if not settled and not (name in self._closed and entry.size):
            return
        if writer(name) is Writer.SOMEBODY:
            self._held.setdefault(name, now)
            return
        self._held.pop(name, None)
        self._closed.discard(name)
        seen.entry = replace(entry, complete=Complete.YES)

    def due(self, now: float) -> float | None:
        """When the next file may have been unchanged for long enough; None where none waits for that."""
        waits = [
            seen.since + self.settle_s
            for name, seen in self._seen.items()
            if seen.entry.complete is Complete.NO and name not in self._held
        ]
        untold = [seen.since + self._event_s for name, seen in self._fresh.items() if name not in self._came]
        return min(waits + untold, default=None)

    def held_open(self, now: float) -> list[str]:
        """Files that another program has kept open for writing, without a change, for HELD_OPEN_S or longer."""
        return [name for name, since in self._held.items() if now - since >= defaults.HELD_OPEN_S]


def _entry(name: str, found: os.stat_result) -> Entry:
    times = found.st_mtime_ns, found.st_ctime_ns
    return Entry(name, found.st_ino, found.st_dev, found.st_size, *times, Complete.NO)


def left_alone(name: str) -> bool:
    """Whether the name is that of a file that no one meant as a program (contract 1)."""
    low = name.lower()
    return low.startswith(_SIDE_STARTS) or low.endswith(_SIDE_ENDS) or low in _SIDE_FILES


def opened(folder: Path) -> AbstractContextManager[int]:
    """A descriptor of a folder, closed at the end of the `with`; OSError as of open(2)."""
    return closing(os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))


@dataclass(frozen=True, slots=True)
class Odd:
    """What lies in a folder and is not looked at. what: it is, and what to do; rest_s: seconds without a change after which
    people are told of it."""

    what: str
    mtime_ns: int
    rest_s: float = defaults.RESCAN_S / 2


def plain_files(descriptor: int) -> tuple[dict[str, os.stat_result], dict[str, Odd]]:
    """The plain files of an opened folder that may be programs, and what else lies there; by name. A file with a second
    name is none of them: who holds that name can change what waits here, and it may be any file of the system. While a
    drop is linked in, it has two for an instant."""
    found: dict[str, os.stat_result] = {}
    odd: dict[str, Odd] = {}
    with os.scandir(descriptor) as entries:
        for entry in entries:
            alone, low = left_alone(entry.name), entry.name.lower()
            if alone and (low.startswith(".") or low in _SIDE_FILES):
                continue  # else it may be a program's yet: of a copy that was broken off, of a file open elsewhere
            with contextlib.suppress(FileNotFoundError):  # taken away between listing and looking
                status = entry.stat(follow_symlinks=False)
                if alone:
                    odd[entry.name] = Odd(_BY_NAME, status.st_mtime_ns, defaults.HELD_OPEN_S)
                elif not stat.S_ISREG(status.st_mode):
                    what = _ODD.get(stat.S_IFMT(status.st_mode), "is no plain file: copy the program itself in")
                    odd[entry.name] = Odd(what, 0)
                elif status.st_nlink > 1:
                    what = "is a hard link, and whoever has its other name can change it: copy it in"
                    odd[entry.name] = Odd(what, status.st_mtime_ns)
                else:
                    found[entry.name] = status
    return found, odd


def beside(folder: Path, known: frozenset[str]) -> dict[str, Odd]:
    """What lies in a machine's folder beside those that belong there, the likeliest slip of a drop."""
    with os.scandir(folder) as entries:
        return {
            entry.name: Odd("lies beside to-machine/: move it into to-machine/", 0, defaults.HELD_OPEN_S / 10)
            for entry in entries
            if entry.name not in known and not left_alone(entry.name)
        }


_BY_NAME: Final = "has the name of a half-made copy: see whether it is whole, and give it the program's name"
_ODD: Final = {
    stat.S_IFLNK: "is a link: copy the program itself in",
    stat.S_IFDIR: "is a folder: drop the programs themselves",
}


def problem_of(folder: Path, entries: int, held_open: list[str]) -> str:
    """What is wrong with a folder that could be listed, in words; empty where nothing is."""
    if not os.access(folder, os.W_OK | os.X_OK):
        return f"dncd may not take files out of {shown(str(folder), 200)}; give its user the right to write there"
    if held_open:
        return (
            f"{shown(held_open[0])} is still open for writing in another program after {defaults.HELD_OPEN_S:g} s; "
            "close it there"
        )
    if entries > defaults.QUEUE_FILES:
        return f"{entries} files lie in {shown(str(folder), 200)}; the first {defaults.QUEUE_FILES} of them wait"
    return ""
