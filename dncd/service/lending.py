"""A line in other hands: lent to a command that tests it, or watched by one while the service works on it.

A loan is bound to the borrower's connection: however that ends, the service opens the port again. A watcher gets a copy of
what goes over the line; the line never waits for it.
"""

from collections.abc import Callable, Iterable
from typing import Any, Final

from dncd.outside.command_server import StreamReply, WatchQueue
from dncd.peer_text import printable
from dncd.station.driver import Station
from dncd.station.events import Ask, Wish

End = Callable[[Callable[[], None], Station], None]
"""Runs a job in the loop's thread unless the service stops; what it raises is the station's."""


def lend(station: Station, request: dict[str, Any], end: End) -> StreamReply:
    """Lends a line to whoever asked; `end` as `End`. request: `command`, as its user typed it; `peer`: its process.
    NotDoneError, with what the line is doing, unless it is idle. No start survives a loan, neither one said before nor
    one during it: on a line under test DC1 and CTS mean nothing."""
    to = f"`{printable(str(request.get('command', 'a command')))[:60]}` (process {request.get('peer')})"
    station.kick()  # what the control said up to now still counts
    station.tell(Ask(Wish.LEND, to))

    def gone() -> None:
        station.tell(Ask(Wish.BACK))

    return StreamReply({"port": station.settings.line.port}, lambda: end(gone, station))


_NOBODY: Final = "nobody until the old box is off"


def withhold(stations: Iterable[Station]) -> None:
    """Keeps lines of new stations closed until `hand_over`: the box whose records these were may still be on them."""
    for station in stations:
        if not station.core.port.unseated:
            station.tell(Ask(Wish.LEND, _NOBODY))


def borrowed(station: Station) -> bool:
    return station.core.port.lent_to not in ("", _NOBODY)


def hand_over(station: Station) -> None:
    if station.core.port.lent_to == _NOBODY:
        station.tell(Ask(Wish.BACK))


def watch(station: Station, end: End) -> StreamReply:
    """Shows a line to whoever asked: news `{"lines": TEXT}`, each text one or more lines of a recording."""
    news = WatchQueue()

    def gone() -> None:
        station.watchers.remove(news)
        station.tap()

    station.watchers.add(news)
    try:
        station.tap()
    except BaseException:
        station.watchers.remove(news)  # nobody will ever say that this one has gone
        raise
    content = {"port": station.settings.line.port, "state": station.state.value}
    return StreamReply(content, lambda: end(gone, station), news)
