"""One service a state folder, one writer a ledger: locks that go with their process."""

import fcntl
import os
from pathlib import Path

from dncd.errors import NotDoneError, StateHeldError
from dncd.records import durable


def hold(lock: Path) -> int:
    """Holds a lock file for as long as the returned descriptor is open (flock(2): it goes with the process).
    StateHeldError when another process holds it; RecordsError where its folder cannot be made or written."""
    with durable.reporting("the state folder cannot be used", lock.parent, "; then start again"):
        durable.make_folder(lock.parent)
        fd = durable.DISK.open(lock, os.O_RDWR | os.O_CREAT)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            who = os.pread(fd, 32, 0).decode("ascii", "replace").strip()
            os.close(fd)
            what = f"{f'process {who}' if who.isdigit() else 'another process'} works on this state folder"
            raise StateHeldError(what, str(lock), "Stop that one first, or give this one its own shop.state") from None
        except BaseException:
            os.close(fd)
            raise
        os.ftruncate(fd, 0)
        os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        return fd


def same_user(lock: Path) -> None:
    """NotDoneError where another user's service has worked in this folder: root would leave files there with which that one
    could not go on. A share that gives every file to one user makes no difference."""
    owner = lock.stat().st_uid
    if owner == os.geteuid():
        return
    probe = durable.write_temporary(lock.parent, [])
    own = probe.stat().st_uid
    durable.discard(probe)
    if own != owner:
        what = "another user's service has worked in the state folder, and it could not go on with files of yours in it"
        raise NotDoneError(what, str(lock.parent), "Start it as that user, or give the folder and all in it to yours")
