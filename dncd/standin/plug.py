"""What a stand-in control's end of the cable is plugged into: the line's bytes, the modem lines, the host's rate."""

from typing import Protocol

from dncd.values import Signal


class Plug(Protocol):
    """fd: the stand-in's end of the line (raw bytes either way); path: what a settings file names as `line.port`."""

    @property
    def fd(self) -> int:
        """The stand-in's end of the line."""

    @property
    def path(self) -> str:
        """What the host opens, as `line.port`."""

    def host_baud(self) -> float:
        """The rate at which the host sends and listens, in bits a second; 0 where it cannot be seen."""

    def host_rts(self) -> Signal:
        """The host's RTS, for a loopback plug; UNKNOWN where it cannot be seen."""

    def host_dtr(self) -> Signal:
        """The host's DTR, as `host_rts`."""

    def show_cts(self, on: Signal) -> None:
        """Switches the control's RTS, which the host reads as CTS; without effect where there is no such line."""

    def show_dsr(self, on: Signal) -> None:
        """Switches the control's DTR, which the host reads as DSR and DCD; without effect likewise."""

    def close(self) -> None:
        """Unplugs."""


class BareLine:
    """A line of somebody else's, such as one end of a socket pair: bytes and nothing beside; it is not closed here."""

    def __init__(self, fd: int) -> None:
        self.fd, self.path = fd, ""

    def host_baud(self) -> float:
        """Not known."""
        return 0.0

    def host_rts(self) -> Signal:
        """Not known."""
        return Signal.UNKNOWN

    def host_dtr(self) -> Signal:
        """Not known."""
        return Signal.UNKNOWN

    def show_cts(self, on: Signal) -> None:
        """There is none."""

    def show_dsr(self, on: Signal) -> None:
        """There is none."""

    def close(self) -> None:
        """It stays open."""
