"""A revision signed off as proven: by the service, whose records thread alone writes, or beside it where none runs."""

import contextlib
import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

from dncd.errors import NoServiceError, NotDoneError
from dncd.outside.command_client import ask
from dncd.outside.workers import Workers
from dncd.records.holdings import Holdings
from dncd.records.library import Library, Writer
from dncd.records.proving import Signature, Signing, prove
from dncd.records.store import Store, ledger_beside

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


def recorded(hands: Workers, machine: str, job: Callable[[], _T]) -> _T:
    """Does a job in the records thread and waits for it, from the command thread."""
    try:
        return hands.records.result_of(job, ANSWER_S)
    except TimeoutError:
        what = "the disk is slow: it is not known to be on record yet"
        raise NotDoneError(what, machine, "Give the same command again") from None


def _told(proved: Signature) -> dict[str, Any]:
    return {**dataclasses.asdict(proved.signed), "new": proved.new}
