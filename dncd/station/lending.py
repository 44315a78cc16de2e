"""A line in other hands: lent to a command that tests it, or watched by one while the service works on it.

A loan is bound to the borrower's connection: however that ends, the service opens the port again. A watcher gets a copy of
what goes over the line; the line never waits for it.
"""

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from dncd.commissioning.recording import Entry, Note, entry_lines
from dncd.errors import NotDoneError
from dncd.outside.journal import Journal
from dncd.outside.lasting import Lasting, News
from dncd.outside.ports import Port
from dncd.outside.tapped_port import TappedPort
from dncd.values import LineState, printable

if TYPE_CHECKING:
    from dncd.station.machine import Station

WATCHED_LOOK_S: Final = 0.1
"""Seconds between looks at the modem lines of a line that is watched and otherwise at rest."""

_IDLE: Final = (LineState.LISTENING, LineState.WAITING, LineState.NO_PORT)


class Watchers:
    """Who watches one line. For the loop's thread."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._watchers: list[tuple[float, News]] = []

    def __bool__(self) -> bool:
        return bool(self._watchers)

    def around(self, port: Port) -> Port:
        """The port as the station is to use it: tapped while somebody watches."""
        if self and not isinstance(port, TappedPort):
            return TappedPort(port, self._tell, self._clock)
        if not self and isinstance(port, TappedPort):
            return port.inner
        return port

    def note(self, text: str) -> None:
        """A word about what happened."""
        if self:
            self._tell(Note(self._clock(), text))

    def add(self, news: News) -> None:
        """One more; the times that it is told begin now."""
        self._watchers.append((self._clock(), news))

    def remove(self, news: News) -> None:
        """It has gone; one that is not there is no error."""
        self._watchers = [watcher for watcher in self._watchers if watcher[1] is not news]

    def _tell(self, entry: Entry) -> None:
        for since, news in self._watchers:
            news.put({"lines": entry_lines(dataclasses.replace(entry, at=max(0.0, entry.at - since)))})


def need_line(station: "Station") -> None:
    """NotDoneError while the line is lent."""
    if station.lent_to:
        what = f"the line is lent to {station.lent_to}"
        raise NotDoneError(what, station.name, "Wait until that has ended, or end it")


def lend(
    station: "Station", request: dict[str, Any], journal: Journal, end: Callable[[Callable[[], None]], None]
) -> Lasting:
    """Lends a line to whoever asked; `end` runs a job in the loop's thread unless the service stops.

    request: `command`, as its user typed it; `peer`: its process. NotDoneError, with what the line is doing, unless it is
    idle. No start survives a loan, neither one said before nor one during it: on a line under test DC1 and CTS mean nothing.
    """
    need_line(station)
    station.kick()  # what the control said up to now still counts
    if station.state not in _IDLE:
        what = f"the service is using the line: it is {station.state.value}"
        raise NotDoneError(
            what, station.name, f"Wait until `dncd status {station.name}` says listening, then try again"
        )
    to = f"`{printable(str(request.get('command', 'a command')))[:60]}` (process {request.get('peer')})"
    station.watchers.note(f"the service has lent the line to {to}")
    journal.info("line lent", machine=station.name, to=to)
    station.give_away(to)

    def gone() -> None:
        journal.info("line taken back", machine=station.name, to=to)
        station.take_back()

    return Lasting({"port": station.settings.line.port}, lambda: end(gone))


def watch(station: "Station", end: Callable[[Callable[[], None]], None]) -> Lasting:
    """Shows a line to whoever asked: news `{"lines": TEXT}`, each text one or more lines of a recording."""
    news = News()
    station.watchers.add(news)
    station.tap()
    content = {"port": station.settings.line.port, "state": station.state.value}

    def gone() -> None:
        station.watchers.remove(news)
        station.tap()

    return Lasting(content, lambda: end(gone), news)
