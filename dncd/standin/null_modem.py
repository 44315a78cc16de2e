"""A virtual null modem: a pseudo-terminal pair whose one end the service opens like any serial port."""

import enum
import os
import pty
import termios
import tty

from dncd.standin.plug import BareLine


class Rates(enum.Enum):
    """Whether the host's rate matters: on a real line a wrong one makes other characters of what is said."""

    IGNORED = "ignored"
    SEEN = "seen"


class NullModem(BareLine):
    """`path` is for the service to open; `fd` is the stand-in's end.

    The service's end is also held open here, so that the stand-in's end never reads as hung up while no service is
    there. A pseudo-terminal has no parity, no modem lines and no output count, and it carries everything at once: the
    clock is the stand-in's. It only remembers the rate that the host asked for.
    """

    def __init__(self, rates: Rates = Rates.IGNORED) -> None:
        self.fd, self._held = pty.openpty()
        tty.setraw(self._held)
        self.path = os.ttyname(self._held)
        self._rates = rates

    def host_baud(self) -> float:
        """The host's rate, if `rates` is SEEN: by termios, whose odd rates (BOTHER) read as not known."""
        if self._rates is Rates.IGNORED:
            return 0.0
        return _BAUDS.get(termios.tcgetattr(self._held)[5], 0.0)

    def close(self) -> None:
        """Unplugs: the service's port is gone from now on."""
        os.close(self.fd)
        os.close(self._held)


_BAUDS = {
    getattr(termios, name): float("134.5" if name == "B134" else name[1:])
    for name in dir(termios)
    if name[0] == "B" and name[1:].isdigit() and name != "B0"
}
