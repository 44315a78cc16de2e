"""One open line in the hands of one command: a pure machine is driven over a port by `select` and a clock.

    with line_for(state, "gang-lathe", "dncd line test gang-lathe"), LineSession(machine.line) as session:
        session.run(hand)

`hand` wraps the pure machine (`Hand`). It is called in one thread, never at the same time; it may send, switch RTS and DTR
and change the rate through the session at any of its calls.
"""

import contextlib
import dataclasses
import math
import select
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, Protocol

from dncd.choices import ModemLine
from dncd.errors import DncdError, NoServiceError, PortBusyError, PortGoneError
from dncd.outside.command_client import StreamRequest
from dncd.ports.opening import open_port
from dncd.ports.port import Port, Reading
from dncd.ports.tap import TappedPort, Tell
from dncd.values import NO_FAULTS, Frame, LineSettings, Modem, Signal

LOOK_S: Final = 0.01
"""Seconds between looks at the modem lines of a port that has them: ten characters at 9600 baud."""

LONGEST_WAIT_S: Final = 1.0
PENDING_S: Final = 0.005

BUSY_S: Final = 2.0
"""Seconds in which a port that is busy is tried again: the service, or the last command, may be just letting go of it."""

BUSY_AGAIN_S: Final = 0.05


class Hand(Protocol):
    """What a session drives. Times are seconds of the session's clock."""

    def start(self, session: "LineSession", now: float) -> None:
        """The line is open. Keep the session, to send by it."""

    def feed(self, reading: Reading, now: float) -> None:
        """Characters came, or faults were noticed. Called before `turn` of the same look."""

    def modem(self, lines: Modem, now: float) -> None:
        """CTS, DSR and DCD as they stand, at every look."""

    def turn(self, now: float) -> None:
        """At every look, whether something came or not: what is due, what may be sent (`session.port.write`, `send`)."""

    def next_due(self) -> float:
        """When `turn` is wanted at the latest; infinity: only when something comes."""

    @property
    def over(self) -> bool:
        """Whether there is nothing left to do."""


@contextlib.contextmanager
def line_for(state: Path, machine: str, command: str) -> Iterator[None]:
    """Holds the line of `machine` for the command, as its user typed it, until the context is left. Open the port
    inside. NotDoneError with what the line is doing, where the service uses it or may not be spoken to. A machine that
    the service does not know (its settings are older) is free. The service opens the port again when the context is
    left, and as well when this process ends in any other way."""
    with contextlib.ExitStack() as held:
        try:
            held.callback(StreamRequest(state, {"do": "lend", "machine": machine, "command": command}).close)
        except DncdError as error:
            if not isinstance(error, NoServiceError) and error.code != "usage":
                raise
        yield


class LineSession:
    """A line that is open while the session is entered as a context. PortError, PortBusyError (with who holds it) and
    PortGoneError as `open_port`, and PortGoneError from `run` when the port goes away. tell: is told all that goes over
    the line, as entries of a recording with times of the clock."""

    def __init__(
        self,
        line: LineSettings,
        tell: Tell | None = None,
        opening: Callable[[LineSettings], Port] = open_port,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.line = line
        self.clock = clock
        self._tell, self._opening = tell, opening
        self._port: Port | None = None
        self._going = bytearray()
        self._rts = self._dtr = Signal.ON

    def __enter__(self) -> "LineSession":
        self._port = self._open(self.line)
        return self

    def __exit__(self, *_: object) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    @property
    def port(self) -> Port:
        """The open port. For a sender that paces itself: its `write` says how much was taken."""
        if self._port is None:
            raise RuntimeError("the session was not entered")
        return self._port

    @property
    def rate_is_ours(self) -> bool:
        """Whether the rate can be set from here: a plain socket keeps that of its device server."""
        return not self.line.port.startswith("socket://")

    def send(self, data: bytes) -> None:
        """Sends all of it, behind what is still going; what the port does not take now goes as soon as it can."""
        self._going += data
        self._push()

    def set_lines(self, rts: Signal, dtr: Signal) -> None:
        self._rts, self._dtr = rts, dtr
        self.port.switch(ModemLine.RTS, rts)
        self.port.switch(ModemLine.DTR, dtr)

    def tune(self, baud: int, frame: Frame) -> None:
        """Opens the port anew at this rate and frame; what is on its way is void. No call to it, where nothing changes."""
        wanted = dataclasses.replace(self.line, baud=baud, frame=frame)
        if wanted == self.line or not self.rate_is_ours:
            return
        self._going.clear()
        self.port.close()
        self._port, self.line = None, wanted
        self._port = self._open(wanted)
        if (self._rts, self._dtr) != (Signal.ON, Signal.ON):
            self.set_lines(self._rts, self._dtr)

    def run(self, hand: Hand, longest_s: float = math.inf) -> bool:
        """Drives the hand until it is over (True) or `longest_s` seconds have gone (False)."""
        began = self.clock()
        hand.start(self, began)
        while not hand.over:
            now = self.clock()
            if now - began >= longest_s:
                return False
            self._look(hand)
            if not hand.over:
                self._wait(min(hand.next_due(), began + longest_s))
        return True

    def _look(self, hand: Hand) -> None:
        port = self.port
        reading = port.read()
        lines = port.modem()
        now = self.clock()
        hand.modem(lines, now)
        if reading.data or reading.notices != NO_FAULTS:
            hand.feed(reading, now)
        hand.turn(self.clock())
        self._push()

    def _push(self) -> None:
        if self._going:
            del self._going[: self.port.write(bytes(self._going))]
        elif self.port.pending_write():
            self.port.write(b"")

    def _wait(self, until: float) -> None:
        port = self.port
        wait = min(until - self.clock(), LONGEST_WAIT_S)
        if port.modem() != Modem():
            wait = min(wait, LOOK_S)
        writes = [port.fileno()] if self._going else []
        if port.pending_write():
            wait = min(wait, PENDING_S)
        select.select([port.fileno()], writes, [], max(0.0, wait))

    def _open(self, line: LineSettings) -> Port:
        until = self.clock() + BUSY_S
        while True:
            try:
                port = self._opening(line)
                return TappedPort(port, self._tell, self.clock) if self._tell is not None else port
            except PortGoneError as error:  # nobody tries it again, as a service would
                raise PortGoneError(error.what, error.where, "Check cable, power and adaptor, then ask again") from None
            except PortBusyError:
                if self.clock() >= until:
                    raise
                time.sleep(BUSY_AGAIN_S)
