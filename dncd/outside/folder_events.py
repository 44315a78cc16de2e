"""What the kernel says about the watched folders: one inotify descriptor and one thread for all of them (inotify(7)).

Nobody else looks at watchdog. Its observers are not used: they take a thread for each folder, 131 for 128 machines.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

from watchdog.observers.inotify_c import CallbackId, InotifyEvent, InotifyFD, Mask, WatchCallback, WatchDescriptor
from watchdog.observers.inotify_c import InotifyConstants as Of

from dncd.outside.folder_looks import Hint
from dncd.outside.threads import Thread
from dncd.peer_text import shown

ITSELF: Final = ""
"""Stands for the folder itself among the names of hints."""

Hear = Callable[[str, Hint], None]
"""Is told a file's name and what befell it, from the events thread."""

UNWATCHED: Final = -1

_AGAIN_S: Final = 60.0
"""Seconds until events are asked for again where the system had none to give."""

_ONLY: Final = CallbackId(1)
_CLOSED: Final = Of.IN_CLOSE_WRITE | Of.IN_MOVED_TO
"""A file that was moved here is whole."""
_GONE: Final = Of.IN_DELETE | Of.IN_MOVED_FROM
_CHANGED: Final = Of.IN_CREATE | Of.IN_MODIFY
_MASK: Final = Mask(_CLOSED | _GONE | _CHANGED | Of.IN_DELETE_SELF | Of.IN_ONLYDIR | Of.IN_DONT_FOLLOW)


class FolderEvents:
    """Events of the folders that are watched, where the system has any to give; `keep` asks for them.

    generation: another one, and every watch of before is void. For one thread, but `problem` and `stop`.
    """

    def __init__(self) -> None:
        self.generation = 0
        self._inotify: InotifyFD | None = None
        self._thread: Thread | None = None
        self._ask_at = 0.0
        self._none = ""
        self._deaf: dict[Path, str] = {}

    @property
    def problem(self) -> str:
        """Why there are no events, or none of some folder, in words; "" where all is well."""
        return self._none or next(iter(list(self._deaf.values())), "")

    def keep(self, now: float) -> None:
        """Asks for events where there are none, or none any more; now and then."""
        if self._thread is not None and not self._thread.alive():
            self._lose(f"they ended by a fault of dncd ({self._thread.fault})", now)
        if self._inotify is not None or now < self._ask_at:
            return
        try:
            inotify = InotifyFD()
            thread = Thread("folder-events", inotify.run)
            thread.start()
        except (OSError, RuntimeError) as fault:  # no descriptor, or no thread
            self._lose(str(fault), now)
        else:
            self._inotify, self._thread, self._none = inotify, thread, ""
            self.generation += 1

    def _lose(self, why: str, now: float) -> None:
        if self._inotify is not None:
            self._inotify.stop()
        self._inotify = self._thread = None
        self._deaf.clear()
        self._ask_at = now + _AGAIN_S
        self._none = f"there are no events of the shared folders: {why}"

    def watch(self, folder: Path, hear: Hear) -> int:
        """Hears of that folder from now on; UNWATCHED where that cannot be."""
        if self._inotify is None:
            return UNWATCHED
        try:
            watch = self._inotify.add_callback(os.fsencode(folder), _MASK, _Listener(hear), _ONLY)
        except OSError as fault:  # inotify_add_watch(2): such as no watch left
            self._deaf[folder] = f"there are no events of {shown(str(folder), 200)}: {fault.strerror}"
            return UNWATCHED
        self._deaf.pop(folder, None)
        return watch

    def unwatch(self, folder: Path, watch: int) -> None:
        """Hears of it no longer; one whose folder is gone is no error."""
        self._deaf.pop(folder, None)
        if self._inotify is not None and watch != UNWATCHED:
            self._inotify.remove_callbacks([(WatchDescriptor(watch), _ONLY)])

    def stop(self, seconds: float) -> bool:
        """Ends it; whether the thread is gone."""
        if self._inotify is None or self._thread is None:
            return True
        self._inotify.stop()
        return self._thread.join(seconds)


class _Listener(WatchCallback):
    """Turns the kernel's events in one folder into hints."""

    def __init__(self, hear: Hear) -> None:
        self._hear = hear

    def on_event(self, event: InotifyEvent) -> None:
        """One event, in the order in which they happened."""
        if event.name and not event.mask & Of.IN_ISDIR:
            kinds = {_CLOSED: Hint.CLOSED, _GONE: Hint.GONE, _CHANGED: Hint.CHANGED}
            for mask, hint in kinds.items():
                if event.mask & mask:
                    self._hear(os.fsdecode(event.name), hint)

    def on_watch_deleted(self, wd: WatchDescriptor) -> None:
        """The folder itself is gone; its number may be given to the next one."""
        self._hear(ITSELF, Hint.GONE)

    def on_queue_overflow(self) -> None:
        """Events were lost: the folder is looked at as after any of them."""
        self._hear(ITSELF, Hint.CHANGED)
