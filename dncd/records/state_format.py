"""`STATE/format`: which form the records of a state folder have, and which dncd wrote it last; and the folder's locks.

Every record in the folder has the form that it names, unless it names one itself. A folder without the file is of 0.1.0.
One service has a state folder, and one writer its ledger, by locks that go with their process.
"""

import fcntl
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import __version__
from dncd.errors import NotDoneError, RecordsError, StateHeldError
from dncd.records import codec, durable

FORMAT: Final = 1
"""Of the folders that this dncd writes; it reads those of 0.1.0, which have none, as well."""


REVIVING: Final = "reviving"
"""Lies in a state folder that is being made of another one's records (`records/revival`)."""


@dataclass(frozen=True, slots=True)
class StateFormat:
    """What the file says. number: of the form; dncd: the version that wrote it."""

    number: int
    dncd: str


_OF_THE_FIRST: Final = StateFormat(0, "0.1.0")


def path_of(state: Path) -> Path:
    return state / "format"


def check(state: Path) -> StateFormat:
    """What the folder's form is. RecordsError for one of a newer dncd, or a file that does not tell."""
    path = path_of(state)
    if (state / REVIVING).exists():
        raise RecordsError(
            "a revive is under way or was cut short here", str(state), "Empty this folder and revive again"
        )
    if not path.exists():
        return _OF_THE_FIRST
    try:
        with durable.reporting("it cannot be told which dncd wrote the state folder", path):
            found = codec.decode(StateFormat, path.read_bytes())
    except ValueError as error:
        raise RecordsError(
            f"it cannot be told which dncd wrote the state folder: {error}",
            str(path),
            "Start the dncd that wrote it; if that was this one, remove this file",
        ) from error
    if found.number > FORMAT:
        raise RecordsError(
            f"dncd {found.dncd} wrote this state folder (format {found.number}), and this is dncd {__version__}, which "
            f"reads up to format {FORMAT}",
            str(path),
            f"Install dncd {found.dncd} or a newer one; nothing was changed",
        )
    return found


def take_over(state: Path) -> list[str]:
    """At a start: names the form; what was converted, in sentences for the journal."""
    found = check(state)
    if found == StateFormat(FORMAT, __version__):
        return []
    used = (state / "ledger").is_dir()
    durable.replace(path_of(state), codec.encode(StateFormat(FORMAT, __version__)))
    if not used or found.number == FORMAT:
        return []
    return [f"the state folder of dncd {found.dncd} has format {FORMAT} now; no record in it had to be changed"]


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
