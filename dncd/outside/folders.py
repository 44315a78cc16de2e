"""The shared folders, watched: a thread that lists them and posts what changed.

Events are hints: after an overflow nothing is replayed, and network mounts send none. A folder is listed shortly after
the first event of a burst, when a file may have settled, and every RESCAN_S whatever was said. With `watch = "polling"`
there are no events and only the listings are left. Nobody else looks at watchdog.
"""

import contextlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from watchdog.events import (
    DirDeletedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers.api import ObservedWatch
from watchdog.observers.inotify import InotifyObserver

from dncd import defaults
from dncd.choices import Watch
from dncd.outside.folder_looks import (
    Book,
    Complete,
    Entry,
    FolderNews,
    Hint,
    opened,
    plain_files,
    problem_of,
)
from dncd.peer_text import shown
from dncd.records.held_open import Writer, leases_tell, writer_of
from dncd.values import ShopSettings

__all__ = ["Complete", "Entry", "FolderNews", "Folders", "make_folders"]

TO_MACHINE: Final = "to-machine"
_FOLDERS: Final = (TO_MACHINE, "from-machine", "from-machine/damaged", "sent", "refused")
_ITSELF: Final = ""
"""Stands for the folder itself among the names of hints."""

_EVENTS: Final[list[type[FileSystemEvent]]] = [
    FileCreatedEvent,
    FileModifiedEvent,
    FileClosedEvent,
    FileMovedEvent,
    FileDeletedEvent,
    DirDeletedEvent,
]


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
    book: Book
    due: float
    not_before: float = 0.0
    hints: deque[tuple[str, Hint]] = field(default_factory=deque)
    watch: ObservedWatch | None = None
    watched: tuple[int, int] | None = None
    posted: FolderNews | None = None
    again: bool = False  # somebody new listens: post the next look whatever it shows
    dropped: bool = False


class Folders:
    """Watches `to-machine/` of every machine from the moment it is made until `stop`.

    machines: their names. post: called with a `FolderNews` for each machine at start and then whenever something
    changed, from the folders thread: it must not wait.
    """

    def __init__(self, shop: ShopSettings, machines: Iterable[str], post: Callable[[FolderNews], None]) -> None:
        self._shop = shop
        self._post = post
        self._changed = threading.Condition()
        self._stopping = False
        self._folders = {name: self._folder(name) for name in machines}
        for name in self._folders:
            with contextlib.suppress(OSError):  # the first look tries again and tells
                make_folders(shop.folder, name)
        self._observer = InotifyObserver(generate_full_events=True) if shop.watch is Watch.EVENTS else None
        if self._observer:
            self._observer.start()
        self._thread = threading.Thread(target=self._run, name="folders")
        self._thread.start()

    def _folder(self, machine: str) -> _Folder:
        lag = defaults.HINT_LAG_S if self._shop.watch is Watch.EVENTS else 0.0
        path = self._shop.folder / machine / TO_MACHINE
        return _Folder(machine, path, Book(self._shop.settle_s, lag), time.monotonic())

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

    def stop(self) -> None:
        """End the watching and wait for its threads; a second call does nothing."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        self._thread.join()
        if self._observer and self._observer.is_alive():
            self._observer.stop()
            self._observer.join()

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
            for folder in due:
                if folder.dropped:
                    self._unwatch(folder)
                else:
                    self._look(folder)

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
                notes += self._watch(folder, descriptor)
                entries, problem = self._list(folder, descriptor)
        except OSError as fault:
            problem = f"{shown(str(folder.path), 200)} cannot be read ({os.strerror(fault.errno or 0)})"
            problem += "; it must be a folder of its own, no link, that dncd's user may read and write"
        news = FolderNews(folder.machine, entries, problem, notes)
        if news != folder.posted or folder.again:
            folder.again = False
            folder.posted = FolderNews(folder.machine, entries, problem)
            self._post(news)
        self._plan(folder, len(entries))

    def _plan(self, folder: _Folder, files: int) -> None:
        now = time.monotonic()
        with self._changed:
            folder.not_before = now + min(1.0, files * defaults.LOOK_GAP_S)
            settles = folder.book.due(now)
            if settles is not None:
                folder.due = min(folder.due, max(settles, folder.not_before))
            if folder.hints:
                folder.due = min(folder.due, max(now + defaults.BURST_S, folder.not_before))

    def _take_hints(self, folder: _Folder) -> None:
        with self._changed:
            hints, folder.hints = folder.hints, deque()
        for name, hint in hints:
            if name == _ITSELF:  # the number of a removed folder may be given to the next one: ask for a new watch
                folder.watched = None
            else:
                folder.book.hint(name, hint)

    def _list(self, folder: _Folder, descriptor: int) -> tuple[tuple[Entry, ...], str]:
        asks = self._observer is not None and leases_tell(descriptor)

        def writer(name: str) -> Writer:
            return writer_of(descriptor, name) if asks else Writer.UNTOLD

        now = time.monotonic()
        entries = folder.book.look(plain_files(descriptor), now, writer)
        problem = problem_of(folder.path, len(entries), folder.book.held_open(now))
        return entries[: defaults.QUEUE_FILES], problem

    def _watch(self, folder: _Folder, descriptor: int) -> tuple[str, ...]:
        """Have events for the folder that is there now; it may be another one than at the last look."""
        if self._observer is None:
            return ()
        status = os.fstat(descriptor)
        if folder.watched == (status.st_dev, status.st_ino):
            return ()
        self._unwatch(folder)
        folder.watched = (status.st_dev, status.st_ino)
        try:
            folder.watch = self._observer.schedule(
                _Listener(folder, self._hear), str(folder.path), recursive=False, event_filter=_EVENTS
            )
        except OSError as fault:
            folder.book.lag_s = 0.0
            return (
                f"no events for {shown(str(folder.path), 200)} ({os.strerror(fault.errno or 0)}); "
                f"it is looked at every {defaults.RESCAN_S:g} s",
            )
        return ()

    def _unwatch(self, folder: _Folder) -> None:
        if self._observer is not None and folder.watch is not None:
            self._observer.unschedule(folder.watch)
            folder.watch = None


class _Listener(FileSystemEventHandler):
    """Turns watchdog's events in one folder into hints."""

    def __init__(self, folder: _Folder, hear: Callable[[_Folder, str, Hint], None]) -> None:
        self._folder = folder
        self._hear = hear

    def on_any_event(self, event: FileSystemEvent) -> None:
        """One event, from watchdog's thread. A file that was moved here is whole; one moved away is gone."""
        if isinstance(event, FileMovedEvent):
            self._tell(event.src_path, Hint.GONE)
            self._tell(event.dest_path, Hint.CLOSED)
        elif isinstance(event, FileClosedEvent):
            self._tell(event.src_path, Hint.CLOSED)
        elif isinstance(event, FileDeletedEvent):
            self._tell(event.src_path, Hint.GONE)
        elif not isinstance(event, DirDeletedEvent):
            self._tell(event.src_path, Hint.CHANGED)
        elif os.fsdecode(event.src_path) == str(self._folder.path):
            self._hear(self._folder, _ITSELF, Hint.GONE)

    def _tell(self, path: bytes | str, hint: Hint) -> None:
        if path:
            self._hear(self._folder, Path(os.fsdecode(path)).name, hint)
