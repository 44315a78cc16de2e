"""The shared folders, watched: a thread that lists them and posts what changed.

Events are hints: after an overflow nothing is replayed, and network mounts send none. A folder is listed shortly after
the first event of a burst, when a file may have settled, and every RESCAN_S whatever was said. With `watch = "polling"`,
or where the system has no events to give, only the listings are left.
"""

import contextlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.choices import Watch
from dncd.outside.folder_events import ITSELF, FolderEvents
from dncd.outside.folder_looks import (
    Complete,
    Entry,
    FolderState,
    Hint,
    Listing,
    opened,
    plain_files,
    problem_of,
)
from dncd.outside.journal import journal
from dncd.outside.threads import Fate, Thread
from dncd.peer_text import shown
from dncd.records.held_open import Writer, leases_tell, writer_of
from dncd.values import ShopSettings

__all__ = ["Complete", "Entry", "Folders", "Listing", "make_folders"]

TO_MACHINE: Final = "to-machine"
_FOLDERS: Final = (TO_MACHINE, "from-machine", "from-machine/damaged", "sent", "refused")

_EVENTS_AGAIN_S: Final = 60.0
"""Seconds until events are asked for again where the system had none to give."""


def make_folders(shop: Path, machine: str) -> tuple[str, ...]:
    """Make what is missing of a machine's folders and name it; OSError where that is not possible."""
    made = []
    for name in _FOLDERS:
        folder = shop / machine / name
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            made.append(name)
    return tuple(made)


@dataclass(slots=True)
class _Folder:
    """One `to-machine` folder. due, not_before: monotonic seconds of the next look, and of the earliest by a hint."""

    machine: str
    path: Path
    state: FolderState
    due: float
    not_before: float = 0.0
    hints: deque[tuple[str, Hint]] = field(default_factory=deque)
    watch: int | None = None
    watched: tuple[int, int] | None = None
    deaf: str = ""  # why there are no events of it alone
    posted: Listing | None = None
    by_name: dict[str, Entry] = field(default_factory=dict)  # of what was posted
    again: bool = False  # somebody new listens: post all of the next look whatever it shows
    dropped: bool = False


class Folders:
    """Watches `to-machine/` of every machine from the moment it is made until `stop`.

    machines: their names. post: called with a `Listing` for each machine at start and then whenever something
    changed, from the folders thread: it must not wait.
    """

    def __init__(self, shop: ShopSettings, machines: Iterable[str], post: Callable[[Listing], None]) -> None:
        self._shop = shop
        self._post = post
        self._problem = ""
        self._changed = threading.Condition()
        self._stopping = False
        self._folders = {name: self._folder(name) for name in machines}
        for name in self._folders:
            with contextlib.suppress(OSError):  # the first look tries again and tells
                make_folders(shop.folder, name)
        self._events: FolderEvents | None = None
        self._events_at = 0.0
        self.thread = Thread("folders", self._run, Fate.ANEW | Fate.VITAL)
        self.thread.start()

    @property
    def problem(self) -> str:
        """Why there are no events where there should be some, in words; "" where all is well."""
        deaf = [folder.deaf for folder in list(self._folders.values()) if folder.deaf]
        return self._problem or next(iter(deaf), "")

    def _folder(self, machine: str) -> _Folder:
        lag = defaults.HINT_LAG_S if self._shop.watch is Watch.EVENTS else 0.0
        path = self._shop.folder / machine / TO_MACHINE
        return _Folder(machine, path, FolderState(self._shop.settle_s, lag), time.monotonic())

    def take(self, machine: str) -> None:
        """Watch the folder of a machine from now on; of one that is watched already, tell anew what lies there."""
        with self._changed:
            folder = self._folders.setdefault(machine, self._folder(machine))
            folder.again, folder.dropped, folder.due = True, False, time.monotonic()
            self._changed.notify()

    def drop(self, machine: str) -> None:
        """Watch it no longer."""
        with self._changed:
            if folder := self._folders.get(machine):
                folder.dropped, folder.due = True, time.monotonic()
                self._changed.notify()

    def poke(self, machine: str = "") -> None:
        """Look at the folder of `machine`, or at all, as soon as can be: one that holds thousands of files not for each."""
        now = time.monotonic()
        with self._changed:
            for folder in self._folders.values():
                if machine in ("", folder.machine):
                    folder.due = min(folder.due, max(now, folder.not_before))
            self._changed.notify()

    def stop(self, seconds: float = 1.0) -> bool:
        """End the watching; whether its threads have ended, which a share that hangs may keep for ever. A second call does
        nothing."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        ended = self.thread.join(seconds)
        return (self._events is None or self._events.stop(seconds)) and ended

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._stopping:
                    now = time.monotonic()
                    due = [folder for folder in self._folders.values() if folder.due <= now]
                    if due:
                        break
                    next_due = min((f.due for f in self._folders.values()), default=now + defaults.RESCAN_S)
                    self._changed.wait(next_due - now)
                if self._stopping:
                    return
                for folder in due:
                    folder.due = now + defaults.RESCAN_S
                    if folder.dropped:
                        del self._folders[folder.machine]
            self._have_events(now)
            for folder in due:
                if folder.dropped:
                    self._unwatch(folder)
                    continue
                try:
                    self._look(folder)
                except Exception as error:  # noqa: BLE001 - the folders of the other machines are looked at all the same
                    self._failed(folder, error)

    def _have_events(self, now: float) -> None:
        """Asks for events where they are wanted and there are none, or none any more."""
        if self._events is not None and not self._events.thread.alive():
            self._lose_events(f"they ended by a fault of dncd ({self._events.thread.fault})", now)
        if self._shop.watch is not Watch.EVENTS or now < self._events_at:
            return
        self._events_at = now + _EVENTS_AGAIN_S
        for folder in self._folders.values():
            folder.watched = None if folder.deaf else folder.watched
        if self._events is None:
            try:
                self._events = FolderEvents()
            except (OSError, RuntimeError) as fault:  # no descriptor, or no thread
                self._lose_events(str(fault), now)
            else:
                self._problem = ""

    def _lose_events(self, why: str, now: float) -> None:
        self._events, self._events_at = None, now + _EVENTS_AGAIN_S
        self._problem = f"there are no events of the shared folders: {why}"
        for folder in self._folders.values():
            folder.watch = folder.watched = None
            folder.state.lag_s = 0.0

    def _hear(self, folder: _Folder, name: str, hint: Hint) -> None:
        """From watchdog's thread: an event in a folder."""
        now = time.monotonic()
        with self._changed:
            folder.hints.append((name, hint))
            due = max(now + defaults.BURST_S, folder.not_before)
            if due < folder.due:
                folder.due = due
                self._changed.notify()

    def _look(self, folder: _Folder) -> None:
        """One look: list, post what changed, and set the time of the next."""
        notes: tuple[str, ...] = ()
        entries = folder.posted.entries if folder.posted else ()
        try:
            self._take_hints(folder)
            made = make_folders(self._shop.folder, folder.machine)
            if TO_MACHINE in made:
                folder.watched = None
            if made and folder.posted is not None:
                notes = (f"made again, as it was gone: {', '.join(made)}",)
            with opened(folder.path) as descriptor:
                self._watch(folder, descriptor)
                entries, problem = self._list(folder, descriptor)
        except OSError as fault:
            problem = f"{shown(str(folder.path), 200)} cannot be read ({os.strerror(fault.errno or 0)})"
            problem += "; it must be a folder of its own, no link, that dncd's user may read and write"
        self._tell(folder, Listing(folder.machine, entries, problem, notes))
        self._plan(folder, len(entries))

    def _failed(self, folder: _Folder, error: Exception) -> None:
        problem = f"dncd failed over {shown(str(folder.path), 200)} ({type(error).__name__}: {error}); report it"
        if folder.posted is None or folder.posted.problem != problem:
            journal().failed(f"a fault of dncd over the folder of {folder.machine}", error)
        self._tell(folder, Listing(folder.machine, folder.posted.entries if folder.posted else (), problem))

    def _tell(self, folder: _Folder, listing: Listing) -> None:
        """Posts a listing that is another one than the last, with what makes the difference."""
        posted, before = folder.posted, folder.by_name
        if folder.again or posted is None:
            posted, before = None, {}
        entries = listing.entries
        changed = tuple(entry for entry in entries if before.get(entry.name) is not entry)
        by_name = {entry.name: entry for entry in entries} if changed or len(entries) != len(before) else before
        gone = frozenset(before.keys() - by_name.keys())
        if posted is None or changed or gone or listing.notes or listing.problem != posted.problem:
            number = posted.number + 1 if posted is not None else 1
            folder.again, folder.by_name = False, by_name
            folder.posted = replace(listing, number=number, changed=changed, gone=gone)
            self._post(folder.posted)

    def _plan(self, folder: _Folder, files: int) -> None:
        now = time.monotonic()
        with self._changed:
            folder.not_before = now + min(1.0, files * defaults.LOOK_GAP_S)
            settles = folder.state.due(now)
            if settles is not None:
                folder.due = min(folder.due, max(settles, folder.not_before))
            if folder.hints:
                folder.due = min(folder.due, max(now + defaults.BURST_S, folder.not_before))

    def _take_hints(self, folder: _Folder) -> None:
        with self._changed:
            hints, folder.hints = folder.hints, deque()
        for name, hint in hints:
            if name == ITSELF:  # the number of a removed folder may be given to the next one: ask for a new watch
                folder.watched = None if hint is Hint.GONE else folder.watched
            else:
                folder.state.hint(name, hint)

    def _list(self, folder: _Folder, descriptor: int) -> tuple[tuple[Entry, ...], str]:
        asks = self._shop.watch is Watch.EVENTS and leases_tell(descriptor)

        def writer(name: str) -> Writer:
            return writer_of(descriptor, name) if asks else Writer.UNTOLD

        now = time.monotonic()
        entries = folder.state.look(plain_files(descriptor), now, writer)
        problem = problem_of(folder.path, len(entries), folder.state.held_open(now))
        return entries[: defaults.QUEUE_FILES], problem

    def _watch(self, folder: _Folder, descriptor: int) -> None:
        """Have events for the folder that is there now; it may be another one than at the last look."""
        if self._events is None:
            return
        status = os.fstat(descriptor)
        if folder.watched == (status.st_dev, status.st_ino):
            return
        self._unwatch(folder)
        folder.watched = (status.st_dev, status.st_ino)
        try:
            folder.watch = self._events.watch(folder.path, partial(self._hear, folder))
            folder.state.lag_s = defaults.HINT_LAG_S
            folder.deaf = ""
        except OSError as fault:
            folder.state.lag_s = 0.0
            folder.deaf = f"there are no events of {shown(str(folder.path), 200)}: {fault.strerror}"

    def _unwatch(self, folder: _Folder) -> None:
        watch, folder.watch = folder.watch, None
        if self._events is not None and watch is not None:
            self._events.unwatch(watch)
