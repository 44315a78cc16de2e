"""The status of the whole service, as `dncd status` asks for it and as STATUS.txt in each machine's folder says it."""

import dataclasses
import os
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any, Final, TypeVar

from dncd import __version__
from dncd.errors import RecordsError
from dncd.records.ledger import utc_now
from dncd.service.parts import Parts
from dncd.service.status import open_of, status_of, status_text, transfer_of
from dncd.station.driver import Station

_REFUSED_DAYS: Final = 7
"""After so many days nobody is told any more of a refused file that lies there."""

_REFUSED_LOOK_S: Final = 10.0
"""Seconds between two looks whether somebody took refused files away."""

_UNWRITTEN: Final = "STATUS.txt cannot be written: "


_T = TypeVar("_T")


class StatusNotes:
    """For the loop's thread; what is written is the notes thread's, for a share may take its time. latest: the status
    object of the last round, from any thread."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._started: Final = utc_now().strftime("%Y-%m-%dT%H:%M:%SZ")
        self._statuses: dict[str, dict[str, object]] = {}
        self._gone: dict[str, frozenset[tuple[str, str]]] = {}  # of each machine, refused files that somebody took away
        self._look_at: dict[str, float] = {}
        self.latest = self.status()

    def status(self) -> dict[str, Any]:
        return self._with({name: self.of(station) for name, station in self._parts.stations.items()})

    def round_over(self) -> None:
        """Every line has told what it does: that is the newest status of all."""
        self._statuses = {name: self._statuses[name] for name in self._parts.stations if name in self._statuses}
        self.latest = self._with(self._statuses)

    def write(self, station: Station) -> dict[str, object]:
        """STATUS.txt of one machine as it is now; gives that status."""
        name, status = station.name, self.of(station)
        self._statuses[name] = status
        if self._parts.workers.notes.waiting() > 2 * len(self._parts.stations):
            return status  # a slow share: the next round writes what is true then

        def failed(error: Exception) -> None:
            station.core.folder_trouble = f"{_UNWRITTEN}{error}"

        def written(gone: frozenset[tuple[str, str]]) -> None:
            self._gone[name] = gone
            if station.core.folder_trouble.startswith(_UNWRITTEN):
                station.core.folder_trouble = ""

        folders, claims = self._parts.store.shop.folders, self._parts.store.endings.claims

        now, before = self._parts.workers.loop.now(), self._gone.get(name, frozenset())
        refused = self._refused(name) if now >= self._look_at.get(name, now) else {}
        if refused:
            self._look_at[name] = now + _REFUSED_LOOK_S

        def job(whole: str) -> frozenset[tuple[str, str]]:
            if claims.keep(name):
                folders.write_status(name, whole)
            if not refused:
                return before
            try:
                gone = folders.taken_away(name, refused)
            except (OSError, RecordsError):
                return before
            return frozenset((file, time) for file, time in refused.items() if file in gone)

        self._put(job, lambda when: status_text(status, name, when), failed, written)
        return status

    def write_last(self, name: str, state: str) -> None:
        """STATUS.txt must not go on saying what was true once."""

        def failed(error: Exception) -> None:
            next_step = "look whether that folder can be written; what it says there is out of date"
            self._parts.log.warning(
                "STATUS.txt", machine=name, what=str(error), where=f"{name}/STATUS.txt", next=next_step
            )

        folders, claims = self._parts.store.shop.folders, self._parts.store.endings.claims

        def job(whole: str) -> None:
            if name not in claims.problems:
                folders.write_status(name, whole)
                claims.give_up(name)

        self._put(job, lambda when: f"{name}\nat {when}\nstate: {state}\n", failed)

    def summary(self) -> str:
        states = [station.state.value for station in self._parts.stations.values()]
        counts = [f"{states.count(state)} {state}" for state in dict.fromkeys(states)]
        if pending := len(self._parts.stations.pending):
            counts.append(f"{pending} with new settings to come")
        if problems := self._parts.health.problems:
            first = next(iter(problems.values()))
            counts.append(f"{first.what} ({first.where})")
        return f"{len(states)} machine{'' if len(states) == 1 else 's'}: {', '.join(counts)}"

    def _put(
        self,
        job: Callable[[str], _T],
        text: Callable[[str], str],
        failed: Callable[[Exception], None],
        written: Callable[[_T], None] = lambda _: None,
    ) -> None:
        whole = text(datetime.now().astimezone().strftime("%Y-%m-%d %H:%M:%S %Z"))
        self._parts.workers.notes.do(lambda: job(whole), written, failed)

    def of(self, station: Station) -> dict[str, object]:
        held = self._parts.store.held
        checks = held.checks
        check, gone = checks.last(station.name), self._gone.get(station.name, frozenset())
        lying = [file for file, time in self._refused(station.name).items() if (file, time) not in gone]
        return {
            **status_of(station, self._parts.workers.loop.now(), held),
            "backup": self._parts.backing_up.status(station, utc_now()),
            "checked": dataclasses.asdict(check) if check else None,
            "last": dataclasses.asdict(checks.ending(station.name)),
            "open": open_of(held, station.name, lying),
        }

    def _refused(self, name: str) -> dict[str, str]:
        """The files that were refused in the last days and not sent since, and when."""
        since = (utc_now() - timedelta(days=_REFUSED_DAYS)).strftime("%Y-%m-%dT%H:%M:%SZ")
        return self._parts.store.held.checks.refused(name, since)

    def transfer(self, station: Station) -> dict[str, object] | None:
        """What of `of` moves while a program does."""
        return transfer_of(station.core, self._parts.workers.loop.now())

    def _with(self, machines: dict[str, dict[str, object]]) -> dict[str, Any]:
        return {
            "service": {
                "pid": os.getpid(),
                "started": self._started,
                "version": __version__,
                "trouble": [problem.sentence for problem in self._parts.health.problems.values()],
                "disk_free_bytes": dict(self._parts.health.room),
                "reload": self._parts.reloading.last.as_dict(self._parts.stations.pending),
                "seq": self._parts.store.ledger.seq,
            },
            **self._parts.care.status(),
            "machines": machines,
        }
