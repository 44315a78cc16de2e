"""When a waiting program may start: what the control, the modem lines or somebody at a keyboard said, and when.

One start sends one program. Two things look like a start and are none: a DC1 that ends a hold, even after the last
character of a program, and a DC1 that a DC3 has taken back.
"""

from dncd import defaults
from dncd.line.codes import ReaderCode
from dncd.values import Modem, SendSettings, Signal, StartOn


class Starts:
    """Remembers the starts of one line. All times are seconds of the loop's clock."""

    def __init__(self, send: SendSettings) -> None:
        self._send = send
        self._dc1_at: float | None = None
        self._go = False
        self._armed = True  # CTS or DSR was off since the last start
        self._line_on = False  # CTS or DSR came on and has started nothing yet
        self._hold_open = False  # a hold of the last program has not been ended by its DC1
        self._ended_at: float | None = None  # the last program's end, until the control says something
        self._late_hold_at: float | None = None  # a DC3 that came just after it

    def said(self, code: ReaderCode, now: float) -> None:
        """The control said DC1 or DC3 while nothing was being sent."""
        if code is ReaderCode.DC1:
            self._said_dc1(now)
        elif code is ReaderCode.DC3:
            self._said_dc3(now)

    def _said_dc1(self, now: float) -> None:
        late = self._late_hold_at is not None and now - self._late_hold_at <= defaults.HOLD_AFTER_END_S
        ends_hold = self._hold_open or late
        self._hold_open, self._late_hold_at, self._ended_at = False, None, None
        if not ends_hold:
            self._dc1_at = now

    def _said_dc3(self, now: float) -> None:
        self._dc1_at = None
        if self._ended_at is not None and now - self._ended_at <= defaults.TAIL_S:
            if not self._hold_open:
                self._late_hold_at = now  # the answer to the last characters: most likely a hold
            return
        self._hold_open, self._late_hold_at = False, None  # reader off after the program: the next DC1 is a start

    def modem(self, modem: Modem) -> None:
        """The modem lines changed, or were looked at."""
        if self._send.start_on not in (StartOn.CTS, StartOn.DSR):
            return
        signal = modem.cts if self._send.start_on is StartOn.CTS else modem.dsr
        if signal is Signal.OFF:
            self._line_on, self._armed = False, True
        elif signal is Signal.ON and self._armed:
            self._line_on, self._armed = True, False

    def go(self) -> None:
        """Somebody said go."""
        self._go = True

    def sending_began(self) -> None:
        """A start was used up."""
        self._dc1_at, self._go, self._line_on = None, False, False
        self._hold_open, self._late_hold_at, self._ended_at = False, None, None

    def sending_ended(self, at: float, hold_open: bool, reader_off_at: float | None = None) -> None:
        """A program ended at `at`; hold_open: the control had said stop and not yet go;
        reader_off_at: when it said stop after the closing mark."""
        self._ended_at, self._hold_open, self._late_hold_at = at, hold_open, reader_off_at

    def allows(self, dropped_at: float, now: float) -> bool:
        """Whether a program that was dropped at `dropped_at` may start now."""
        match self._send.start_on:
            case StartOn.NOW:
                return True
            case StartOn.GO:
                return self._go
            case StartOn.DC1:
                return self._dc1_at is not None and dropped_at - self._dc1_at <= self._send.dc1_stays_s
            case StartOn.CTS | StartOn.DSR:
                return self._line_on

    def wish(self) -> str:
        """What a waiting program waits for, as a person would say it."""
        return {
            StartOn.NOW: "the line",
            StartOn.GO: "somebody to say `dncd go`",
            StartOn.DC1: "the control to say DC1: press READ at the control",
            StartOn.CTS: "the control to switch its RTS on (CTS here): press READ at the control",
            StartOn.DSR: "the control to switch its DTR on (DSR here): press READ at the control",
        }[self._send.start_on]
