"""The client's end of RFC 2217 (serial port behind Telnet) as a machine: fed bytes, it gives events and bytes to send.

It asks for BINARY and SUPPRESS-GO-AHEAD both ways and for COM-PORT-OPTION; once the server agrees to the last, it sends
every setting at once and ticks off the confirmations in whatever order they come. Whoever owns the connection calls
`feed` with what came, sends what `take` gives, and counts the time; the machine knows neither socket nor clock.
"""

import enum
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from dncd import defaults
from dncd.line import telnet_stream
from dncd.line.telnet_stream import DO, DONT, WILL, WONT, Data, Negotiation, TelnetStream, Value, negotiation
from dncd.values import Counters, Modem, Signal

# Telnet options; RFC 2217 section 3 for 44.
BINARY, SGA, COM_PORT = 0, 3, 44
SERVER: Final = 100
"""What the server adds to the number of a client's command (RFC 2217 section 3)."""
NOTIFY_LINE_STATE, NOTIFY_MODEM_STATE, SUSPEND, RESUME = 6, 7, 8, 9

LINE_FAULTS: Final = 0x1E
"""Line-state mask: break 16, framing 8, parity 4, overrun 2 (RFC 2217 section 3)."""


class Setting(enum.Enum):
    """What is asked of the server: the number of its command (RFC 2217 section 3), and a name for people."""

    BAUD = (1, "baud rate")
    DATA_BITS = (2, "data bits")
    PARITY = (3, "parity")
    STOP_BITS = (4, "stop bits")
    FLOW = (5, "flow control of the server")
    DTR = (5, "DTR")
    RTS = (5, "RTS")
    LINE_MASK = (10, "notices of line faults")
    MODEM_MASK = (11, "notices of modem lines")

    @property
    def command(self) -> int:
        return self.value[0]

    @property
    def label(self) -> str:
        return self.value[1]


_CONTROL: Final = {
    **dict.fromkeys((1, 2, 3, 17, 19), Setting.FLOW),
    **dict.fromkeys((8, 9), Setting.DTR),
    **dict.fromkeys((11, 12), Setting.RTS),
}
_BY_COMMAND: Final = {s.command: s for s in Setting if s.command != Setting.FLOW.command}
_PARITY: Final = {"N": 1, "O": 2, "E": 3}
_STOP: Final = {Fraction(1): 1, Fraction(2): 2, Fraction(3, 2): 3}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the line shall be. baud: bits a second; parity: N, O or E."""

    baud: int
    data_bits: int
    parity: str
    stop_bits: Fraction

    def values(self) -> dict[Setting, int]:
        return {
            Setting.BAUD: self.baud,
            Setting.DATA_BITS: self.data_bits,
            Setting.PARITY: _PARITY[self.parity],
            Setting.STOP_BITS: _STOP[self.stop_bits],
            Setting.FLOW: 1,  # none: dncd does its own
            Setting.DTR: 8,
            Setting.RTS: 11,
            Setting.LINE_MASK: LINE_FAULTS,
            Setting.MODEM_MASK: 0xFF,
        }


class Whose(enum.Enum):
    OURS = "ours"
    THEIRS = "theirs"


@dataclass(frozen=True, slots=True)
class ModemState:
    modem: Modem


@dataclass(frozen=True, slots=True)
class LineState:
    """A notice of line faults, not tied to a place in the data."""

    faults: Counters


@dataclass(frozen=True, slots=True)
class Signature:
    """What the server calls itself: peer text, unchecked."""

    text: bytes


Event = Data | ModemState | LineState | Signature


@dataclass(frozen=True, slots=True)
class Refusal:
    """A setting that the server confirmed with another value than the one asked for."""

    setting: Setting
    asked: int
    answered: int

    def __str__(self) -> str:
        return f"{self.setting.label}: asked for {self.asked}, the server has {self.answered}"


class _Option(enum.Enum):
    OFF = enum.auto()
    ASKED = enum.auto()
    ON = enum.auto()


def command(number: int, value: bytes) -> bytes:
    return telnet_stream.value(COM_PORT, bytes((number,)) + value)


def set_command(setting: Setting, value: int) -> bytes:
    """The bytes that ask for a setting; the baud rate has four bytes in network order, all others one."""
    return command(setting.command, value.to_bytes(4 if setting is Setting.BAUD else 1, "big"))


class Telnet:
    """One connection to an RFC 2217 server. Make a new one for each connection."""

    def __init__(self, asked: Asked) -> None:
        self.asked = asked.values()
        self.confirmed: dict[Setting, int] = {}
        self._unanswered: Counter[Setting] = Counter()
        self.suspended = Signal.OFF
        self.refused_options: set[tuple[int, Whose]] = set()
        self._options = {(o, w): _Option.ASKED for o in (BINARY, SGA) for w in Whose}
        self._options[COM_PORT, Whose.OURS] = _Option.ASKED
        self._options[COM_PORT, Whose.THEIRS] = _Option.OFF
        self.agreed = Signal.OFF
        """ON once the server speaks RFC 2217, by whichever end it said so: then the settings are asked for."""
        self._stream = TelnetStream()
        self._out = bytearray()
        for (option, whose), state in self._options.items():
            if state is _Option.ASKED:
                self._out += negotiation(WILL if whose is Whose.OURS else DO, option)

    @property
    def binary(self) -> Signal:
        """ON once both ends carry all 256 values; OFF until then."""
        both = all(self._options[BINARY, whose] is _Option.ON for whose in Whose)
        return Signal.ON if both else Signal.OFF

    @property
    def waiting(self) -> tuple[Setting, ...]:
        return tuple(s for s in self.asked if s not in self.confirmed)

    @property
    def refusals(self) -> tuple[Refusal, ...]:
        """Settings that the server confirmed with another value. A rate counts as the same within RATE_OFF."""
        found = []
        for setting, value in self.confirmed.items():
            asked = self.asked[setting]
            near = defaults.RATE_OFF * asked if setting is Setting.BAUD else 0
            if setting is Setting.LINE_MASK:  # a server may watch for more than was asked
                value = value & asked  # noqa: PLW2901 -- the same value, without what is beside the point
            if setting is not Setting.MODEM_MASK and abs(value - asked) > near:
                found.append(Refusal(setting, asked, self.confirmed[setting]))
        return tuple(found)

    def take(self) -> bytes:
        out, self._out = bytes(self._out), bytearray()
        return out

    def ask(self, setting: Setting, value: int) -> None:
        """Ask for one setting anew, such as RTS off (`SET-CONTROL` 12); its confirmation is waited for again."""
        self.asked[setting] = value
        self.confirmed.pop(setting, None)
        self._send_setting(setting, value)

    def feed(self, raw: bytes) -> list[Event]:
        """The events in `raw`, in order; neighbouring data bytes are one event."""
        events: list[Event] = []
        for item in self._stream.feed(raw):
            match item:
                case Negotiation(verb, option):
                    self._negotiate(verb, option)
                case Value(value):
                    events += self._understand(value)
                case Data():
                    events.append(item)
        return events

    def _negotiate(self, verb: int, option: int) -> None:
        """Agree to what we know, refuse the rest; answer only a change of state, so that no two ends loop (RFC 854)."""
        whose = Whose.OURS if verb in (DO, DONT) else Whose.THEIRS
        yes, no = (WILL, WONT) if whose is Whose.OURS else (DO, DONT)
        state = self._options.get((option, whose))
        if verb in (DO, WILL):
            if state is None:
                self._out += negotiation(no, option)
                return
            if state is _Option.OFF:
                self._out += negotiation(yes, option)
            if state is not _Option.ON:
                self._options[option, whose] = _Option.ON
                self.refused_options.discard((option, whose))
                if option == COM_PORT:
                    self._send_settings()
        elif state in (_Option.ASKED, _Option.ON):
            if state is _Option.ON:
                self._out += negotiation(no, option)
            self._options[option, whose] = _Option.OFF
            self.refused_options.add((option, whose))

    def _send_settings(self) -> None:
        if self.agreed is Signal.OFF:
            self.agreed = Signal.ON
            for setting, value in self.asked.items():
                self._send_setting(setting, value)

    def _send_setting(self, setting: Setting, value: int) -> None:
        self._unanswered[setting] += 1
        self._out += set_command(setting, value)

    def _understand(self, value: bytes) -> tuple[Event, ...]:
        if len(value) < 2 or value[0] != COM_PORT:
            return ()
        number, rest = value[1] - SERVER, value[2:]
        setting = _BY_COMMAND.get(number)
        if number == Setting.FLOW.command and len(rest) == 1:
            setting = _CONTROL.get(rest[0])
        if setting and len(rest) == (4 if setting is Setting.BAUD else 1):
            self._confirm(setting, int.from_bytes(rest, "big"))
        elif number == NOTIFY_LINE_STATE and len(rest) == 1:
            overruns, parity, framing, breaks = (rest[0] >> bit & 1 for bit in range(1, 5))
            return (LineState(Counters(overruns=overruns, parity=parity, framing=framing, breaks=breaks)),)
        elif number == NOTIFY_MODEM_STATE and len(rest) == 1:
            cts, dsr, dcd = (Signal.ON if rest[0] & bit else Signal.OFF for bit in (16, 32, 128))
            return (ModemState(Modem(cts, dsr, dcd)),)
        elif number in (SUSPEND, RESUME):
            self.suspended = Signal.ON if number == SUSPEND else Signal.OFF
        elif number == 0:
            return (Signature(rest),)
        return ()

    def _confirm(self, setting: Setting, value: int) -> None:
        self._unanswered[setting] -= self._unanswered[setting] > 0
        if not self._unanswered[setting]:  # an answer to an older question says nothing about the newest
            self.confirmed[setting] = value
