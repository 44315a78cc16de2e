"""Writing on record where no service runs: a command takes its place for a moment, under its lock."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from dncd.errors import NotDoneError
from dncd.records import locks
from dncd.records.ledger import Ledger


@contextlib.contextmanager
def ledger_beside(state: Path) -> Iterator[Ledger]:
    """The ledger to write in, while no service can start.

    StateHeldError if one has just started; NotDoneError for another user than the service's.
    """
    with contextlib.suppress(FileNotFoundError):  # said better by whatever reads it next
        if state.stat().st_uid != os.geteuid():
            raise NotDoneError(
                "the state folder is another user's, and a service could not go on with files of yours in it",
                str(state),
                "Start the service, or give the command as its user",
            )
    lock = locks.hold(state / "service.lock")
    try:
        with contextlib.closing(Ledger.open(state)) as ledger:
            yield ledger
    finally:
        os.close(lock)
