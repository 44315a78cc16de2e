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

ITSELF: Final = ""
"""Stands for the folder itself among the names of hints."""

Hear = Callable[[str, Hint], None]
"""Is told a file's name and what befell it, from the events thread."""

_ONLY: Final = CallbackId(1)
_CLOSED: Final = Of.IN_CLOSE_WRITE | Of.IN_MOVED_TO
"""A file that was moved here is whole."""
_GONE: Final = Of.IN_DELETE | Of.IN_MOVED_FROM
_CHANGED: Final = Of.IN_CREATE | Of.IN_MODIFY
_MASK: Final = Mask(_CLOSED | _GONE | _CHANGED | Of.IN_DELETE_SELF | Of.IN_ONLYDIR | Of.IN_DONT_FOLLOW)


class FolderEvents:
    """Watches from the moment it is made until `stop`. OSError where the system has no descriptor left for it."""

    def __init__(self) -> None:
        self._inotify = InotifyFD()
        self.thread = Thread("folder-events", self._inotify.run)
        self.thread.start()

    def watch(self, folder: Path, hear: Hear) -> int:
        """Hears of that folder from now on. OSError as inotify_add_watch(2): such as no watch left."""
        return self._inotify.add_callback(os.fsencode(folder), _MASK, _Listener(hear), _ONLY)

    def unwatch(self, watch: int) -> None:
        """Hears of it no longer; one whose folder is gone is no error."""
        self._inotify.remove_callbacks([(WatchDescriptor(watch), _ONLY)])

    def stop(self, seconds: float) -> bool:
        """Ends it; whether the thread is gone."""
        self._inotify.stop()
        return self.thread.join(seconds)


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
