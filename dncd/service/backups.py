"""Backups of the controls' memories as people meet them: announced ones, and how old the last one is.

Runs in the loop's thread; what is written is the records thread's (`records.backups`).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from dncd import defaults
from dncd.errors import NotDoneError
from dncd.records.backups import Outcome
from dncd.records.holdings import Backup
from dncd.records.ledger import utc_now, utc_text
from dncd.records.store import Store
from dncd.station.driver import Station

_WITHOUT: Final = "it was ended while the control still punched: what came then is not in it"
DAY: Final = timedelta(days=1)


@dataclass(slots=True)
class _Announced:
    """A backup that somebody announced. quiet_from: when something came last, or when it was announced; end_by: when it ends
    whatever still comes, once somebody has ended it."""

    captures: int
    quiet_from: float
    end_by: float = math.inf
    closing: bool = False
    trouble: str = ""


class BackingUp:
    """Announced backups of all machines, closed by quiet; `announce`, `close`, `look` and `status` say and do it."""

    def __init__(self, store: Store, do: Callable[..., None]) -> None:
        """do: gives the records thread a job, as `Worker.do`."""
        self._store, self._do = store, do
        self._open: dict[str, _Announced] = {}
        self._outcomes: dict[str, dict[str, Any]] = {}
        do(lambda: store.held.catch_up(store.shop.state), lambda _: None, lambda _: None)

    def announce(self, name: str, now: float) -> None:
        """What comes from now on is one backup. NotDoneError if one is open."""
        if name in self._open:
            raise NotDoneError("a backup is open already", name, "Punch it out, or end it with `dncd backup --end`")
        self._outcomes.pop(name, None)
        self._open[name] = _Announced(0, now)
        self._do(
            lambda: self._store.backups.announce(name),
            lambda _: None,
            lambda error: self._closed(name, Outcome(None, (str(error),))),
        )

    def end(self, name: str, station: Station | None, now: float) -> None:
        """Ends an announced backup as soon as what comes just now is on record. NotDoneError if none is open."""
        announced = self._open.get(name)
        if announced is None:
            raise NotDoneError("no backup is open", name, "Announce one with `dncd backup`")
        announced.end_by = min(announced.end_by, now + defaults.BACKUP_QUIET_S)
        if not _still_comes(station):
            self._close(name, announced)

    def _close(self, name: str, announced: _Announced, without: str = "") -> None:
        """without: what is not in it, in a sentence."""
        if announced.closing:
            return
        announced.closing = True
        self._do(
            lambda: self._store.backups.close(name),
            lambda outcome: self._closed(name, outcome, without),
            lambda error: self._later(announced, error),
        )

    @staticmethod
    def _later(announced: _Announced, error: Exception) -> None:
        """The disk did not take it: tried again after another quiet while."""
        announced.trouble, announced.closing, announced.captures = str(error), False, -1

    def _closed(self, name: str, outcome: Outcome, without: str = "") -> None:
        self._open.pop(name, None)
        told = [*outcome.told, without] if without else list(outcome.told)
        self._outcomes[name] = {"counts": outcome.record is not None, "told": told, "time": utc_text(utc_now())}

    def look(self, stations: Mapping[str, Station], now: float) -> None:
        """Every second or two: closes the backups after whose last capture the line has been quiet."""
        for name, announced in list(self._open.items()):
            captures = self._store.backups.captures.get(name, 0)
            still_comes = _still_comes(stations.get(name))
            if captures != announced.captures or still_comes:
                announced.captures, announced.quiet_from = captures, now
            quiet = now - announced.quiet_from
            if quiet >= (defaults.BACKUP_QUIET_S if captures else defaults.BACKUP_WAIT_S):
                self._close(name, announced)
            elif now >= announced.end_by or (not still_comes and announced.end_by < math.inf):
                self._close(name, announced, _WITHOUT if still_comes else "")

    def status(self, station: Station, now: datetime) -> dict[str, Any]:
        """The `backup` of a machine's status: last (time), age_days, programs, missing, due (a sentence, or ""), wanted:
        whether the settings want any. open: whether an announced one waits for the rest; captures: how many it has;
        outcome: how and when the last ended."""
        name, held = station.name, self._store.held
        backup, first = held.backup(name), held.first(name)
        announced = self._open.get(name)
        return {
            "last": backup.time if backup else None,
            "age_days": _days(backup.time, now) if backup else None,
            "programs": len(backup.programs) if backup else 0,
            "missing": len(backup.missing) if backup else 0,
            "due": due(backup, first, station.settings.backup_days, now),
            "wanted": station.settings.backup_days > 0,
            "open": announced is not None,
            "trouble": announced.trouble if announced else "",
            "captures": self._store.backups.captures.get(name, 0) if announced else 0,
            "outcome": self._outcomes.get(name),
        }


def _still_comes(station: Station | None) -> bool:
    """Whether something that the control punches, or has punched, is not on record yet."""
    return station is not None and station.core.captures.busy


def due(backup: Backup | None, first: str, most_days: int, now: datetime) -> str:
    """Why the memory should be backed up now, "" if it need not. first: when the control's first program came or went."""
    if most_days == 0 or not (backup or first):
        return ""
    age = _days(backup.time if backup else first, now)
    if age is None or age < most_days:
        return ""
    what = f"the last backup of its memory is {int(age)} days old" if backup else "its memory was never backed up"
    return f"{what}, and it lives on a battery: punch all its programs out"


def _days(time: str, now: datetime) -> float | None:
    try:
        return round(max(timedelta(0), now.astimezone(UTC) - datetime.fromisoformat(time)) / DAY, 2)
    except (ValueError, TypeError):
        return None
