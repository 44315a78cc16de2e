"""Writing on record where no service runs: a command takes its place for a moment, under its lock and as its user."""

import contextlib
import os
import tempfile  # noqa: F401 - before the user changes, who may not read where Python lies
from collections.abc import Iterator
from pathlib import Path

from dncd.errors import NotDoneError
from dncd.records import locks
from dncd.records.ledger import Ledger


def become_owner(state: Path) -> None:
    """Makes this process write as the service does: root becomes the state folder's user and group, and the umask leaves
    what that folder's mode leaves. NotDoneError for anybody else. For the rest of the process."""
    try:
        found = state.stat()
    except FileNotFoundError:
        return  # said better by whatever reads it next
    if os.geteuid() == 0 != found.st_uid:
        os.setgroups([])
        os.setgid(found.st_gid)
        os.setuid(found.st_uid)
    elif os.geteuid() != found.st_uid:
        what = "the state folder is another user's, and the service could not go on with files of yours in it"
        raise NotDoneError(what, str(state), "Start the service, or give the command as its user or as root")
    os.umask(0o777 & ~found.st_mode)


@contextlib.contextmanager
def ledger_beside(state: Path) -> Iterator[Ledger]:
    """The ledger to write in, while no service can start; the process is the service's user from then on.

    StateHeldError if one has just started; NotDoneError for another user than the service's or root.
    """
    become_owner(state)
    lock = locks.hold(state / "service.lock")
    try:
        with contextlib.closing(Ledger.open(state)) as ledger:
            yield ledger
    finally:
        os.close(lock)
