"""The loopback test: what a port sends comes back over a plug, so both ways of port, cable and plug are tested at once.

The test is a script of steps. Each does something at the line and waits until enough characters came or its time is up:

    lines    RTS and DTR off and on in all four ways: which input follows which output
    nuls     both off, NULs sent: the line is at space nine tenths of the time, so an input that TXD ends on shows
    quiet    both on, nothing sent: what comes is noise
    delay    single characters: the echo's delay
    values   every byte value, back to back; if one is not right: the same again, each by itself, and down the rates until
             all are right
    soak     blocks of every value in mixed order at the best rate

`LoopbackTest` is fed what came, the modem lines and the clock. It knows no port, but what it does to one (`LoopedLine`).
"""

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from typing import Final, Protocol

from dncd.commissioning.loopback_measures import (
    FEW,
    NO_ECHO,
    SWITCHED,
    Came,
    Echo,
    LinesLook,
    Measures,
    Pace,
    Plan,
    PlugAt,
    RateTest,
    compare,
    measured_rate,
    pace,
)
from dncd.commissioning.wiring import Connector
from dncd.values import Frame, LineSettings, Modem, Signal

SETTLE_S: Final = 0.15
"""Seconds that modem lines get to follow: an adaptor reports them every 16 ms or so (common practice), ten times over."""

QUIET_S: Final = 1.0
"""Seconds of listening while nothing is sent: fifty periods of mains hum."""

NULS: Final = 64
DELAYS: Final = 5

ECHO_S: Final = 0.4
"""Seconds that an echo may take beside the characters' own time: device servers included (common practice)."""

SINGLE_S: Final = 0.1
"""The same for each of many single characters, or what five echoes took twice over."""

SLOWEST: Final = 2.5
"""Times the nominal duration that a burst may take: a port at half its rate is still heard out."""

VALUES: Final = bytes(range(256))
MIXED: Final = bytes((k * 167 + 13) % 256 for k in range(256))
"""Every value once, far from its neighbours: single bits stand alone more often than in counting order."""


LOOP_FRAME: Final = Frame.parse("8N1")
"""Every byte value goes out, so the test needs eight bits; the cable does not know the difference."""


def plan_for(line: LineSettings, plug_at: PlugAt, soak_s: float, connector: Connector = Connector.DE9) -> Plan:
    """The test of this line; a plain socket keeps the rate of its server, so there is no stepping down."""
    plan = Plan(line.baud, plug_at, soak_s=soak_s, connector=connector)
    return replace(plan, lower=()) if line.port.startswith("socket://") else plan


def loop_line(line: LineSettings) -> LineSettings:
    return replace(line, frame=LOOP_FRAME)


class LoopedLine(Protocol):
    """What the test drives: an open line, such as `ports.session.LineSession`."""

    def send(self, data: bytes) -> None:
        """The port keeps what it cannot take at once and sends it as soon as it can."""

    def set_lines(self, rts: Signal, dtr: Signal) -> None: ...

    def tune(self, baud: int, frame: Frame) -> None:
        """What is still on its way is void."""


class Reading(Protocol):
    """Characters that came, and the indexes of those that the UART marked."""

    @property
    def data(self) -> bytes: ...

    @property
    def bad(self) -> tuple[int, ...]: ...


@dataclass(frozen=True, slots=True)
class _Step:
    """What to do, and how long to wait then: at most `seconds`, less if `chars` characters came, or if some came and then
    none for `rest_s`. baud: 0: stays; lines: (RTS, DTR), empty: stay."""

    seconds: float
    send: bytes = b""
    lines: tuple[Signal, ...] = ()
    baud: int = 0
    chars: int = 0
    rest_s: float = math.inf


@dataclass(frozen=True, slots=True)
class _Gathered:
    """What came in a step: characters, modem lines as they changed (the first as it stood), and when it began."""

    came: tuple[Came, ...]
    modems: tuple[Modem, ...]
    began: float


_Script = Generator[_Step, _Gathered, Measures]


class LoopbackTest:
    """One loopback test, as a line session drives it; it is over when `measures` has something. progress: is given the
    seconds since the start, at every turn."""

    def __init__(self, plan: Plan, progress: Callable[[float], None] = lambda _: None) -> None:
        self.measures: tuple[Measures, ...] = ()
        """Empty until the test is over, then one."""
        self._plan, self._progress = plan, progress
        self._script = _script(plan)
        self._step = _Step(math.inf)
        self._came: list[Came] = []
        self._lines = Modem()
        self._modems: list[Modem] = [self._lines]
        self._started = self._began = math.inf

    @property
    def over(self) -> bool:
        return bool(self.measures)

    def start(self, session: LoopedLine, now: float) -> None:
        self._line, self._started = session, now
        self._take(next(self._script), now)

    def feed(self, reading: Reading, now: float) -> None:
        self._came += [Came(now, byte, index in reading.bad) for index, byte in enumerate(reading.data)]
        self._go_on(now)

    def modem(self, lines: Modem, now: float) -> None:
        if lines != self._lines:
            self._lines = lines
            self._modems.append(lines)
        self._go_on(now)

    def next_due(self) -> float:
        """When the step's time is up; infinity before the start and after the end."""
        if self.measures:
            return math.inf
        rested = self._came[-1].at + self._step.rest_s if self._came else math.inf
        return min(self._began + self._step.seconds, rested)

    def turn(self, now: float) -> None:
        self._go_on(now)
        self._progress(now - self._started)

    def _go_on(self, now: float) -> None:
        """Goes on to the next step if this one has what it waits for, or its time is up."""
        step = self._step
        if self.measures or not (now >= self.next_due() or (step.chars and len(self._came) >= step.chars)):
            return
        gathered = _Gathered(tuple(self._came), tuple(self._modems), self._began)
        try:
            self._take(self._script.send(gathered), now)
        except StopIteration as end:
            self.measures = (end.value,)

    def _take(self, step: _Step, now: float) -> None:
        self._step, self._began = step, now
        self._came, self._modems = [], [self._lines]
        if step.baud:
            self._line.tune(step.baud, LOOP_FRAME)
        if step.lines:
            self._line.set_lines(*step.lines)
        if step.send:
            self._line.send(step.send)


def _script(plan: Plan) -> _Script:
    looks: list[LinesLook] = []
    for rts, dtr in SWITCHED:
        gathered = yield _Step(SETTLE_S, lines=(rts, dtr), baud=0 if looks else plan.baud)
        looks.append(LinesLook(gathered.modems[-1], len(gathered.came)))
    yield _Step(SETTLE_S, lines=(Signal.OFF, Signal.OFF))
    gathered = yield _burst(bytes(NULS), plan.baud)
    nuls = compare(bytes(NULS), gathered.came)
    on = frozenset(
        name.upper()
        for name in ("cts", "dsr", "dcd")
        if any(getattr(modem, name) is Signal.ON for modem in gathered.modems)
        and getattr(looks[0].modem, name) is Signal.OFF
    )
    yield _Step(SETTLE_S, lines=(Signal.ON, Signal.ON))
    gathered = yield _Step(QUIET_S)
    strays = len(gathered.came)
    delays = []
    for k in range(DELAYS):
        gathered = yield _Step(ECHO_S + 10 / plan.baud, bytes([0x55 + k]), chars=1)
        if gathered.came:
            delays.append(max(0.0, gathered.came[0].at - gathered.began - 10 / plan.baud))
    delay = sorted(delays)[len(delays) // 2] if delays else -1.0
    rates, again, singles = yield from _rates(plan, delay)
    soak, baud, steady = NO_ECHO, 0, Pace()
    if rates[0].echo.right:
        clean = max((test.baud for test in rates if test.echo.errors == 0), default=plan.baud)
        baud = plan.baud if rates[0].echo.errors <= FEW else clean
        soak, steady = yield from _soak(baud, plan.soak_s)
    if soak.errors and not singles.sent:
        singles = yield from _singles(baud, max(SINGLE_S, 2 * delay))
    soak_baud = baud if soak.sent else 0
    return Measures(tuple(looks), on, nuls, strays, QUIET_S, delay, rates, singles, soak, soak_baud, again, steady)


def _burst(data: bytes, baud: int) -> _Step:
    return _Step(len(data) * 10 / baud * SLOWEST + ECHO_S, data, chars=len(data), rest_s=ECHO_S)


def _rates(plan: Plan, delay: float) -> Generator[_Step, _Gathered, tuple[tuple[RateTest, ...], Echo, Echo]]:
    """The machine's rate; if that is not clean, the same once more, each value by itself, then the lower rates down to a
    clean one."""
    tests: list[RateTest] = []
    again = singles = NO_ECHO
    for baud in (plan.baud, *(rate for rate in plan.lower if rate < plan.baud)):
        if tests:
            yield _Step(SETTLE_S, baud=baud)
        gathered = yield _burst(MIXED, baud)
        tests.append(RateTest(baud, compare(MIXED, gathered.came), measured_rate(gathered.came)))
        echo = tests[-1].echo
        if echo.errors == 0 or (echo.right == 0 and echo.damaged == 0):
            break
        yield _Step(SETTLE_S)  # what is late belongs to no other
        if len(tests) == 1:
            gathered = yield _burst(MIXED, baud)
            again = compare(MIXED, gathered.came)
            yield _Step(SETTLE_S)
            singles = yield from _singles(baud, max(SINGLE_S, 2 * delay))
    return tuple(tests), again, singles


def _singles(baud: int, wait_s: float) -> Generator[_Step, _Gathered, Echo]:
    total = NO_ECHO
    for value in VALUES:
        gathered = yield _Step(wait_s + 25 / baud, bytes([value]), chars=1)
        total += compare(bytes([value]), gathered.came)
    return total


def _soak(baud: int, seconds: float) -> Generator[_Step, _Gathered, tuple[Echo, Pace]]:
    total, steady = NO_ECHO, Pace()
    began = math.inf
    yield _Step(SETTLE_S, baud=baud)
    turn = 0
    while seconds > 0:
        block = bytes(value ^ turn for value in MIXED)
        turn = (turn * 5 + 77) % 256
        gathered = yield _burst(block, baud)
        echo = compare(block, gathered.came)
        total += echo
        steady += Pace() if echo.errors else pace(gathered.came)
        began = min(began, gathered.began)
        if gathered.began + len(block) * 10 / baud - began >= seconds:
            break
    return total, steady
