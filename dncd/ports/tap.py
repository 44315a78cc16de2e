"""A port that somebody watches: it does what the port does, and tells what went each way as entries of a recording."""

import dataclasses
from collections.abc import Callable

from dncd.commissioning.recording import Entry, Lines, Note, Passed, Way
from dncd.ports.port import NOTHING, Port, Reading
from dncd.values import NO_FAULTS, Counters, Modem, ModemLine, Signal

Tell = Callable[[Entry], None]
"""Is told each entry at once, with `at` by the clock that was given; it must not wait."""


class TappedPort:
    """A `Port` around another. RTS and DTR count as on until they are switched: a port is opened with both on."""

    def __init__(self, inner: Port, tell: Tell, clock: Callable[[], float]) -> None:
        self.inner = inner
        self.name, self.notes, self.looped = inner.name, inner.notes, inner.looped
        self._tell, self._clock = tell, clock
        self._ours = {ModemLine.RTS: Signal.ON, ModemLine.DTR: Signal.ON}
        self._seen: Lines | None = None
        self._back = NOTHING
        self._see()

    def fileno(self) -> int:
        """The descriptor to select on."""
        return self.inner.fileno()

    def read(self) -> Reading:
        """What has come, told before it is given; the modem lines are looked at as well."""
        if self._back != NOTHING:
            back, self._back = self._back, NOTHING
            return back
        reading = self.inner.read()
        if reading.data:
            self._tell(Passed(self._clock(), Way.FROM_CONTROL, reading.data, reading.bad))
        if reading.notices != NO_FAULTS:
            counts = [f"{count} {name}" for name, count in dataclasses.asdict(reading.notices).items() if count]
            self._tell(Note(self._clock(), f"the port noticed faults: {', '.join(counts)}"))
        self._see()
        return reading

    def put_back(self, reading: Reading) -> None:
        """As the port does: what was told once is not told again."""
        self._back = reading + self._back

    def write(self, data: bytes) -> int:
        """Hands over; what was taken is told."""
        taken = self.inner.write(data)
        if taken and data:
            self._tell(Passed(self._clock(), Way.TO_CONTROL, data[:taken]))
        return taken

    def pending_write(self) -> bool:
        """As the port says."""
        return self.inner.pending_write()

    def outgoing(self) -> int | None:
        """As the port says."""
        return self.inner.outgoing()

    def settled(self) -> bool:
        """As the port says."""
        return self.inner.settled()

    def modem(self) -> Modem:
        """As the port says; a change is told."""
        modem = self.inner.modem()
        self._show(modem)
        return modem

    def switch(self, line: ModemLine, on: Signal) -> None:
        """Switches it; a change is told."""
        self.inner.switch(line, on)
        self._ours[line] = on
        self._see()

    def counters(self) -> Counters | None:
        """As the port says."""
        return self.inner.counters()

    def close(self) -> None:
        """Closes the port."""
        self.inner.close()

    def _see(self) -> None:
        self._show(self.inner.modem())

    def _show(self, modem: Modem) -> None:
        seen, now = self._seen, (self._ours[ModemLine.RTS], self._ours[ModemLine.DTR], modem)
        if seen is None or (seen.rts, seen.dtr, seen.modem) != now:
            self._seen = Lines(self._clock(), *now)
            self._tell(self._seen)
