"""What a stand-in control's end of the cable is plugged into: the line's bytes, the modem lines, the host's rate."""

import enum
import os
import pty
import termios
import tty

from dncd.choices import ModemLine
from dncd.values import Signal


class Plug:
    """A line of somebody else's, such as one end of a socket pair: bytes and nothing beside; it is not closed here. fd:
    the stand-in's end of the line, raw bytes either way; path: what a settings file names as `line.port`."""

    def __init__(self, fd: int, path: str = "") -> None:
        self.fd, self.path = fd, path

    def host_baud(self) -> float:
        """The rate at which the host sends and listens, in bits a second; 0 where it cannot be seen."""
        return 0.0

    def host_bits(self) -> int:
        """Bit times of one of the host's characters, start and stop bits with it; ten where its frame cannot be seen."""
        return 10

    def host_rts(self) -> Signal:
        """The host's RTS, for a loopback plug; UNKNOWN where it cannot be seen."""
        return Signal.UNKNOWN

    def host_dtr(self) -> Signal:
        return Signal.UNKNOWN

    def show(self, line: ModemLine, on: Signal) -> None:
        """Switches the control's RTS, which the host reads as CTS, or its DTR, which the host reads as DSR and DCD; without
        effect for NONE, and where there is no such line."""

    def close(self) -> None:
        """Unplugs."""


class Rates(enum.Enum):
    """Whether the host's rate matters: on a real line a wrong one makes other characters of what is said."""

    IGNORED = "ignored"
    SEEN = "seen"


class NullModem(Plug):
    """A virtual null modem: a pseudo-terminal pair whose one end, `path`, the service opens like any serial port. The
    service's end is also held open here, so that the stand-in's end never reads as hung up while no service is there. A
    pseudo-terminal has no parity, no modem lines and no output count, and it carries everything at once: the clock is
    the stand-in's. It only remembers the rate that the host asked for."""

    def __init__(self, rates: Rates = Rates.IGNORED) -> None:
        fd, self._held = pty.openpty()
        tty.setraw(self._held)
        super().__init__(fd, os.ttyname(self._held))
        self._rates = rates

    def host_baud(self) -> float:
        """The host's rate, if `rates` is SEEN: by termios, whose odd rates (BOTHER) read as not known."""
        if self._rates is Rates.IGNORED:
            return 0.0
        return _BAUDS.get(termios.tcgetattr(self._held)[5], 0.0)

    def host_bits(self) -> int:
        """A pseudo-terminal has eight data bits, no parity, and keeps the host's wish for a second stop bit."""
        return 11 if termios.tcgetattr(self._held)[2] & termios.CSTOPB else 10

    def close(self) -> None:
        os.close(self.fd)
        os.close(self._held)


_BAUDS = {
    getattr(termios, name): float("134.5" if name == "B134" else name[1:])
    for name in dir(termios)
    if name[0] == "B" and name[1:].isdigit() and name != "B0"
}
