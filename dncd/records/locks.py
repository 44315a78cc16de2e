"""One service a state folder, one writer a ledger: locks that go with their process."""

import fcntl
import os
from pathlib import Path

from dncd.errors import StateHeldError
from dncd.records import durable


def hold(lock: Path) -> int:
    """Holds a lock file for as long as the returned descriptor is open (flock(2): it goes with the process).

    StateHeldError when another process holds it; RecordsError where its folder cannot be made or written.
    """
    with durable.reporting("the state folder cannot be used", lock.parent, "; then start again"):
        return _held(lock)


def _held(lock: Path) -> int:
    durable.make_folder(lock.parent)
    fd = durable.DISK.open(lock, os.O_RDWR | os.O_CREAT)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        who = os.pread(fd, 32, 0).decode("ascii", "replace").strip()
        os.close(fd)
        by = f"process {who}" if who.isdigit() else "another process"
        raise StateHeldError(
            f"{by} works on this state folder", str(lock), "Stop that one first, or give this one its own shop.state"
        ) from None
    except BaseException:
        os.close(fd)
        raise
    os.ftruncate(fd, 0)
    os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
    return fd
