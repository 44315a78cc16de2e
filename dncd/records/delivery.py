"""A punched program goes over the delivery before it, and over nothing else.

The office may save into `from-machine/` at any instant, also between a look at the file and its replacing. So the new file
and the one that lies there change names at one instant (renameat2(2), RENAME_EXCHANGE), and what came off is looked at
afterwards: the delivery of before goes, anything else stays beside the new one. Each step is repeatable: what a cut leaves
lies under a hidden name that no sweeping takes.
"""

import contextlib
import errno
import hashlib
import os
from pathlib import Path
from typing import Final

from dncd.records import durable
from dncd.records.held_open import Writer, leases_tell, writer_of

OVER: Final = f"{durable.HIDDEN}over-"
"""Start of the hidden name of a file that is about to change names with the one before it, or has just done so."""

_OFF: Final = ".off"

_TRIES: Final = 20
"""Times that somebody may save into the free name, or take the file away, before dncd comes back to it later."""


def deliver(path: Path, data: bytes, before: str, over: Path) -> str:
    """Writes `data` at `path`, whole and at one instant; what it replaced is set aside, or removed if dncd had written
    it. before: SHA-256 of the delivery before, "" if there was none; over: the hidden name, the same each time that
    this delivery is tried. Returns the name under which an edited file was set aside, "" if there was none."""
    off = over.with_name(over.name + _OFF)
    digest = hashlib.sha256(data).hexdigest()
    aside = ""
    for left in (off, over):  # a cut or a full disk came behind the change of names
        if os.path.lexists(left) and not durable.holds(left, digest):
            aside = _settle(left, path, before) or aside
    if durable.holds(path, digest):
        durable.remove(over)
        return aside
    if not over.exists():
        durable.DISK.rename(durable.write_temporary(path.parent, [data], mode=durable.SHARED_FILE_MODE), over)
    for _ in range(_TRIES):
        if os.path.lexists(path):
            came_off = _change_names(over, path, off)
            if came_off is not None:
                aside = _settle(came_off, path, before) or aside
        else:
            _move(over, path)
        if not over.exists():
            return aside
    raise OSError(errno.EBUSY, "it is saved again and again while dncd delivers it", str(path))


def _change_names(over: Path, path: Path, off: Path) -> Path | None:
    """Puts `over` in the place of `path`; where the old file lies then, None if it was taken away meanwhile. Where the
    file system knows no exchange, the old file is taken off first, and the new one is moved to the free name."""
    try:
        durable.DISK.exchange(over, path)
    except FileNotFoundError:
        return None
    except OSError as error:
        if error.errno not in durable.NO_SUCH_RENAME:
            raise
    else:
        durable.fsync_dir(path.parent)
        return over
    try:
        durable.DISK.rename(path, off)
    except FileNotFoundError:
        return None
    _move(over, path)
    return off


def _move(over: Path, path: Path) -> None:
    with contextlib.suppress(FileExistsError):  # somebody saved there in this instant: that file is looked at as well
        durable.move_new(over, path)


def _settle(came_off: Path, path: Path, before: str) -> str:
    """What lay at `path` goes if it is the delivery of before and nobody writes into it; else it stays beside."""
    if before and durable.holds(came_off, before) and not _written(came_off):
        durable.remove(came_off)
        return ""
    return durable.place(came_off, path.parent, f"{path.stem} (edited in the folder){path.suffix}").name


def _written(path: Path) -> bool:
    """Whether a program on this machine still has the file open for writing, as far as the file system tells."""
    with durable.closing(os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)) as folder:
        return leases_tell(folder) and writer_of(folder, path.name) is Writer.SOMEBODY
