"""Who follows the status: asked once on the command socket, told each change as it happens.

News are parts of the status object (`command_client.joined` puts them in their places). Changes are told within a tenth of
a second, all of a look at once; figures of a transfer, and nothing else of its machine, about once a second; and nothing is
looked at while nobody follows. What a round sees and nobody had said, such as the age of a backup, is told then. The status
of a machine takes some 0.1 ms, which is the time of a character: one is made at a time, and the lines are served between.
"""

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from dncd.outside.command_server import StreamReply, WatchQueue
from dncd.outside.loop import Loop
from dncd.service.notes import StatusNotes
from dncd.station.driver import Station
from dncd.values import LineState

LOOK_S: Final = 0.1
"""Seconds between two looks at all stations, at what changes without a word said: some microseconds for each."""

_GAP_S: Final = 0.0005
"""Seconds between two statuses that are made."""

FIGURES_S: Final = 1.0
"""Seconds between two news of a transfer's figures."""

NAMES: Final = 200
"""Of waiting files, and of the programs behind the first, that news have: 6,000 names alone would be more than may wait for
a follower (`command_server.NEWS_BYTES`)."""

_Moment = tuple[LineState, tuple[str, ...], int]


@dataclass(frozen=True, slots=True)
class _Known:
    """What followers know of a machine, and since when."""

    status: Mapping[str, object]
    moment: _Moment
    at: float


class Followers:
    """A client of the loop, for its thread; only `follow`'s end may be called from any."""

    def __init__(self, loop: Loop, stations: Mapping[str, Station], notes: StatusNotes) -> None:
        self._loop, self._stations, self._notes = loop, stations, notes
        self._queues: list[WatchQueue] = []
        self._due: dict[str, None] = {}
        self._said: set[str] = set()
        self._known: dict[str, _Known] = {}
        self._rest: dict[str, Any] = {}
        self._look_at = 0.0
        self._made: dict[str, Mapping[str, object]] = {}
        self._figures: dict[str, object] = {}

    def follow(self) -> StreamReply:
        """The status now, with the first of long lists; the news behind it."""
        news, status = WatchQueue(), self._notes.status()
        status["machines"] = {name: brief(machine) for name, machine in status["machines"].items()}
        for station in self._stations.values():
            self._know(station, status["machines"][station.name])  # so that no older news come behind it
        if not self._queues:
            for left in (self._due, self._said, self._made, self._figures):
                left.clear()
            self._look_at = self._loop.now() + LOOK_S
            self._loop.due(self, self._look_at)
        self._queues.append(news)

        def gone() -> None:
            self._loop.post(lambda: self._queues.remove(news))

        return StreamReply(status, gone, news)

    def changed(self, station: Station) -> None:
        """Something that its status shows is another."""
        if self._queues:
            self._said.add(station.name)
            self._due[station.name] = None

    def visit(self, station: Station) -> None:
        """A round is at this station: its status is written down for the shop's folder, and told where it is another."""
        status, known = brief(self._notes.write(station)), self._known.get(station.name)
        if self._queues and (known is None or known.status != status):
            self._know(station, status)

    def round_over(self, status: Mapping[str, Any]) -> None:
        """The whole status after a round: what of it is no machine's, and which machines there are."""
        rest = {**{key: part for key, part in status.items() if key != "machines"}, "names": list(status["machines"])}
        if self._queues and rest != self._rest:
            self._rest = rest
            self._put(rest)

    def on_input(self, _now: float) -> None:
        """It has no port."""

    def broke(self, error: Exception) -> None:
        """Whoever follows would never hear again: the service had better start anew."""
        self._loop.broke(error)

    def on_due(self, now: float) -> None:
        """A look at all of them, or the next one of those whose status is to be made."""
        if not self._queues:
            return
        if now >= self._look_at:
            self._look_at = now + LOOK_S
            self._due |= dict.fromkeys(name for name, station in self._stations.items() if self._moved(station, now))
        if self._due:
            name = next(iter(self._due))
            del self._due[name]
            if (station := self._stations.get(name)) is not None:  # a reload may have let it go
                self._loop.serve(station, functools.partial(self._make, station))
        if not self._due and (self._made or self._figures):
            made, self._made, figures, self._figures = self._made, {}, self._figures, {}
            made = {name: status for name, status in made.items() if name in self._stations}  # else it would come back
            self._put({key: part for key, part in (("machines", made), ("figures", figures)) if part})
        self._loop.due(self, self._loop.now() + _GAP_S if self._due else self._look_at)

    def _moved(self, station: Station, now: float) -> bool:
        known = self._known.get(station.name)
        if known is None or known.moment != _moment(station):
            return True
        return known.status["transfer"] is not None and now - known.at >= FIGURES_S

    def _make(self, station: Station) -> None:
        name, known, moment, now = station.name, self._known.get(station.name), _moment(station), self._loop.now()
        if known is not None and known.status["transfer"] and known.moment == moment and name not in self._said:
            self._figures[name] = figures = self._notes.transfer(station)
            self._known[name] = _Known({**known.status, "transfer": figures}, moment, now)
            return
        self._said.discard(name)
        self._known[name] = _Known({"transfer": None}, moment, now)
        self._know(station, brief(self._notes.of(station)))  # where this fails, the next change or round tries again

    def _know(self, station: Station, status: Mapping[str, object]) -> None:
        self._known[station.name] = _Known(status, _moment(station), self._loop.now())
        self._made[station.name] = status
        self._figures.pop(station.name, None)

    def _put(self, news: dict[str, Any]) -> None:
        for each in self._queues:
            each.put(news)


def brief(status: Mapping[str, Any]) -> Mapping[str, Any]:
    """A machine's status with the first `NAMES` of its long lists; `waiting_more` and `then_more` say how many more."""
    found, coming = dict(status), dict(status.get("next") or {})
    for where, key in ((found, "waiting"), (coming, "then")):
        names = where.get(key, ())
        if len(names) > NAMES:
            where |= {key: names[:NAMES], f"{key}_more": len(names) - NAMES}
    return found | {"next": coming} if coming else found


def _moment(station: Station) -> _Moment:
    """What changes without a word said."""
    sender = station.core.sender
    return station.state, sender.queue.waiting, id(sender.run)
