"""A virtual null modem: a pseudo-terminal pair whose one end the service opens like any serial port."""

import os
import pty
import tty


class NullModem:
    """`path` is for the service to open; `fd` is the stand-in's end.

    The service's end is also held open here, so that the stand-in's end never reads as hung up while no service is
    there. A pseudo-terminal has no rate, no parity, no modem lines and no output count: the clock is the stand-in's.
    """

    def __init__(self) -> None:
        self.fd, self._held = pty.openpty()
        tty.setraw(self._held)
        self.path = os.ttyname(self._held)

    def close(self) -> None:
        """Unplugs: the service's port is gone from now on."""
        os.close(self.fd)
        os.close(self._held)
