"""What somebody signs, a revision as proven or a trial's sheet: put on record by the service, whose records thread alone
writes, or beside it where none runs.
"""

import contextlib
import dataclasses
import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from dncd.commissioning.trial_sheet import head_of
from dncd.errors import NoServiceError, NotDoneError
from dncd.outside.command_client import ask
from dncd.outside.workers import Workers
from dncd.records import trials
from dncd.records.holdings import Holdings
from dncd.records.library import Library, Writer
from dncd.records.proving import Signature, Signing, prove
from dncd.records.store import Store, ledger_beside

if TYPE_CHECKING:
    from dncd.station.driver import Station

_T = TypeVar("_T")

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


def sign_for(machine: str, store: Store, hands: Workers, request: dict[str, Any]) -> dict[str, Any]:
    """The service's part, in the command thread: waits until the records thread has it on record."""
    number = request.get("revision")
    program, note, by = (str(request.get(key, "")) for key in ("program", "note", "by"))
    signing = Signing(machine, program, note, by, number if isinstance(number, int) and number > 0 else 0)
    return _told(recorded(hands, machine, lambda: prove(store.ledger, store.library, store.holdings(), signing)))


_SHEET: Final = "Look at `dncd log` in a moment; make the trial again if it is not there"


def keep_sheet(state: Path, machine: str, text: str) -> str:
    """Puts a sheet on record; its place under the state folder. Errors as `trials.keep`, `ask`, `ledger_beside`."""
    try:
        return str(ask(state, {"do": "keep-trial", "machine": machine, "sheet": text})["sheet"])
    except NoServiceError:
        with ledger_beside(state) as ledger:
            return trials.keep(state, ledger, text).relative_to(state).as_posix()


def keep_for(station: "Station", store: Store, hands: Workers, text: str) -> dict[str, Any]:
    """As `sign_for`. NotDoneError for a sheet of another machine."""
    if head_of(text).get("machine") != station.name:
        raise NotDoneError("the sheet is of another machine", station.name, "Make it with `dncd line trial`")
    path = recorded(hands, station.name, lambda: trials.keep(store.shop.state, store.ledger, text), _SHEET)
    proof = trials.latest(store.shop.state, station.name)
    hands.loop.post(functools.partial(setattr, station, "proof", proof), station)
    return {"sheet": path.relative_to(store.shop.state).as_posix()}


def recorded(hands: Workers, machine: str, job: Callable[[], _T], next_step: str = "Give the same command again") -> _T:
    """Does a job in the records thread and waits for it, from the command thread."""
    try:
        return hands.records.result_of(job, ANSWER_S)
    except TimeoutError:
        what = "the disk is slow: it is not known to be on record yet"
        raise NotDoneError(what, machine, next_step) from None


def _told(proved: Signature) -> dict[str, Any]:
    return {**dataclasses.asdict(proved.signed), "new": proved.new}
