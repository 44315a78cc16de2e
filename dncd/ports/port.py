"""The port as the line loop sees it, whatever kind it is; `opening` opens them.

A port is opened once and stays open, and nothing in it waits. Every failure after opening is one error, `PortGoneError`,
whatever the driver or pyserial calls it.

What each kind can tell:

================  ===========  ==============  =========  ==========================
kind              modem lines  output count    counters   bad characters
================  ===========  ==============  =========  ==========================
serial port       yes          driver's queue  yes        each one marked
pseudo-terminal   unknown      None            None       (none can occur)
``socket://``     unknown      None            None       not told, so refused
``rfc2217://``    as notified  None            None       counted, not placed
================  ===========  ==============  =========  ==========================
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Final

from dncd.choices import ModemLine
from dncd.errors import PortError
from dncd.values import NO_FAULTS, Counters, Frame, LineSettings, Modem, Signal


@dataclass(frozen=True, slots=True)
class Reading:
    """What one look at a port gave. data: the bytes as they stood on the line; bad: indexes into `data` of bytes that
    the UART marked (parity, stop bit, or a break, which reads as a marked NUL); notices: faults that are not tied to a
    byte, counted since the last look (what a device server told, and what a driver counted as overrun: an overrun
    leaves no mark); counted: all faults of these bytes by kind, the marked ones and the notices, as driver or server
    count them."""

    data: bytes = b""
    bad: tuple[int, ...] = ()
    notices: Counters = NO_FAULTS
    counted: Counters = NO_FAULTS

    def __add__(self, later: "Reading") -> "Reading":
        bad = (*self.bad, *(len(self.data) + index for index in later.bad))
        return Reading(self.data + later.data, bad, self.notices + later.notices, self.counted + later.counted)


NOTHING: Final = Reading()
"""Nothing came; one object, because every wake-up of every line asks."""

NO_LOOPS: Final[Mapping[str, str]] = MappingProxyType({})


class Port:
    """An open line. Call `read` once after opening: a port may hold bytes that `select` on `fileno` does not show.
    name: as the settings name it; notes: what the opening found worth telling, in plain words (low latency got or not,
    who else holds the port); looped: lines (CTS, DSR) that were seen to echo our own, each with a sentence for journal,
    status and receipts. A kind of port overrides what it can tell; what stands here is "not told". No method waits, and
    none raises anything but PortGoneError: the port went away, or was closed."""

    def __init__(self, name: str, notes: tuple[str, ...] = (), looped: Mapping[str, str] = NO_LOOPS) -> None:
        self.name, self.notes, self.looped = name, notes, looped
        self._back = NOTHING

    def fileno(self) -> int:
        """The descriptor to select on; PortGoneError after close."""
        raise NotImplementedError

    def read(self) -> Reading:
        """What has come, possibly nothing: what was put back, then what is new."""
        if self._back is not NOTHING:
            back, self._back = self._back, NOTHING
            return back
        return self.read_new()

    def read_new(self) -> Reading:
        """What has come, without what was put back."""
        raise NotImplementedError

    def put_back(self, reading: Reading) -> None:
        """What was read too early comes first with the next `read`."""
        self._back = reading + self._back

    def write(self, data: bytes) -> int:
        """Hand over what fits without waiting and say how many bytes that were; `b""` only moves held bytes on."""
        raise NotImplementedError

    def pending_write(self) -> bool:
        """Whether the port itself holds bytes for the system: select for writing, then call `write(b"")`."""
        return False

    def suspended(self) -> bool:
        """Whether a device server has asked for nothing more for now (FLOWCONTROL-SUSPEND): `write` takes nothing."""
        return False

    def outgoing(self) -> int | None:
        """Characters that the driver says it still holds; None where it cannot tell."""
        return None

    def settled(self) -> bool:
        """Whether nothing that was written waits for a network; True where there is none in between."""
        return True

    def modem(self) -> Modem:
        return Modem()

    def switch(self, line: ModemLine, on: Signal) -> None:
        """Switch RTS or DTR on or off; without effect for NONE, and on a port that has no such line."""

    def counters(self) -> Counters | None:
        """The driver's own fault counters since it was loaded; None where it has none."""
        return None

    def close(self) -> None:
        """Give the port back; a second call does nothing."""
        raise NotImplementedError


def carried_frame(frame: Frame) -> Frame:
    """The frame that is asked of the port: seven bits with parity travel as eight without (contract 2)."""
    return Frame(8, "N", frame.stop_bits) if frame.carries_own_parity else frame


def refuse_odd_stop_bits(line: LineSettings, frame: Frame) -> None:
    """PortError for a number of stop bits that no UART can make with these data bits. A 16550 makes 1.5 stop bits with
    five data bits, and two with six to eight, by the same switch (its data sheet, from memory; the driver turns 1.5
    into 2 without a word)."""
    if frame.stop_bits == Fraction(3, 2) and frame.data_bits != 5:
        raise cannot(line, f"1.5 stop bits go with five data bits only, and {line.frame} travels as {frame}")
    if frame.stop_bits == 2 and frame.data_bits == 5:
        raise cannot(line, "with five data bits a UART makes 1.5 stop bits, never 2")


def cannot(line: LineSettings, what: str) -> PortError:
    return PortError(
        what,
        f"port {line.port} at {line.baud} baud, frame {line.frame}",
        "Change `line.frame` or `line.baud` to what the control and the port can both do, or take another port",
    )
