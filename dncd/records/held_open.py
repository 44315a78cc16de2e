"""Whether somebody has a file open for writing.

It is asked by a read lease (fcntl(2), F_SETLEASE), given back at once. The kernel refuses it with EAGAIN while the file is
open for writing anywhere on this machine, and with EACCES where the file is another user's; network file systems answer
for the mount instead.
"""

import enum
import errno
import fcntl
import os
import signal
from pathlib import Path
from typing import Final

_NETWORK_KINDS: Final = ("nfs", "cifs", "smb", "9p", "fuse", "ceph", "afs", "virtiofs", "vboxsf")
"""File systems whose answer to a lease is about the mount, not about the writer (an NFS client says EAGAIN for no)."""


class Writer(enum.Enum):
    """Whether another program has a file open for writing."""

    SOMEBODY = "somebody"
    NOBODY = "nobody"
    UNTOLD = "untold"


def writer_of(descriptor: int, name: str) -> Writer:
    """Whether somebody has the plain file `name` of an opened folder open for writing."""
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY
    try:
        file = os.open(name, flags, dir_fd=descriptor)
    except OSError:  # no right to read it, or gone: whoever reads it next tells which
        return Writer.UNTOLD
    try:
        # Who opens the file for writing in this very moment makes the kernel signal us; SIGURG is ignored by default.
        fcntl.fcntl(file, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as refused:
        return Writer.SOMEBODY if refused.errno == errno.EAGAIN else Writer.UNTOLD
    else:
        return Writer.NOBODY
    finally:
        os.close(file)


def leases_tell(descriptor: int) -> bool:
    """Whether a lease on this file system says who writes: not on network mounts, nor where nothing names the kind."""
    device = os.fstat(descriptor).st_dev
    wanted = f"{os.major(device)}:{os.minor(device)}"
    try:
        lines = Path("/proc/self/mountinfo").read_text(errors="replace").splitlines()
    except OSError:
        return False
    for line in lines:
        mount, _, kind = line.partition(" - ")
        if mount.split()[2] == wanted:
            return not kind.startswith(_NETWORK_KINDS)
    return False
