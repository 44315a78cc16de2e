"""What a loopback test measured: which input follows which output, what came back of what was sent, and how fast."""

import enum
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Final

from dncd.commissioning.wiring import Connector
from dncd.values import Modem, Signal


class PlugAt(enum.StrEnum):
    PORT = "at the port"
    CABLE_END = "at the far end of the cable"


@dataclass(frozen=True, slots=True)
class Plan:
    """What to test: baud: the machine's rate; lower: rates to step down to, falling; soak_s: seconds of the long run at
    the best rate; connector: of the port, for the pin numbers in the findings."""

    baud: int
    plug_at: PlugAt = PlugAt.PORT
    lower: tuple[int, ...] = (19200, 9600, 4800, 2400, 1200, 600, 300)
    soak_s: float = 0.0
    connector: Connector = Connector.DE9


@dataclass(frozen=True, slots=True)
class Came:
    """One character that came: at: seconds; marked: whether the UART marked it."""

    at: float
    byte: int
    marked: bool


@dataclass(frozen=True, slots=True)
class LinesLook:
    """The inputs under one setting of the outputs, and how many characters came when the outputs changed."""

    modem: Modem
    strays: int


class Follows(enum.Enum):
    RTS = "follows RTS"
    DTR = "follows DTR"
    EITHER = "follows RTS as well as DTR"
    NEVER = "never comes on"
    ALWAYS = "is always on"
    OTHERWISE = "follows neither"
    UNKNOWN = "cannot be read at this port"


SWITCHED: Final = ((Signal.OFF, Signal.OFF), (Signal.ON, Signal.OFF), (Signal.OFF, Signal.ON), (Signal.ON, Signal.ON))
"""(RTS, DTR) in the order in which they are tried."""

_MEANINGS: Final[dict[tuple[int, ...], Follows]] = {
    (0, 1, 0, 1): Follows.RTS,
    (0, 0, 1, 1): Follows.DTR,
    (0, 1, 1, 1): Follows.EITHER,
    (0, 0, 0, 0): Follows.NEVER,
    (1, 1, 1, 1): Follows.ALWAYS,
}


def follows(inputs: Iterable[Signal]) -> Follows:
    """What an input follows, from its state under each setting of `SWITCHED`."""
    states = tuple(inputs)
    if Signal.UNKNOWN in states or len(states) != len(SWITCHED):
        return Follows.UNKNOWN
    return _MEANINGS.get(tuple(state.value for state in states), Follows.OTHERWISE)


@dataclass(frozen=True, slots=True)
class Echo:
    """What came back of what was sent: counts of right, damaged, lost and added characters; marked: by the UART; flips: how
    often each bit (0 lowest) was turned over in damaged ones; longest_lost: most characters lost in a row. Of the first
    `KEPT`: pairs: (sent, came) of the damaged ones; gone, extra: values of the lost and of the added ones."""

    sent: int = 0
    right: int = 0
    damaged: int = 0
    lost: int = 0
    added: int = 0
    marked: int = 0
    flips: tuple[int, ...] = (0,) * 8
    longest_lost: int = 0
    pairs: tuple[tuple[int, int], ...] = ()
    gone: tuple[int, ...] = ()
    extra: tuple[int, ...] = ()

    @property
    def errors(self) -> int:
        return self.damaged + self.lost + self.added

    def __add__(self, other: "Echo") -> "Echo":
        return Echo(
            self.sent + other.sent,
            self.right + other.right,
            self.damaged + other.damaged,
            self.lost + other.lost,
            self.added + other.added,
            self.marked + other.marked,
            tuple(a + b for a, b in zip(self.flips, other.flips, strict=True)),
            max(self.longest_lost, other.longest_lost),
            (self.pairs + other.pairs)[:KEPT],
            (self.gone + other.gone)[:KEPT],
            (self.extra + other.extra)[:KEPT],
        )


KEPT: Final = 512

FEW: Final = 6
"""Damaged characters of one burst up to which chance alone may make the next rate clean: the rate is not at fault."""

NO_ECHO: Final = Echo()


def compare(sent: bytes, came: Sequence[Came]) -> Echo:
    """What came back against what was sent, however much is missing or too much in between."""
    got = bytes(one.byte for one in came)
    marked = sum(one.marked for one in came)
    if got == sent:
        return Echo(len(sent), len(sent), marked=marked)
    right = longest = 0
    flips = [0] * 8
    pairs: list[tuple[int, int]] = []
    gone: list[int] = []
    extra: list[int] = []
    for kind, a, b, c, d in SequenceMatcher(None, sent, got, autojunk=False).get_opcodes():
        if kind == "equal":
            right += b - a
            continue
        both = min(b - a, d - c)
        for was, came_as in zip(sent[a : a + both], got[c : c + both], strict=True):
            pairs.append((was, came_as))
            for bit in range(8):
                flips[bit] += (was ^ came_as) >> bit & 1
        gone += sent[a + both : b]
        extra += got[c + both : d]
        longest = max(longest, b - a - both)
    kept = tuple(pairs[:KEPT]), tuple(gone[:KEPT]), tuple(extra[:KEPT])
    return Echo(len(sent), right, len(pairs), len(gone), len(extra), marked, tuple(flips), longest, *kept)


@dataclass(frozen=True, slots=True)
class RateTest:
    """Every byte value sent back to back at one rate. measured_baud: from the time between first and last echo, 0 where
    too little came to measure."""

    baud: int
    echo: Echo
    measured_baud: float


def measured_rate(came: Sequence[Came]) -> float:
    """Bits a second at which ten-bit characters came, from the first look to the last; 0 where it cannot be told."""
    if not came:
        return 0.0
    first, last = came[0].at, came[-1].at
    behind = sum(1 for one in came if one.at > first)
    return 10 * behind / (last - first) if last > first else 0.0


@dataclass(frozen=True, slots=True)
class Pace:
    """Characters that came at a steady pace, and the seconds that they took."""

    chars: int = 0
    seconds: float = 0.0

    def __add__(self, later: "Pace") -> "Pace":
        return Pace(self.chars + later.chars, self.seconds + later.seconds)


def pace(came: Sequence[Came]) -> Pace:
    """Of a burst, from its first look to its last but one: at both, the newest character had just come."""
    looks = sorted({one.at for one in came})[:-1]
    if len(looks) < 2:
        return Pace()
    return Pace(sum(looks[0] < one.at <= looks[-1] for one in came), looks[-1] - looks[0])


@dataclass(frozen=True, slots=True)
class Measures:
    """All that was measured. lines: under each setting of the outputs; on_with_nuls: inputs (`CTS`, `DSR`, `DCD`) that came
    on while NULs were sent and the outputs were off; nuls: the echo of those; strays: characters that came while nothing
    was sent; delay_s: middle echo delay of single characters, -1 where none came; rates: the machine's rate first, then
    the lower ones that were tried; singles: every value sent by itself, where the first rate was not clean; soak: the
    long run at `soak_baud`; soak_pace: of its clean bursts; again: the first rate once more, where it was not clean."""

    lines: tuple[LinesLook, ...]
    on_with_nuls: frozenset[str]
    nuls: Echo
    strays: int
    quiet_s: float
    delay_s: float
    rates: tuple[RateTest, ...]
    singles: Echo
    soak: Echo
    soak_baud: int
    again: Echo = NO_ECHO
    soak_pace: Pace = Pace()

    def follows(self, name: str) -> Follows:
        return follows(getattr(look.modem, name) for look in self.lines)

    @property
    def best_baud(self) -> int:
        """The highest rate at which every value came back; 0 if there was none."""
        return max((test.baud for test in self.rates if test.echo.errors == 0), default=0)

    @property
    def repeats(self) -> float:
        """Share (0 to 1) of the characters damaged at the first rate that were damaged in the same way the second time."""
        first, again = Counter(self.rates[0].echo.pairs), Counter(self.again.pairs)
        return (first & again).total() / first.total() if first else 0.0

    @property
    def errors_per_million(self) -> float:
        echo = self.soak if self.soak.sent else self.rates[0].echo if self.rates else NO_ECHO
        return 1e6 * min(echo.errors, echo.sent) / echo.sent if echo.sent else 0.0
