"""What the kernel says about the shared folders: one inotify descriptor and three threads for a shop of any size.

Nobody else looks at watchdog (6 or 7). One watch stands on the shop's folder and what lies below, for a watch a folder takes
a thread a folder: 131 for 128 machines. Links below it are not followed.
"""

import contextlib
import os
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final

from watchdog import events as wd
from watchdog.observers.inotify import InotifyObserver
from watchdog.utils import BaseThread

from dncd.outside.folder_looks import Hint
from dncd.outside.threads import Thread

ITSELF: Final = ""
"""Stands for the folder itself among the names of hints."""

Hear = Callable[[str, Hint], None]
"""Is told a file's name and what befell it, from the events thread."""

_AGAIN_S: Final = 60.0
"""Seconds until events are asked for again where the system had none to give."""

_HINTS: Final[dict[type[wd.FileSystemEvent], Hint]] = {
    wd.FileClosedEvent: Hint.CLOSED,
    wd.FileCreatedEvent: Hint.CHANGED,
    wd.FileModifiedEvent: Hint.CHANGED,
    wd.FileDeletedEvent: Hint.GONE,
    wd.FileMovedEvent: Hint.GONE,  # from its first name; under its second it is whole
}
_FOLDERS: Final = (wd.DirDeletedEvent, wd.DirMovedEvent, wd.DirCreatedEvent)


class FolderEvents(wd.FileSystemEventHandler):
    """Events below a shop's folder, where the system has any to give; `keep` asks for them. came: called once there are
    some, from the thread that asked: it walks the whole shop's folder, and foreign folders in it may be large, or on a
    share that hangs. What happened before is no event. Nothing here waits but `stop`."""

    def __init__(self, shop: Path, came: Callable[[], None]) -> None:
        self._shop, self._root, self._came = shop, os.path.realpath(shop), came
        self._lock = threading.Lock()
        self._observer: InotifyObserver | None = None
        self._stopped = False
        self._asking = Thread("folder-events", self._ask)
        self._hears: dict[str, Hear] = {}
        self._ask_at = 0.0
        self.problem = ""
        """Why there are no events, in words; "" where there are."""

    @property
    def come(self) -> bool:
        return self._observer is not None

    def keep(self, now: float) -> None:
        """Asks for events where there are none, or none any more; now and then."""
        observer = self._observer
        if observer is not None and (ended := [t for t in _threads_of(observer) if not t.is_alive()]):
            self._lose(f"{type(ended[0]).__name__} has ended")
            self._ask_at = now + _AGAIN_S
        if self.come or now < self._ask_at:
            return
        self._ask_at = now + _AGAIN_S
        if self._asking.alive():
            self._lose(f"the system has not given them within {_AGAIN_S:g} s")
            return
        try:
            self._asking.start()
        except RuntimeError as fault:  # no thread is left
            self._lose(str(fault))

    def _ask(self) -> None:
        observer = None
        try:
            observer = InotifyObserver(generate_full_events=True)
            observer.schedule(self, self._root, recursive=True, event_filter=[*_HINTS, *_FOLDERS])
            observer.start()
        except Exception as fault:  # noqa: BLE001 - no descriptor, no watch, or what watchdog had not thought of
            self._lose(str(fault), observer)
            return
        with self._lock:
            if not self._stopped:
                self._observer, observer, self.problem = observer, None, ""
        if observer is not None:
            _end(observer)
        else:
            self._came()

    def _lose(self, why: str, other: InotifyObserver | None = None) -> None:
        with self._lock:
            observer, self._observer = self._observer or other, None
            self.problem = f"there are no events of the shared folders: {why}"
        if observer is not None:
            _ending(observer)

    def watch(self, folder: Path, hear: Hear) -> None:
        self._hears[self._key(folder)] = hear

    def unwatch(self, folder: Path) -> None:
        self._hears.pop(self._key(folder), None)

    def _key(self, folder: Path) -> str:
        return os.path.join(self._root, folder.relative_to(self._shop))  # noqa: PTH118 - as watchdog spells it

    def on_any_event(self, event: wd.FileSystemEvent) -> None:
        source, target = os.fsdecode(event.src_path), os.fsdecode(event.dest_path)
        if event.is_directory:
            for path in (source, target):
                if hear := self._hears.get(path):
                    hear(ITSELF, Hint.GONE)
            return
        self._tell(source, _HINTS.get(type(event), Hint.CHANGED))
        self._tell(target, Hint.CLOSED)

    def _tell(self, path: str, hint: Hint) -> None:
        folder, _, name = path.rpartition("/")
        if name and (hear := self._hears.get(folder)):
            hear(name, hint)

    def stop(self, seconds: float) -> bool:
        """Ends it; whether its threads are gone. A second call does nothing."""
        until = time.monotonic() + seconds
        with self._lock:
            observer, self._observer, self._stopped = self._observer, None, True
        ending = [] if observer is None else [_ending(observer)]
        left = [thread for thread in (self._asking, *ending) if not thread.join(max(0.0, until - time.monotonic()))]
        return not left


def _threads_of(observer: InotifyObserver) -> list[BaseThread]:
    """All that it lives by: itself, its emitter, and the reader of the descriptor, which one of these two has (7, 6)."""
    known: list[BaseThread] = [observer, *observer.emitters]
    return [*known, *(part for one in known for part in vars(one).values() if isinstance(part, BaseThread))]


def _end(observer: InotifyObserver) -> None:
    threads = _threads_of(observer)
    observer.stop()
    for thread in threads:
        with contextlib.suppress(RuntimeError):  # one that was never started
            thread.join()


def _ending(observer: InotifyObserver) -> Thread:
    """Ends an observer in a thread of its own, for it waits for its threads without a limit."""
    ending = Thread("folder-events-end", partial(_end, observer))
    with contextlib.suppress(RuntimeError):  # no thread is left: it stays, and what it hears comes twice
        ending.start()
    return ending
