"""When a waiting program may start: what the control, the modem lines or somebody at a keyboard said, and when.

One start sends one program. Two things look like a start and are none: a DC1 (or, where CTS or DSR is flow and start in
one, the line coming on) that ends a hold, even after the last character of a program, and a DC1 that a DC3 has taken back.
"""

import math
from dataclasses import dataclass

from dncd import defaults
from dncd.choices import Flow, ModemLine, Protocol, StartOn
from dncd.line.codes import ReaderCode
from dncd.line.packet_protocols import PROTOCOLS
from dncd.values import Keys, Modem, SendSettings, Signal

_KEYS = Keys()


@dataclass(frozen=True, slots=True)
class StartWay:
    """What starts the programs of one machine, and how people call it. keys: what is written on those of the control."""

    send: SendSettings
    protocol: Protocol = Protocol.PLAIN
    keys: Keys = _KEYS

    @property
    def by_wish(self) -> bool:
        """A receiver of packets starts by asking; only a person's go and a modem line stand above that."""
        return self.protocol is not Protocol.PLAIN and self.send.start_on in (StartOn.DC1, StartOn.NOW)

    @property
    def by_control(self) -> bool:
        """Whether the control itself starts each program, by a key there."""
        return self.by_wish or self.send.start_on not in (StartOn.NOW, StartOn.GO)

    @property
    def by_dc1(self) -> bool:
        """Whether a DC1 starts it, which may come before anything waits."""
        return self.send.start_on is StartOn.DC1 and not self.by_wish

    @property
    def word(self) -> str:
        """What brings the next program, as a person would say it."""
        if self.by_control:
            return f"the next {self.keys.read}"
        return "the next `dncd go`" if self.send.start_on is StartOn.GO else "the line"

    def too_old(self, dc1_at: float | None, dropped_at: float) -> bool:
        """Whether a DC1 came too long before the drop: the reader is on, and the man there has pressed its key."""
        return self.by_dc1 and dc1_at is not None and dropped_at - dc1_at > self.send.dc1_stays_s

    def wish(self) -> str:
        """What a waiting program waits for, as a person would say it."""
        press = f"press {self.keys.read} at the control"
        if self.by_wish:
            return f"the control to ask for it ({PROTOCOLS[self.protocol].wish}): {press}"
        return {
            StartOn.NOW: "the line",
            StartOn.GO: "somebody to say `dncd go`",
            StartOn.DC1: f"the control to say DC1: {press}",
            StartOn.CTS: f"the control to switch its RTS on (CTS here): {press}",
            StartOn.DSR: f"the control to switch its DTR on (DSR here): {press}",
        }[self.send.start_on]


class Starts:
    """Remembers the starts of one line. All times are seconds of the loop's clock."""

    def __init__(
        self,
        send: SendSettings,
        protocol: Protocol = Protocol.PLAIN,
        flow: Flow = Flow.XON_XOFF,
        keys: Keys = _KEYS,
    ) -> None:
        self.way = StartWay(send, protocol, keys)
        self._line = send.start_on.start_line
        self._line_holds = self._line is flow.stop_line
        self._reader_line = flow.stop_line if send.start_on is StartOn.DC1 else ModemLine.NONE
        self._reader_was_on = False  # by that line, since the DC1
        self._off_at = -math.inf  # when the line of a start was first seen off
        self._wish, self._wish_at = b"", -math.inf
        self.dc1_at: float | None = None  # when its start that counts came
        self.spent_at: float | None = None  # when what looks like a start came, and only ended a hold
        self._dc1_until = math.inf  # a start that was withheld does not bring something else much later
        self._go = False
        self._armed = True  # CTS or DSR was off since the last start
        self._line_on = False  # CTS or DSR came on and has started nothing yet
        self._hold_until = -math.inf  # up to then a DC1 ends a hold of the last program
        self._ended_at: float | None = None  # the last program's end, until the control says something
        self.reader_off = False  # the control has said stop, once, since the last program's end
        self._used_up: tuple[float | None, bool, bool] = None, False, False  # the last start

    def said(self, code: ReaderCode, now: float) -> None:
        """The control said DC1 or DC3 while nothing was being sent."""
        if code is ReaderCode.DC3:
            self._said_dc3(now)
        elif code is ReaderCode.DC1:
            ends_hold = now <= self._hold_until
            self._hold_until, self._ended_at = -math.inf, None
            self.spent_at = now if ends_hold and self.way.send.start_on is StartOn.DC1 else None
            if not ends_hold:
                self.dc1_at, self._dc1_until, self._reader_was_on = now, math.inf, False

    def _said_dc3(self, now: float) -> None:
        self.dc1_at, self.reader_off = None, True
        if self._ended_at is not None and now - self._ended_at <= defaults.TAIL_S:
            # the answer to the last characters: most likely a hold
            self._hold_until = max(self._hold_until, now + defaults.HOLD_AFTER_END_S)
            return
        self._hold_until = -math.inf  # reader off after the program: the next DC1 is a start

    def wished(self, wish: bytes, now: float) -> None:
        """The control asked for a program as its protocol does; a late one of the program before starts nothing."""
        if self._ended_at is None or now - self._ended_at > defaults.HOLD_AFTER_END_S:
            self._wish, self._wish_at = wish, now

    def wish_at_hand(self, now: float) -> bytes:
        """The control's wish, C or NAK, while it can be answered; else b""."""
        return self._wish if now - self._wish_at <= defaults.XMODEM_WISH_S else b""

    def modem(self, modem: Modem, now: float) -> None:
        """The modem lines changed, or were looked at, while nothing was being sent."""
        self._reader_was_on = self._reader_was_on or modem.of(self._reader_line) is Signal.ON
        if self._reader_was_on and modem.of(self._reader_line) is Signal.OFF:
            self.dc1_at, self._reader_was_on = None, False  # somebody reset the control: its reader is off
        if self._line is ModemLine.NONE:
            return
        signal = modem.of(self._line)
        if signal is Signal.OFF:
            if not self._armed:
                self._off_at, self.reader_off = now, True
            self._line_on, self._armed = False, True
        elif signal is Signal.ON and self._armed:
            self._line_on, self._armed = not self._ends_hold(now), False
            self.spent_at = None if self._line_on else now
            self._hold_until, self._ended_at = -math.inf, None

    def _ends_hold(self, now: float) -> bool:
        """Whether the line that came on only ends a hold: one that was open at the end of the last program, or that
        answered its last characters."""
        if not self._line_holds or self._ended_at is None:
            return False
        late = self._off_at - self._ended_at <= defaults.TAIL_S and now - self._off_at <= defaults.HOLD_AFTER_END_S
        return now <= self._hold_until or late

    def go(self) -> None:
        self._go = True

    def withhold(self) -> None:
        """A start has come and brings nothing: a DC1 counts no longer than one that came before a drop."""
        if self.dc1_at is not None:
            self._dc1_until = self.dc1_at + self.way.send.dc1_stays_s

    def early_s(self, dropped_at: float) -> float:
        """Seconds by which a DC1 came before the drop, where no line can say that the control still reads; else 0."""
        told = self._reader_line is not ModemLine.NONE or self.way.by_wish or self.way.send.start_on is not StartOn.DC1
        return 0.0 if told or self.dc1_at is None else max(0.0, dropped_at - self.dc1_at)

    def forget(self) -> None:
        """No start that was said counts any more; CTS or DSR must be seen off before it is a start again."""
        self.dc1_at, self._go, self._line_on, self._armed = None, False, False, False
        self.spent_at = None
        self._wish, self._wish_at = b"", -math.inf
        self._hold_until, self._ended_at = -math.inf, None
        self._used_up = None, False, False

    def sending_began(self) -> None:
        self._used_up = self.dc1_at, self._go, self._line_on
        self.dc1_at, self._go, self._line_on, self.spent_at = None, False, False, None
        self._hold_until, self._ended_at = -math.inf, None
        self._wish_at = -math.inf

    def give_back(self) -> None:
        """The start that was used up last stands: its program waits to be looked at once more."""
        self.dc1_at, self._go, self._line_on = self._used_up

    def sending_ended(self, at: float, hold_until: float = -math.inf) -> None:
        """A program ended at `at`; hold_until: up to when what looks like a start ends a hold of it."""
        self._ended_at, self._hold_until, self.reader_off = at, hold_until, False

    def allows(self, dropped_at: float, now: float) -> bool:
        """Whether a program that was dropped at `dropped_at` may start now."""
        if self.way.by_wish:
            return bool(self.wish_at_hand(now))
        match self.way.send.start_on:
            case StartOn.NOW:
                return True
            case StartOn.GO:
                return self._go
            case StartOn.DC1:
                at, stays_s = self.dc1_at, self.way.send.dc1_stays_s
                return at is not None and dropped_at - at <= stays_s and now <= self._dc1_until
            case StartOn.CTS | StartOn.DSR:
                return self._line_on
