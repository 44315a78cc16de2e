"""The loopback test: what a port sends comes back over a plug, so both ways of port, cable and plug are tested at once.

The test is a script of steps. Each hands actions to the port and waits until enough characters came or its time is up:

    lines    RTS and DTR off and on in all four ways: which input follows which output
    nuls     both off, NULs sent: the line is at space nine tenths of the time, so an input that TXD ends on shows
    quiet    both on, nothing sent: what comes is noise
    delay    single characters: the echo's delay
    values   every byte value, back to back; if one is not right: the same again, each by itself, and down the rates until
             all are right
    soak     blocks of every value in mixed order at the best rate

`LoopbackTest` is fed what came, the modem lines and the clock, and gives actions. It knows no port.
"""

import math
from collections.abc import Generator
from dataclasses import dataclass
from typing import Final

from dncd.commissioning.loopback_measures import (
    FEW,
    NO_ECHO,
    SWITCHED,
    Came,
    Echo,
    LinesLook,
    Measures,
    Plan,
    RateTest,
    compare,
    measured_rate,
)
from dncd.values import Modem, Signal

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


@dataclass(frozen=True, slots=True)
class Write:
    """Send these bytes; the port keeps what it cannot take at once and sends it as soon as it can."""

    data: bytes


@dataclass(frozen=True, slots=True)
class SetLines:
    rts: Signal
    dtr: Signal


@dataclass(frozen=True, slots=True)
class SetBaud:
    """Set the port's rate, as 8N1; what is still on its way is void."""

    baud: int


Action = Write | SetLines | SetBaud


@dataclass(frozen=True, slots=True)
class _Step:
    """Actions, and how long to wait then: at most `seconds`, less if `chars` characters came, or if some came and then
    none for `rest_s`."""

    actions: tuple[Action, ...]
    seconds: float
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
    """One loopback test. Call `start`, then `feed`, `modem` and `tick` as things happen; each gives the actions to do.

    `next_due` is when `tick` is wanted. The test is over when `measures` has something.
    """

    __slots__ = ("_began", "_came", "_lines", "_modems", "_script", "_step", "measures", "plan")

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.measures: tuple[Measures, ...] = ()
        """Empty until the test is over, then one."""
        self._script = _script(plan)
        self._step = _Step((), math.inf)
        self._came: list[Came] = []
        self._lines = Modem()
        self._modems: list[Modem] = [self._lines]
        self._began = math.inf

    def start(self, now: float) -> tuple[Action, ...]:
        return self._take(next(self._script), now)

    def feed(self, data: bytes, bad: tuple[int, ...], now: float) -> tuple[Action, ...]:
        self._came += [Came(now, byte, index in bad) for index, byte in enumerate(data)]
        return self.tick(now)

    def modem(self, lines: Modem, now: float) -> tuple[Action, ...]:
        """The inputs as they stand; tell it at every look."""
        if lines != self._lines:
            self._lines = lines
            self._modems.append(lines)
        return self.tick(now)

    def next_due(self) -> float:
        """When the step's time is up; infinity before the start and after the end."""
        if self.measures:
            return math.inf
        rested = self._came[-1].at + self._step.rest_s if self._came else math.inf
        return min(self._began + self._step.seconds, rested)

    def tick(self, now: float) -> tuple[Action, ...]:
        """Goes on to the next step if this one has what it waits for, or its time is up."""
        step = self._step
        if self.measures or not (now >= self.next_due() or (step.chars and len(self._came) >= step.chars)):
            return ()
        gathered = _Gathered(tuple(self._came), tuple(self._modems), self._began)
        try:
            return self._take(self._script.send(gathered), now)
        except StopIteration as over:
            self.measures = (over.value,)
            return ()

    def _take(self, step: _Step, now: float) -> tuple[Action, ...]:
        self._step, self._began = step, now
        self._came, self._modems = [], [self._lines]
        return step.actions


def _script(plan: Plan) -> _Script:
    looks: list[LinesLook] = []
    for rts, dtr in SWITCHED:
        gathered = yield _Step((SetBaud(plan.baud),) * (not looks) + (SetLines(rts, dtr),), SETTLE_S)
        looks.append(LinesLook(gathered.modems[-1], len(gathered.came)))
    yield _Step((SetLines(Signal.OFF, Signal.OFF),), SETTLE_S)
    gathered = yield _burst(bytes(NULS), plan.baud)
    nuls = compare(bytes(NULS), gathered.came)
    on = frozenset(
        name.upper()
        for name in ("cts", "dsr", "dcd")
        if any(getattr(modem, name) is Signal.ON for modem in gathered.modems)
        and getattr(looks[0].modem, name) is Signal.OFF
    )
    yield _Step((SetLines(Signal.ON, Signal.ON),), SETTLE_S)
    gathered = yield _Step((), QUIET_S)
    strays = len(gathered.came)
    delays = []
    for k in range(DELAYS):
        gathered = yield _Step((Write(bytes([0x55 + k])),), ECHO_S + 10 / plan.baud, 1)
        if gathered.came:
            delays.append(max(0.0, gathered.came[0].at - gathered.began - 10 / plan.baud))
    delay = sorted(delays)[len(delays) // 2] if delays else -1.0
    rates, again, singles = yield from _rates(plan, delay)
    soak, baud = NO_ECHO, 0
    if rates[0].echo.right:
        clean = max((test.baud for test in rates if test.echo.errors == 0), default=plan.baud)
        baud = plan.baud if rates[0].echo.errors <= FEW else clean
        soak = yield from _soak(baud, plan.soak_s)
    if soak.errors and not singles.sent:
        singles = yield from _singles(baud, max(SINGLE_S, 2 * delay))
    soak_baud = baud if soak.sent else 0
    return Measures(tuple(looks), on, nuls, strays, QUIET_S, delay, rates, singles, soak, soak_baud, again)


def _burst(data: bytes, baud: int) -> _Step:
    return _Step((Write(data),), len(data) * 10 / baud * SLOWEST + ECHO_S, len(data), ECHO_S)


def _rates(plan: Plan, delay: float) -> Generator[_Step, _Gathered, tuple[tuple[RateTest, ...], Echo, Echo]]:
    """The machine's rate; if that is not clean, the same once more, each value by itself, then the lower rates down to a
    clean one."""
    tests: list[RateTest] = []
    again = singles = NO_ECHO
    for baud in (plan.baud, *(rate for rate in plan.lower if rate < plan.baud)):
        if tests:
            yield _Step((SetBaud(baud),), SETTLE_S)
        gathered = yield _burst(MIXED, baud)
        tests.append(RateTest(baud, compare(MIXED, gathered.came), measured_rate(gathered.came)))
        echo = tests[-1].echo
        if echo.errors == 0 or (echo.right == 0 and echo.damaged == 0):
            break
        yield _Step((), SETTLE_S)  # what is late belongs to no other
        if len(tests) == 1:
            gathered = yield _burst(MIXED, baud)
            again = compare(MIXED, gathered.came)
            yield _Step((), SETTLE_S)
            singles = yield from _singles(baud, max(SINGLE_S, 2 * delay))
    return tuple(tests), again, singles


def _singles(baud: int, wait_s: float) -> Generator[_Step, _Gathered, Echo]:
    total = NO_ECHO
    for value in VALUES:
        gathered = yield _Step((Write(bytes([value])),), wait_s + 25 / baud, 1)
        total += compare(bytes([value]), gathered.came)
    return total


def _soak(baud: int, seconds: float) -> Generator[_Step, _Gathered, Echo]:
    total = NO_ECHO
    began = math.inf
    yield _Step((SetBaud(baud),), SETTLE_S)
    turn = 0
    while seconds > 0:
        block = bytes(value ^ turn for value in MIXED)
        turn = (turn * 5 + 77) % 256
        gathered = yield _burst(block, baud)
        total += compare(block, gathered.came)
        began = min(began, gathered.began)
        if gathered.began + len(block) * 10 / baud - began >= seconds:
            break
    return total
