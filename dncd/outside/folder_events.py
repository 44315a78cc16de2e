"""What the kernel says about the watched folders: one inotify descriptor and one thread for all of them (inotify(7)).

By the C library: three calls are all that is wanted of it, and libraries around them take a thread for each folder.
"""

import ctypes
import os
import select
import struct
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

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

_LIBC: Final = ctypes.CDLL(None, use_errno=True)
_EVENT: Final = struct.Struct("iIII")
"""Watch, mask, cookie, length of the name that follows, with zeros behind it (inotify(7))."""

_CLOSED: Final = 0x08 | 0x80  # IN_CLOSE_WRITE, IN_MOVED_TO: a file that was moved here is whole
_GONE: Final = 0x200 | 0x40  # IN_DELETE, IN_MOVED_FROM
_CHANGED: Final = 0x100 | 0x02  # IN_CREATE, IN_MODIFY
_MASK: Final = (
    _CLOSED | _GONE | _CHANGED | 0x400 | 0x0100_0000 | 0x0200_0000
)  # IN_DELETE_SELF, IN_ONLYDIR, IN_DONT_FOLLOW
_LOST: Final = 0x4000  # IN_Q_OVERFLOW
_IGNORED: Final = 0x8000  # IN_IGNORED: the watch is void
_FOLDER: Final = 0x4000_0000  # IN_ISDIR
_READ_BYTES: Final = 65_536


class _Inotify:
    """The descriptor, and who hears of which watch. `run` tells them, until `stop` or a fault; then all is closed.

    OSError where the system has no descriptor, or no watch, to give.
    """

    def __init__(self) -> None:
        self._hears: dict[int, Hear] = {}
        self._lock = threading.Lock()
        self._open = False
        self._fd = self._opened()
        self._stop = os.eventfd(0)
        self._open = True

    @staticmethod
    def _opened() -> int:
        return _done(_LIBC.inotify_init1(os.O_CLOEXEC))

    def add(self, folder: Path, hear: Hear) -> int:
        """Gives the number of the watch; `hear` is told from the thread of `run`."""
        with self._lock:
            if not self._open:
                return UNWATCHED
            watch = _done(_LIBC.inotify_add_watch(self._fd, os.fsencode(folder), _MASK))
            self._hears[watch] = hear
        return watch

    def remove(self, watch: int) -> None:
        with self._lock:
            if self._hears.pop(watch, None) and self._open:
                _LIBC.inotify_rm_watch(self._fd, watch)  # a folder that is gone took its watch along

    def stop(self) -> None:
        with self._lock:
            if self._open:
                os.eventfd_write(self._stop, 1)

    def run(self) -> None:
        try:
            poll = select.poll()
            for fd in (self._fd, self._stop):
                poll.register(fd, select.POLLIN)
            while all(fd != self._stop for fd, _ in poll.poll()):
                self._tell(os.read(self._fd, _READ_BYTES))
        finally:
            self.close()

    def close(self) -> None:
        with self._lock:
            self._open = False
            os.close(self._fd)
            os.close(self._stop)

    def _tell(self, data: bytes) -> None:
        """Events, in the order in which they happened."""
        at = 0
        while at < len(data):
            watch, mask, _, size = _EVENT.unpack_from(data, at)
            at += _EVENT.size + size
            with self._lock:
                lost = list(self._hears.values()) if mask & _LOST else ()
                hear = self._hears.pop(watch, None) if mask & _IGNORED else self._hears.get(watch)
            for each in lost:  # every folder is looked at as after any event
                each(ITSELF, Hint.CHANGED)
            if hear is not None and mask & _IGNORED:  # the folder itself is gone
                hear(ITSELF, Hint.GONE)
            elif hear is not None and size and not mask & _FOLDER:
                name = os.fsdecode(data[at - size : at].rstrip(b"\0"))
                kinds = {_CLOSED: Hint.CLOSED, _GONE: Hint.GONE, _CHANGED: Hint.CHANGED}
                hear(name, next(hint for kind, hint in kinds.items() if mask & kind))


def _done(result: int) -> int:
    if result < 0:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code))
    return result


class FolderEvents:
    """Events of the folders that are watched, where the system has any to give; `keep` asks for them.

    generation: another one, and every watch of before is void. For one thread, but `problem` and `stop`.
    """

    def __init__(self) -> None:
        self.generation = 0
        self._inotify: _Inotify | None = None
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
            inotify = _Inotify()
        except OSError as fault:
            self._lose(str(fault), now)
            return
        try:
            thread = Thread("folder-events", inotify.run)
            thread.start()
        except RuntimeError as fault:  # no thread is left
            inotify.close()
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
            watch = self._inotify.add(folder, hear)
        except OSError as fault:  # inotify_add_watch(2): such as no watch left
            self._deaf[folder] = f"there are no events of {shown(str(folder), 200)}: {fault.strerror}"
            return UNWATCHED
        self._deaf.pop(folder, None)
        return watch

    def unwatch(self, folder: Path, watch: int) -> None:
        """Hears of it no longer; one whose folder is gone is no error."""
        self._deaf.pop(folder, None)
        if self._inotify is not None and watch != UNWATCHED:
            self._inotify.remove(watch)

    def stop(self, seconds: float) -> bool:
        """Ends it; whether the thread is gone."""
        if self._inotify is None or self._thread is None:
            return True
        self._inotify.stop()
        return self._thread.join(seconds)
