"""What the kernel says about the shared folders: one inotify descriptor and three threads for a shop of any size.

Nobody else looks at watchdog (6 or 7). One watch stands on the shop's folder and what lies below, for a watch a folder takes
a thread a folder: 131 for 128 machines. Links below it are not followed.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

from watchdog import events as wd
from watchdog.observers.inotify import InotifyObserver

from dncd.outside.folder_looks import Hint

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
    """Events below a shop's folder, where the system has any to give; `keep` asks for them.

    For one thread, but `problem` and `stop`.
    """

    def __init__(self, shop: Path) -> None:
        self._shop, self._root = shop, os.path.realpath(shop)
        self._observer: InotifyObserver | None = None
        self._hears: dict[str, Hear] = {}
        self._ask_at = 0.0
        self.problem = ""
        """Why there are no events, in words; "" where there are."""

    @property
    def come(self) -> bool:
        """Whether there are events."""
        return self._observer is not None

    def keep(self, now: float) -> None:
        """Asks for events where there are none, or none any more; now and then."""
        if self._observer is not None:
            threads = (self._observer, *self._observer.emitters)
            if len(threads) > 1 and all(thread.is_alive() for thread in threads):
                return
            self._lose("what listens to them has ended", now)
        if now < self._ask_at:
            return
        try:
            self._observer = InotifyObserver(generate_full_events=True)
            self._observer.schedule(self, self._root, recursive=True, event_filter=[*_HINTS, *_FOLDERS])
            self._observer.start()
        except (OSError, RuntimeError) as fault:  # no descriptor, no watch, or no thread is left
            self._lose(str(fault), now)
        else:
            self.problem = ""

    def _lose(self, why: str, now: float) -> None:
        if self._observer is not None:
            self._observer.stop()
        self._observer = None
        self._ask_at = now + _AGAIN_S
        self.problem = f"there are no events of the shared folders: {why}"

    def watch(self, folder: Path, hear: Hear) -> None:
        """Hears of that folder of the shop from now on."""
        self._hears[self._key(folder)] = hear

    def unwatch(self, folder: Path) -> None:
        """Hears of it no longer."""
        self._hears.pop(self._key(folder), None)

    def _key(self, folder: Path) -> str:
        return os.path.join(self._root, folder.relative_to(self._shop))  # noqa: PTH118 - as watchdog spells it

    def on_any_event(self, event: wd.FileSystemEvent) -> None:
        """One event, in the order in which they happened."""
        source, target = os.fsdecode(event.src_path), os.fsdecode(event.dest_path)
        if event.is_directory:
            for path in (source, target):
                if hear := self._hears.get(path):
                    hear(ITSELF, Hint.GONE)
            return
        self._tell(source, _HINTS[type(event)])
        self._tell(target, Hint.CLOSED)

    def _tell(self, path: str, hint: Hint) -> None:
        folder, _, name = path.rpartition("/")
        if name and (hear := self._hears.get(folder)):
            hear(name, hint)

    def stop(self, seconds: float) -> bool:
        """Ends it; whether its thread is gone."""
        if self._observer is None or not self._observer.is_alive():
            return True
        self._observer.stop()
        self._observer.join(seconds)
        return not self._observer.is_alive()
