"""A revision signed off as proven: by the service, whose records thread alone writes, or beside it where none runs."""

import contextlib
import dataclasses
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from dncd.errors import NoServiceError, NotDoneError
from dncd.line_trial.keeping import keep_for
from dncd.outside.command_socket import ask
from dncd.records.holdings import Holdings
from dncd.records.library import Library, Writer
from dncd.records.proving import Signature, Signing, prove
from dncd.station.beside import ledger_beside
from dncd.station.hands import Hands
from dncd.station.machine import Station
from dncd.station.office import Office

_T = TypeVar("_T")

ON_RECORD: Final = ("keep-trial", "prove")
"""Requests whose answer waits until the records thread has done them."""

ANSWER_S: Final = 4.0
"""Seconds in which the disk must have taken it, within the patience of whoever asked."""


def sign(state: Path, signing: Signing) -> dict[str, Any]:
    """Puts a signature on record; gives the revision, its time and whether it is new. Errors as `prove` and `ask`."""
    signing = signing.checked()
    try:
        return ask(state, {"do": "prove", **dataclasses.asdict(signing)})
    except NoServiceError:
        return _beside(state, signing)


def _beside(state: Path, signing: Signing) -> dict[str, Any]:
    """Where no service runs. RecordsError without a library: nothing is made here that a service should make."""
    Library(state).close()
    with ledger_beside(state) as ledger, contextlib.closing(Writer(state)) as library:
        return _told(prove(ledger, library, Holdings.read(state, signing.machine), signing))


def put_on_record(station: Station, office: Office, hands: Hands, request: dict[str, Any]) -> dict[str, Any]:
    """One of `ON_RECORD`, or `release`, in the command thread: it waits for the disk, the line loop does not."""
    if request["do"] == "keep-trial":
        return keep_for(station, office, hands, str(request.get("sheet")))
    if request["do"] == "release":
        return _release(station, office, hands)
    return sign_for(station.name, office, hands, request)


def sign_for(machine: str, office: Office, hands: Hands, request: dict[str, Any]) -> dict[str, Any]:
    """The service's part, in the command thread: waits until the records thread has it on record."""
    number = request.get("revision")
    program, note, by = (str(request.get(key, "")) for key in ("program", "note", "by"))
    signing = Signing(machine, program, note, by, number if isinstance(number, int) and number > 0 else 0)
    return _told(_recorded(hands, machine, lambda: prove(office.ledger, office.library, office.holdings(), signing)))


def _release(station: Station, office: Office, hands: Hands) -> dict[str, Any]:
    """Lets a machine go on that the plan of a transfer, which cannot be read, has stopped."""
    _recorded(hands, station.name, lambda: office.unreadable.release(station.name))
    hands.loop.post(station.kick)
    return {"released": True}


def _recorded(hands: Hands, machine: str, job: Callable[[], _T]) -> _T:
    """Does a job in the records thread and waits for it, from the command thread."""
    done = threading.Event()
    box: list[_T | Exception] = []

    def ended(result: _T | Exception) -> None:
        box.append(result)
        done.set()

    hands.records.do(job, ended, ended)
    if not done.wait(ANSWER_S):
        raise NotDoneError(
            "the disk is slow: it is not known to be on record yet", machine, "Give the same command again"
        )
    if isinstance(box[0], Exception):
        raise box[0]
    return box[0]


def _told(proved: Signature) -> dict[str, Any]:
    return {**dataclasses.asdict(proved.signed), "new": proved.new}
