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
from functools import cache, partial
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.choices import Watch
from dncd.errors import RecordsError
from dncd.outside.folder_events import ITSELF, FolderEvents
from dncd.outside.folder_looks import (
    Complete,
    Entry,
    FolderState,
    Hint,
    Listing,
    Odd,
    Sight,
    beside,
    opened,
    plain_files,
    problem_of,
)
from dncd.outside.journal import journal
from dncd.outside.threads import Fate, Thread
from dncd.peer_text import shown
from dncd.records.held_open import Writer, leases_tell, writer_of
from dncd.records.problems import Problem
from dncd.records.shop_folders import FOLDERS, STATUS, TO_MACHINE, ShopFolders
from dncd.values import ShopSettings

__all__ = ["Complete", "Entry", "Folders", "Listing"]


_NAMED: Final = 5
"""Files that a sentence names."""

_OWN: Final = frozenset({*FOLDERS, STATUS})
"""What belongs into a machine's folder."""


@dataclass(slots=True)
class _Folder:
    """One `to-machine` folder. due, not_before: monotonic seconds of the next look, and of the earliest by a hint."""

    machine: str
    path: Path
    state: FolderState
    due: float
    not_before: float = 0.0
    hints: deque[tuple[str, Hint]] = field(default_factory=deque)
    posted: Listing | None = None
    by_name: dict[str, Entry] = field(default_factory=dict)  # of what was posted
    again: bool = False  # somebody new listens: post all of the next look whatever it shows
    dropped: bool = False
    inode: tuple[int, int] = (0, 0)
    vanished: str = ""  # what waited in a folder that is gone
    odd: dict[str, tuple[Odd, float]] = field(default_factory=dict)  # what lies there and is no drop, and since when

    def notice(self, status: os.stat_result, odd: dict[str, Odd], now: float) -> None:
        """Before a look: whether the folder is still the one of before, and what lies in it that no one can send."""
        was = self.odd
        self.odd = {name: was[name] if name in was and was[name][0] == it else (it, now) for name, it in odd.items()}
        found = status.st_dev, status.st_ino
        if self.posted is not None and self.posted.entries and found != self.inode:
            names = ", ".join(shown(entry.name) for entry in self.posted.entries[:_NAMED])
            self.vanished = (
                f"{shown(str(self.path), 200)} is another folder than before, and {len(self.posted.entries)} files that"
                f" waited are gone with it ({names}); drop again what must be sent"
            )
        self.inode = found

    def word(self, now: float) -> str:
        """What people should know of a folder that is well in itself; "" where there is nothing."""
        rests = [f"{shown(name)} {odd.what}" for name, (odd, since) in self.odd.items() if now - since >= odd.rest_s]
        if rests:
            more = f"; and {len(rests) - _NAMED} more" if len(rests) > _NAMED else ""
            return f"not looked at: {'; '.join(rests[:_NAMED])}{more}"
        return self.vanished

    def news(self, listing: Listing) -> Listing | None:
        """A listing with what makes it another one than the last; None where nothing does."""
        self.vanished = "" if listing.entries else self.vanished
        posted, before = (None, {}) if self.again else (self.posted, self.by_name)
        entries = listing.entries
        changed = tuple(entry for entry in entries if before.get(entry.name) is not entry)
        by_name = {entry.name: entry for entry in entries} if changed or len(entries) != len(before) else before
        gone = frozenset(before.keys() - by_name.keys())
        told = posted is not None and (listing.problem, listing.sight) == (posted.problem, posted.sight)
        if told and not (changed or gone or listing.notes):
            return None
        self.again, self.by_name = False, by_name
        self.posted = replace(listing, changed=changed, gone=gone)
        return self.posted


class Folders:
    """Watches `to-machine/` of every machine from the moment it is made until `stop`. machines: their names.
    shop_folders: opens and makes them. post: called with a `Listing` for each machine at start and then whenever
    something changed, from the folders thread: it must not wait."""

    def __init__(
        self, shop: ShopSettings, shop_folders: ShopFolders, machines: Iterable[str], post: Callable[[Listing], None]
    ) -> None:
        self._shop, self._shop_folders = shop, shop_folders
        self._post = post
        self._changed = threading.Condition()
        self._stopping = False
        self._folders = {name: self._folder(name) for name in machines}
        for name in self._folders:
            with contextlib.suppress(OSError, RecordsError):  # the first look tries again and tells
                shop_folders.look(name)
        self._events = FolderEvents(shop.folder, self.poke)
        self.thread = Thread("folders", self._run, Fate.ANEW | Fate.VITAL)
        self.thread.start()

    @property
    def problem(self) -> str:
        """Why there are no events where there should be some, in words; "" where all is well."""
        return self._events.problem

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
        until = time.monotonic() + seconds
        with self._changed:
            self._stopping = True
            self._changed.notify()
        ended = self.thread.join(seconds)
        return self._events.stop(max(0.0, until - time.monotonic())) and ended

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
            if self._shop.watch is Watch.EVENTS:
                self._events.keep(now)
            for folder in due:
                if folder.dropped:
                    self._events.unwatch(folder.path)
                    continue
                try:
                    self._look(folder)
                except Exception as error:  # noqa: BLE001 - the folders of the other machines are looked at all the same
                    self._failed(folder, error)

    def _hear(self, folder: _Folder, name: str, hint: Hint) -> None:
        """From the events' thread: an event in a folder."""
        now = time.monotonic()
        with self._changed:
            folder.hints.append((name, hint))
            due = max(now + defaults.BURST_S, folder.not_before)
            if due < folder.due:
                folder.due = due
                self._changed.notify()

    def _look(self, folder: _Folder) -> None:
        notes: tuple[str, ...] = ()
        sight = Sight.UNSEEN
        entries = folder.posted.entries if folder.posted else ()
        try:
            with self._changed:
                hints, folder.hints = folder.hints, deque()
            for name, hint in hints:
                if name != ITSELF:
                    folder.state.hint(name, hint)
            made = self._shop_folders.look(folder.machine)
            if made and folder.posted is not None:
                notes = (f"made again, as it was gone: {', '.join(made)}",)
            with self._shop_folders.opened(folder.machine, TO_MACHINE) as path, opened(path) as descriptor:
                self._events.watch(folder.path, partial(self._hear, folder))
                folder.state.lag_s = defaults.HINT_LAG_S if self._events.come else 0.0
                entries, problem = self._list(folder, descriptor)
                sight = Sight.SEEN
        except RecordsError as error:
            problem = Problem.of(error, "", "").sentence
        except OSError as fault:
            problem = f"{shown(str(folder.path), 200)} cannot be read ({os.strerror(fault.errno or 0)})"
            problem += "; it must be a folder that dncd's user may read and write"
        self._post_news(folder, Listing(folder.machine, entries, problem, notes, sight))
        self._plan(folder, len(entries))

    def _failed(self, folder: _Folder, error: Exception) -> None:
        problem = f"dncd failed over {shown(str(folder.path), 200)} ({type(error).__name__}: {error}); report it"
        if folder.posted is None or folder.posted.problem != problem:
            journal().failed(f"a fault of dncd over the folder of {folder.machine}", error)
        entries = folder.posted.entries if folder.posted else ()
        self._post_news(folder, Listing(folder.machine, entries, problem, sight=Sight.UNSEEN))

    def _post_news(self, folder: _Folder, listing: Listing) -> None:
        if (news := folder.news(listing)) is not None:
            self._post(news)

    def _plan(self, folder: _Folder, files: int) -> None:
        now = time.monotonic()
        with self._changed:
            folder.not_before = now + min(1.0, files * defaults.LOOK_GAP_S)
            settles = folder.state.due(now)
            if settles is not None:
                folder.due = min(folder.due, max(settles, folder.not_before))
            if folder.hints:
                folder.due = min(folder.due, max(now + defaults.BURST_S, folder.not_before))

    def _list(self, folder: _Folder, descriptor: int) -> tuple[tuple[Entry, ...], str]:
        tells = cache(lambda: self._shop.watch is Watch.EVENTS and leases_tell(descriptor))

        def writer(name: str) -> Writer:
            return writer_of(descriptor, name) if tells() else Writer.UNTOLD

        now = time.monotonic()
        files, odd = plain_files(descriptor)
        with self._shop_folders.opened(folder.machine) as whole:
            odd |= beside(whole, _OWN)
        folder.notice(os.fstat(descriptor), odd, now)
        entries = folder.state.look(files, now, writer)
        problem = problem_of(folder.path, len(entries), folder.state.held_open(now))
        return entries[: defaults.QUEUE_FILES], problem or folder.word(now)
