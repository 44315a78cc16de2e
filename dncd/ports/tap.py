"""A port that somebody watches: it does what the port does, and tells what went each way as entries of a recording."""

import contextlib
import dataclasses
from collections.abc import Callable

from dncd.choices import ModemLine
from dncd.commissioning.recording import Entry, Lines, Note, Passed, Way
from dncd.errors import PortGoneError
from dncd.ports.port import Port, Reading
from dncd.values import NO_FAULTS, Counters, Modem, Signal

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
        with contextlib.suppress(PortGoneError):  # it went in this instant: the first `read` says so
            self._see()

    def fileno(self) -> int:
        return self.inner.fileno()

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

    def pending_write(self) -> bool:
        return self.inner.pending_write()

    def suspended(self) -> bool:
        return self.inner.suspended()

    def outgoing(self) -> int | None:
        return self.inner.outgoing()

    def settled(self) -> bool:
        return self.inner.settled()

    def modem(self) -> Modem:
        modem = self.inner.modem()
        self._show(modem)
        return modem

    def switch(self, line: ModemLine, on: Signal) -> None:
        self.inner.switch(line, on)
        self._ours[line] = on
        self._see()

    def counters(self) -> Counters | None:
        return self.inner.counters()

    def close(self) -> None:
        self.inner.close()

    def _see(self) -> None:
        self._show(self.inner.modem())

    def _show(self, modem: Modem) -> None:
        seen, now = self._seen, (self._ours[ModemLine.RTS], self._ours[ModemLine.DTR], modem)
        if seen is None or (seen.rts, seen.dtr, seen.modem) != now:
            self._seen = Lines(self._clock(), *now)
            self._tell(self._seen)
