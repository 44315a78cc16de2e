"""How a test waits: for an event, with a deadline. Folders tell of changes (inotify(7)), threads of the test ring a bell."""

import contextlib
import ctypes
import os
import select
import struct
import time

LOOK_S = 0.25
"""What neither a file nor a thread of the test tells (an answer of the service, time that passes) is looked at so often."""

_CHANGED = (
    0x2 | 0x8 | 0x40 | 0x80 | 0x100 | 0x200
)  # modified, closed after writing, moved from and to, created, deleted
_NEW_FOLDER = 0x40000100
_EVENT = struct.Struct("iIII")
_LIBC = ctypes.CDLL(None, use_errno=True)
_BELL = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
_watches = []


def ring():
    """Something may have changed: whoever waits looks again."""
    os.eventfd_write(_BELL, 1)


class _Watch:
    """All folders below some, but for git's own: readable at `fd` when something changes in them."""

    def __init__(self, folders):
        self.fd = _LIBC.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        assert self.fd >= 0, os.strerror(ctypes.get_errno())
        self._places = {}
        for folder in folders:
            self._add(folder)

    def _add(self, folder):
        for place, below, _ in os.walk(folder):
            below[:] = [name for name in below if not name.endswith(".git")]
            self._places[_LIBC.inotify_add_watch(self.fd, os.fsencode(place), _CHANGED)] = place

    def drain(self):
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self.fd, 65536):
                at = 0
                while at < len(data):
                    watch, mask, _, size = _EVENT.unpack_from(data, at)
                    name = os.fsdecode(data[at + _EVENT.size : at + _EVENT.size + size].rstrip(b"\0"))
                    at += _EVENT.size + size
                    if mask & _NEW_FOLDER == _NEW_FOLDER and not name.endswith(".git"):
                        self._add(f"{self._places[watch]}/{name}")


@contextlib.contextmanager
def watched(*folders):
    """While it lasts, `until` looks again whenever something changes in or below these folders."""
    watch = _Watch(folders)
    _watches.append(watch)
    try:
        yield
    finally:
        _watches.remove(watch)
        os.close(watch.fd)


def until(what, seconds=120.0, about="", *, folder=None):
    """The first true value of what() within a deadline; a file that is not there yet is not true.

    about: what is missing, for the error, or something that says it when it is called; folder: see `watched`.
    """
    end = time.monotonic() + seconds
    with watched(folder) if folder else contextlib.nullcontext():
        while True:
            _drain()
            with contextlib.suppress(FileNotFoundError):
                if value := what():
                    return value
            left = end - time.monotonic()
            assert left > 0, f"not within {seconds} s: {about() if callable(about) else about}"
            _changes().poll(1000 * min(left, LOOK_S))


def _drain():
    with contextlib.suppress(BlockingIOError):
        os.eventfd_read(_BELL)
    for watch in _watches:
        watch.drain()


def _changes():
    poll = select.poll()
    for fd in (_BELL, *(watch.fd for watch in _watches)):
        poll.register(fd, select.POLLIN)
    return poll
