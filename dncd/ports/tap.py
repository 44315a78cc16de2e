"""A port that somebody watches: it does what the port does, and tells what went each way as entries of a recording."""

import contextlib
import dataclasses
from collections.abc import Callable
from typing import Final

from dncd.choices import ModemLine
from dncd.commissioning.recording import Entry, Lines, Note, Passed, Way, entry_lines
from dncd.errors import PortGoneError
from dncd.outside.command_server import WatchQueue
from dncd.ports.port import Port, Reading
from dncd.values import NO_FAULTS, Modem, Signal

Tell = Callable[[Entry], None]
"""Is told each entry at once, with `at` by the clock that was given; it must not wait."""


class TappedPort(Port):
    """A `Port` around another. RTS and DTR count as on until they are switched: a port is opened with both on."""

    def __init__(self, inner: Port, tell: Tell, clock: Callable[[], float]) -> None:
        super().__init__(inner.name, inner.notes, inner.looped)
        self.inner = inner
        self._tell, self._clock = tell, clock
        self._ours = {ModemLine.RTS: Signal.ON, ModemLine.DTR: Signal.ON}
        self._seen: Lines | None = None
        for as_it_is in ("fileno", "pending_write", "suspended", "outgoing", "settled", "counters", "close"):
            setattr(self, as_it_is, getattr(inner, as_it_is))
        with contextlib.suppress(PortGoneError):  # it went in this instant: the first `read` says so
            self._see()

    def read_new(self) -> Reading:
        reading = self.inner.read()
        if reading.data:
            self._tell(Passed(self._clock(), Way.FROM_CONTROL, reading.data, reading.bad))
        if reading.notices != NO_FAULTS:
            counts = [f"{count} {name}" for name, count in dataclasses.asdict(reading.notices).items() if count]
            self._tell(Note(self._clock(), f"the port noticed faults: {', '.join(counts)}"))
        self._see()
        return reading

    def write(self, data: bytes) -> int:
        taken = self.inner.write(data)
        if taken and data:
            self._tell(Passed(self._clock(), Way.TO_CONTROL, data[:taken]))
        return taken

    def modem(self) -> Modem:
        modem = self.inner.modem()
        self._show(modem)
        return modem

    def switch(self, line: ModemLine, on: Signal) -> None:
        self.inner.switch(line, on)
        self._ours[line] = on
        self._see()

    def _see(self) -> None:
        self._show(self.inner.modem())

    def _show(self, modem: Modem) -> None:
        seen, now = self._seen, (self._ours[ModemLine.RTS], self._ours[ModemLine.DTR], modem)
        if seen is None or (seen.rts, seen.dtr, seen.modem) != now:
            self._seen = Lines(self._clock(), *now)
            self._tell(self._seen)


WATCHED_LOOK_S: Final = 0.1
"""Seconds between looks at the modem lines of a line that is watched and otherwise at rest."""


class Watchers:
    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._watchers: list[tuple[float, WatchQueue]] = []

    def __bool__(self) -> bool:
        return bool(self._watchers)

    def around(self, port: Port) -> Port:
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
        self._watchers = [watcher for watcher in self._watchers if watcher[1] is not news]

    def _tell(self, entry: Entry) -> None:
        for since, news in self._watchers:
            news.put({"lines": entry_lines(dataclasses.replace(entry, at=max(0.0, entry.at - since)))})
