"""The sheet of a trial put on record: by the service, whose records thread alone writes, or beside it where none runs."""

import threading
from pathlib import Path
from typing import Any, Final

from dncd.commissioning.trial_sheet import head_of
from dncd.errors import NoServiceError, NotDoneError
from dncd.outside.command_client import ask
from dncd.records import trials
from dncd.station.beside import ledger_beside
from dncd.station.hands import Hands
from dncd.station.machine import Station
from dncd.station.office import Office

ANSWER_S: Final = 4.0
"""Seconds in which the disk must have taken the sheet, within the patience of whoever asked."""


def keep_sheet(state: Path, machine: str, text: str) -> str:
    """Puts a sheet on record; its place under the state folder. Errors as `trials.keep`, `ask`, `ledger_beside`."""
    try:
        return str(ask(state, {"do": "keep-trial", "machine": machine, "sheet": text})["sheet"])
    except NoServiceError:
        with ledger_beside(state) as ledger:
            return trials.keep(state, ledger, text).relative_to(state).as_posix()


def keep_for(station: Station, office: Office, hands: Hands, text: str) -> dict[str, Any]:
    """The service's part, in the command thread: waits until the records thread has the sheet on record.

    NotDoneError for a sheet of another machine, or where the disk takes longer than `ANSWER_S`.
    """
    if head_of(text).get("machine") != station.name:
        raise NotDoneError("the sheet is of another machine", station.name, "Make it with `dncd line trial`")
    state, done = office.shop.state, threading.Event()
    box: list[tuple[Path, trials.Proof] | Exception] = []

    def keep() -> tuple[Path, trials.Proof]:
        path = trials.keep(state, office.ledger, text)
        return path, trials.latest(state, station.name)

    def ended(result: tuple[Path, trials.Proof] | Exception) -> None:
        box.append(result)
        if not isinstance(result, Exception):
            station.proof = result[1]
        done.set()

    hands.records.do(keep, ended, ended)
    if not done.wait(ANSWER_S):
        raise NotDoneError(
            "the disk is slow: the sheet is not known to be on record yet",
            station.name,
            "Look at `dncd log` in a moment; make the trial again if it is not there",
        )
    if isinstance(box[0], Exception):
        raise box[0]
    return {"sheet": box[0][0].relative_to(state).as_posix()}
