"""Who watches one line: each gets a copy of what goes over it, and the line never waits for them."""

import dataclasses
from collections.abc import Callable
from typing import Final

from dncd.commissioning.recording import Entry, Note, entry_lines
from dncd.outside.command_server import WatchQueue
from dncd.ports.port import Port
from dncd.ports.tap import TappedPort

WATCHED_LOOK_S: Final = 0.1
"""Seconds between looks at the modem lines of a line that is watched and otherwise at rest."""


class Watchers:
    """Who watches one line. For the loop's thread."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._watchers: list[tuple[float, WatchQueue]] = []

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
        if self:
            self._tell(Note(self._clock(), text))

    def add(self, news: WatchQueue) -> None:
        """One more; the times that it is told begin now."""
        self._watchers.append((self._clock(), news))

    def remove(self, news: WatchQueue) -> None:
        """It has gone; one that is not there is no error."""
        self._watchers = [watcher for watcher in self._watchers if watcher[1] is not news]

    def _tell(self, entry: Entry) -> None:
        for since, news in self._watchers:
            news.put({"lines": entry_lines(dataclasses.replace(entry, at=max(0.0, entry.at - since)))})
