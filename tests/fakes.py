"""Fakes that behave: a port whose line is scripted by the test. The conformance suite holds it to the real ones."""

import os
from collections import deque

from dncd.choices import ModemLine
from dncd.errors import PortGoneError
from dncd.ports.port import Port, Reading
from dncd.values import NO_FAULTS, Counters, Modem, Signal


class FakePort(Port):
    """A port without a line. `feed` gives it input, `written` is what it was handed, `room` limits what it takes."""

    def __init__(self, name: str = "fake", *, room: int | None = None) -> None:
        super().__init__(name)
        self.written = bytearray()
        self.room = room
        self.lines = Modem()
        self.rts = self.dtr = Signal.ON
        self.switched: list[tuple[str, Signal]] = []
        self.count: int | None = None
        self.faults: Counters | None = None
        self._input: deque[Reading] = deque()
        self._wake = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._gone = False
        self.is_settled = True
        self.is_suspended = False

    def feed(
        self, data: bytes, bad: tuple[int, ...] = (), notices: Counters = NO_FAULTS, counted: Counters = NO_FAULTS
    ) -> None:
        """The control says something."""
        self._input.append(Reading(data, bad, notices, counted if counted != NO_FAULTS else notices))
        os.eventfd_write(self._wake, 1)

    def vanish(self) -> None:
        """The cable is pulled: what came before can still be read."""
        self._gone = True
        os.eventfd_write(self._wake, 1)

    def fileno(self) -> int:
        if self._wake < 0:
            raise self._error()
        return self._wake

    def read_new(self) -> Reading:
        if self._wake < 0:
            raise self._error()
        if self._input:
            reading = self._input.popleft()
            if not self._input and not self._gone:
                os.eventfd_read(self._wake)
            return reading
        if self._gone:
            raise self._error()
        return Reading()

    def write(self, data: bytes) -> int:
        if self._gone or self._wake < 0:
            raise self._error()
        taken = len(data) if self.room is None else min(len(data), self.room)
        if self.room is not None:
            self.room -= taken
        self.written += data[:taken]
        return taken

    def suspended(self) -> bool:
        return self.is_suspended

    def settled(self) -> bool:
        return self.is_settled

    def outgoing(self) -> int | None:
        return self.count

    def modem(self) -> Modem:
        return self.lines

    def switch(self, line: ModemLine, on: Signal) -> None:
        if line is not ModemLine.NONE:
            setattr(self, line.value.lower(), on)
            self.switched.append((line.value.lower(), on))

    def counters(self) -> Counters | None:
        return self.faults

    def close(self) -> None:
        if self._wake >= 0:
            os.close(self._wake)
            self._wake = -1

    def _error(self) -> PortGoneError:
        return PortGoneError("the port went away", f"port {self.name}", "Check the cable")
