"""The loopback test on an open line: `dncd line test` and the first step of a trial."""

import dataclasses
from collections.abc import Callable
from typing import Final

from dncd.commissioning.loopback import Action, LoopbackTest, SetBaud, SetLines, Write
from dncd.commissioning.loopback_measures import Plan, PlugAt
from dncd.commissioning.pins import Connector
from dncd.ports.port import Reading
from dncd.ports.session import LineSession
from dncd.values import Frame, LineSettings, Modem

LOOP_FRAME: Final = Frame.parse("8N1")
"""Every byte value goes out, so the test needs eight bits; the cable does not know the difference."""


def plan_for(line: LineSettings, plug_at: PlugAt, soak_s: float, connector: Connector = Connector.DE9) -> Plan:
    """The test of this line; a plain socket keeps the rate of its server, so there is no stepping down."""
    plan = Plan(line.baud, plug_at, soak_s=soak_s, connector=connector)
    return dataclasses.replace(plan, lower=()) if line.port.startswith("socket://") else plan


def loop_line(line: LineSettings) -> LineSettings:
    return dataclasses.replace(line, frame=LOOP_FRAME)


class LoopbackHand:
    """A `LoopbackTest` in the hands of a line session. told: is given the seconds since its start, at every turn."""

    def __init__(self, plan: Plan, told: Callable[[float], None] = lambda _: None) -> None:
        self.test = LoopbackTest(plan)
        self._told = told
        self._session: LineSession | None = None
        self._began = 0.0

    def start(self, session: LineSession, now: float) -> None:
        self._session, self._began = session, now
        self._do(self.test.start(now))

    def feed(self, reading: Reading, now: float) -> None:
        self._do(self.test.feed(reading.data, reading.bad, now))

    def modem(self, lines: Modem, now: float) -> None:
        self._do(self.test.modem(lines, now))

    def turn(self, now: float) -> None:
        self._do(self.test.tick(now))
        self._told(now - self._began)

    def next_due(self) -> float:
        return self.test.next_due()

    @property
    def over(self) -> bool:
        return bool(self.test.measures)

    def _do(self, actions: tuple[Action, ...]) -> None:
        session = self._session
        if session is None:
            return
        for action in actions:
            match action:
                case Write(data):
                    session.send(data)
                case SetLines(rts, dtr):
                    session.set_lines(rts, dtr)
                case SetBaud(baud):
                    session.tune(baud, LOOP_FRAME)
