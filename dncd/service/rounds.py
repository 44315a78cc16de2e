"""The round that is made of all lines: each is served once, tells its status, and only then is the watchdog fed.

One line at a time, spread over the round, so that 128 of them never keep the loop from a character for long. What feeds
the watchdog is having been there: a line whose port hangs in a system call keeps the loop, and so the dog, waiting. A line
that raises is that line's own trouble, and has been there.
"""

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from dncd.outside.loop import Loop
from dncd.station.driver import Station

_CLOSEST_S = 0.005
"""Least seconds between two lines of a round."""


@dataclass(frozen=True, slots=True)
class Round:
    """A round that is over. seconds: how long it took; answered: how many lines did."""

    seconds: float
    answered: int


class Rounds:
    """A client of the loop that serves and visits one station after another.

    every_s: seconds for a whole round; visit: called for each station after it answered; over: called after each round.
    """

    def __init__(
        self,
        loop: Loop,
        stations: Mapping[str, Station],
        every_s: float,
        visit: Callable[[Station], None],
        over: Callable[[Round], None],
    ) -> None:
        self._loop, self._stations, self._every_s = loop, stations, every_s
        self._visit, self._over = visit, over
        self._left: list[str] = []
        self._answered = 0
        self._began_at = loop.now()
        self._first = True

    def on_input(self, now: float) -> None:
        """It has no port."""

    def broke(self, error: Exception) -> None:
        """Without rounds nobody feeds the watchdog: the service had better start anew."""
        self._loop.broke(error)

    def on_due(self, now: float) -> None:
        if not self._left:
            self._left, self._answered, self._began_at = list(self._stations)[::-1], 0, now
        if self._left:
            station = self._stations.get(self._left.pop())
            if station is not None:  # a reload may have let it go
                self._loop.serve(station, station.kick)
                self._answered += 1
                self._loop.serve(station, functools.partial(self._visit, station))
        if not self._left:
            self._over(Round(self._loop.now() - self._began_at, self._answered))
            self._first = False
        gap = _CLOSEST_S if self._first else max(_CLOSEST_S, self._every_s / max(1, len(self._stations)))
        self._loop.due(self, self._loop.now() + gap)
