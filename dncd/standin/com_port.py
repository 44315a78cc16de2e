"""The server's end of RFC 2217, as a device server with a stand-in control at its port speaks it.

It grants what it is asked (the line behind it has every rate and frame), confirms each setting, and tells the modem lines.
The numbers are those of `line.telnet`; the values of SET-CONTROL and of the notices are from RFC 2217 section 3.
"""

from typing import Final

from dncd.line import telnet
from dncd.line.telnet import BINARY, COM_PORT, NOTIFY_MODEM_STATE, SERVER, SGA, Setting
from dncd.line.telnet_stream import (
    DO,
    DONT,
    WILL,
    WONT,
    Data,
    Negotiation,
    TelnetStream,
    Value,
    negotiation,
)
from dncd.values import Signal

_GRANTED: Final = (BINARY, SGA, COM_PORT)
_SIGNATURE: Final = 0
_CONTROL: Final = 5
_PURGE: Final = 12
_DTR: Final = {8: Signal.ON, 9: Signal.OFF}
_RTS: Final = {11: Signal.ON, 12: Signal.OFF}
_CTS, _DSR, _DCD = 16, 32, 128


class ComPortServer:
    """One connection. baud: what the client asked for last, 0 before it did."""

    def __init__(self) -> None:
        self.baud = 0
        self.rts = self.dtr = Signal.OFF
        self._values: dict[int, bytes] = {}
        self._granted: set[tuple[int, int]] = set()
        self._stream = TelnetStream()
        self._out = bytearray()
        self._lines = -1

    def take(self) -> bytes:
        """What is to be sent to the client, once."""
        out, self._out = bytes(self._out), bytearray()
        return out

    def feed(self, raw: bytes) -> bytes:
        """What the client sent; gives the data in it."""
        data = b""
        for item in self._stream.feed(raw):
            match item:
                case Data(part):
                    data += part
                case Negotiation(verb, option):
                    self._negotiate(verb, option)
                case Value(value) if len(value) >= 2 and value[0] == COM_PORT:
                    self._command(value[1], value[2:])
        return data

    def show(self, cts: Signal, dsr: Signal) -> None:
        """The modem lines are so; the client is told if that is new and it speaks RFC 2217."""
        if (COM_PORT, WILL) not in self._granted and (COM_PORT, DO) not in self._granted:
            return
        on = (_CTS if cts is Signal.ON else 0) | (_DSR | _DCD if dsr is Signal.ON else 0)
        if on != self._lines:
            changed = on ^ self._lines if self._lines >= 0 else 0
            deltas = (1 if changed & _CTS else 0) | (2 if changed & _DSR else 0) | (8 if changed & _DCD else 0)
            self._lines = on
            self._out += telnet.command(NOTIFY_MODEM_STATE + SERVER, bytes([on | deltas]))

    def _negotiate(self, verb: int, option: int) -> None:
        """Grants the three options, refuses all others; answers only what is new, so that no two ends loop."""
        if verb in (WONT, DONT):
            return
        answer = {DO: WILL, WILL: DO} if option in _GRANTED else {DO: WONT, WILL: DONT}
        if (option, verb) not in self._granted:
            self._granted.add((option, verb))
            self._out += negotiation(answer[verb], option)

    def _command(self, number: int, value: bytes) -> None:
        if number == _SIGNATURE:
            value = value or b"dncd stand-in control"
        elif number == Setting.BAUD.command and len(value) == 4:
            self.baud = int.from_bytes(value, "big") or self.baud
            value = self.baud.to_bytes(4, "big")
        elif number == _CONTROL and len(value) == 1:
            value = bytes([self._control(value[0])])
        elif number < _PURGE and value == b"\0":
            value = self._values.get(number, value)
        self._values[number] = value
        self._out += telnet.command(number + SERVER, value)

    def _control(self, asked: int) -> int:
        self.dtr, self.rts = _DTR.get(asked, self.dtr), _RTS.get(asked, self.rts)
        if asked == 7:
            return 8 if self.dtr is Signal.ON else 9
        if asked == 10:
            return 11 if self.rts is Signal.ON else 12
        return 1 if asked in (0, 1, 2, 3, 17, 19) else asked
