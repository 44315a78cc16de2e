"""The sheet of a trial put on record: by the service, whose records thread alone writes, or beside it where none runs."""

import functools
from pathlib import Path
from typing import Any, Final

from dncd.commissioning.trial_sheet import head_of
from dncd.errors import NoServiceError, NotDoneError
from dncd.outside.command_client import ask
from dncd.outside.workers import Workers
from dncd.records import trials
from dncd.records.store import Store, ledger_beside
from dncd.station.driver import Station

ANSWER_S: Final = 4.0
"""Seconds in which the disk must have taken the sheet, within the patience of whoever asked."""


def keep_sheet(state: Path, machine: str, text: str) -> str:
    """Puts a sheet on record; its place under the state folder. Errors as `trials.keep`, `ask`, `ledger_beside`."""
    try:
        return str(ask(state, {"do": "keep-trial", "machine": machine, "sheet": text})["sheet"])
    except NoServiceError:
        with ledger_beside(state) as ledger:
            return trials.keep(state, ledger, text).relative_to(state).as_posix()


def keep_for(station: Station, store: Store, hands: Workers, text: str) -> dict[str, Any]:
    """The service's part, in the command thread: waits until the records thread has the sheet on record. NotDoneError
    for a sheet of another machine, or where the disk takes longer than `ANSWER_S`."""
    if head_of(text).get("machine") != station.name:
        raise NotDoneError("the sheet is of another machine", station.name, "Make it with `dncd line trial`")
    state = store.shop.state

    def keep() -> tuple[Path, trials.Proof]:
        path = trials.keep(state, store.ledger, text)
        return path, trials.latest(state, station.name)

    try:
        path, proof = hands.records.result_of(keep, ANSWER_S)
    except TimeoutError:
        what, next_step = (
            "the disk is slow: the sheet is not known to be on record yet",
            "Look at `dncd log` in a moment",
        )
        raise NotDoneError(what, station.name, f"{next_step}; make the trial again if it is not there") from None
    hands.loop.post(functools.partial(setattr, station, "proof", proof), station)
    return {"sheet": path.relative_to(state).as_posix()}
