"""The simulated port and cable of `simulated_cable` as a port that a session opens, by a clock of its own."""

import os

from simulated_cable import SimulatedPort, _Run

from dncd.choices import ModemLine
from dncd.commissioning.loopback import LOOP_FRAME
from dncd.commissioning.loopback_measures import Plan
from dncd.ports.port import Port, Reading
from dncd.values import LineSettings, Modem, Signal


class LoopedLine:
    """`opening` is what a `LineSession` opens with, `clock` what it tells the time by. Each look takes `looks_s`."""

    def __init__(self, port: SimulatedPort, plan: Plan) -> None:
        self.run = _Run(port, plan)
        self.opened: list[int] = []

    def opening(self, line: LineSettings) -> "LoopedPort":
        self.opened.append(line.baud)
        self.run.tune(line.baud, LOOP_FRAME)
        self.run.set_lines(Signal.ON, Signal.ON)
        return LoopedPort(self)

    def clock(self) -> float:
        return self.run.now


class LoopedPort(Port):
    """Always readable, so that no select waits: the clock moves with each look."""

    def __init__(self, line: LoopedLine) -> None:
        super().__init__("simulated")
        self._run, self._looks_s = line.run, line.run.port.looks_s
        self._fd = os.eventfd(1)
        self._rts = self._dtr = Signal.ON

    def fileno(self) -> int:
        return self._fd

    def read_new(self) -> Reading:
        run = self._run
        run.now += self._looks_s
        run.idle()
        return run.read()

    def write(self, data: bytes) -> int:
        if data:
            self._run.send(data)
        return len(data)

    def modem(self) -> Modem:
        return self._run.modem()

    def switch(self, line: ModemLine, on: Signal) -> None:
        self._rts = on if line is ModemLine.RTS else self._rts
        self._dtr = on if line is ModemLine.DTR else self._dtr
        self._run.set_lines(self._rts, self._dtr)

    def close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
