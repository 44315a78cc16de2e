"""Catching what a control sends in packets, with the surface of `line.receiving.Receiving`.

XMODEM's receiver begins: on an idle line dncd asks every few seconds. A control that itself wants to receive says the same
(C or NAK): that is its start of a sending (`Wished`), and dncd falls silent for a while. `XMODEM_REST_S` after a transfer
dncd asks again; a late repetition of EOT is answered all the same.
"""

import math
from dataclasses import dataclass
from typing import Final

from dncd import defaults
from dncd.line.packet_machine import Ended as PacketsEnded
from dncd.line.packet_machine import Ending, Machine, Received, Started, Wish
from dncd.line.packet_machine import Event as PacketEvent
from dncd.line.packet_protocols import PROTOCOLS
from dncd.line.packet_rules import Phase
from dncd.line.receiving import Began, CaptureEnd, Caught, Ended, Event, Wished
from dncd.line.xmodem import SUB
from dncd.values import LineSettings

_SUB: Final = bytes([SUB])
_SILENT_S: Final = defaults.XMODEM_REPLY_S * 1.5


@dataclass(slots=True)
class _Catch:
    """The program that is coming. name: what the control calls it; filling: SUBs that came last, filling unless more
    follows."""

    name: str = ""
    began: bool = False
    chars: int = 0
    filling: int = 0

    def take(self, data: bytes, events: list[Event]) -> None:
        """Hands on a packet's characters; SUBs at its end wait."""
        data = _SUB * self.filling + data
        kept = data.rstrip(_SUB)
        self.filling = len(data) - len(kept)
        self.chars += len(kept)
        if kept:
            events.append(Caught(kept))

    def end(self, why: CaptureEnd, now: float, events: list[Event]) -> None:
        if self.began:
            self.began = False
            events.append(Ended(why, self.chars, self.chars, now, name=self.name))


class PacketReceiving:
    """Asks, receives, and holds back its answers while the disk is behind (`hold`), the last one until the capture is
    on record (`recorded`): what is acknowledged is durable. longest: most characters of one capture."""

    def __init__(self, line: LineSettings, now: float, *, longest: int = defaults.CAPTURE_CHARS) -> None:
        self._line, self._longest = line, longest
        self._row = PROTOCOLS[line.protocol]
        self._machine: Machine | None = None
        self._ask_at = now
        self._out = bytearray()
        self._catch = _Catch()
        self._held = False
        self._last_answer_waits = False
        self._resting = False
        self._said, self._said_last, self._now = -math.inf, b"", now
        self._doubtful, self._doubt_ends = b"", math.inf  # what may be the echo of dncd's own wish, and till when

    # --- the line is somebody else's, or ours ------------------------------------------------------------------------

    def rest(self) -> None:
        self._resting, self._machine, self._doubtful = True, None, b""
        self._out.clear()

    def listen(self, now: float) -> None:
        if self._resting:
            self._resting = False
            self._ask_at = now + defaults.XMODEM_REST_S

    def hold(self, stop: bool) -> None:
        self._held = stop

    def recorded(self) -> None:
        self._last_answer_waits = False

    def outgoing(self) -> bytes:
        if self._machine is not None and (answer := self._machine.outgoing()):
            if self._last_answer_waits:
                self._out.clear()  # however often it was asked for meanwhile, it is said once
            self._out += answer
        if self._held or self._last_answer_waits:
            return b""
        said, self._out = bytes(self._out), bytearray()
        if said:
            self._said, self._said_last = self._now, said[-1:]
            self._doubt_ends = self._now + defaults.XMODEM_ECHO_S
        return said

    # --- events ------------------------------------------------------------------------------------------------------

    def feed(self, data: bytes, now: float, bad: tuple[int, ...] = ()) -> list[Event]:
        """Bytes that came over the line. bad: indexes that the port marked; a packet's check finds them by itself."""
        self._now = now
        if self._resting or not data:
            return []
        machine = self._machine
        if machine is None or machine.phase in (Phase.START, Phase.OVER):
            wish = data[-1:]
            if not data.strip(self._row.wishes):
                self._machine = None if machine is None or machine.phase is Phase.START else machine
                self._ask_at = now + _SILENT_S
                return self._wished(wish, now)
        self._doubtful = b""
        if machine is None or (machine.phase is Phase.OVER and data[0] in self._row.heads):
            machine = self._begin(now)
            machine.outgoing()  # somebody sends already: asking would only disturb
        return self._take(machine.feed(data, now), now)

    def tick(self, now: float) -> list[Event]:
        self._now = now
        if self._resting:
            return []
        if self._doubtful and now >= self._doubt_ends:
            self._machine, self._ask_at = None, now + _SILENT_S
            return self._wished(self._doubtful, now)
        if self._asks and now >= self._ask_at and not self._last_answer_waits:
            self._begin(now)
        return self._take(self._machine.tick(now), now) if self._machine is not None else []

    def next_due(self) -> float | None:
        if self._resting:
            return None
        if self._asks:
            due = None if self._last_answer_waits else self._ask_at
        else:
            due = self._machine.next_due() if self._machine is not None else None
        return min(due, self._doubt_ends) if due is not None and self._doubtful else due

    @property
    def _asks(self) -> bool:
        """Whether a new machine begins when its time has come; one without `heads` goes on by itself when it is over."""
        return self._machine is None or (self._machine.phase is Phase.OVER and bool(self._row.heads))

    def _wished(self, wish: bytes, now: float) -> list[Event]:
        """A plug, or an adaptor that hears itself, gives back what dncd has just said: nobody wishes for anything. It
        gives all of it back, so dncd asks once more: what comes back then, too, was an echo, for a control says its wish
        again after 3 s at the soonest (reference 7.3); where nothing comes back, the first was a wish."""
        if wish != self._said_last or now - self._said >= defaults.XMODEM_ECHO_S:
            self._doubtful = b""
            return [Wished(wish, now)]
        if self._doubtful:
            self._doubtful = b""
        else:
            self._doubtful, self._doubt_ends, self._ask_at = wish, math.inf, now + defaults.XMODEM_DOUBT_S
        return []

    def stop(self, now: float) -> list[Event]:
        if self._machine is None or not self._catch.began:
            self._machine = None
            return []
        events = self._take(self._machine.cancel(now), now)
        self._machine, self._ask_at = None, now
        return events

    def _begin(self, now: float) -> Machine:
        if self._machine is not None:
            self._out += self._machine.outgoing()  # the last answer may be there still
        self._machine = self._row.receiver(self._line, now)
        self._catch = _Catch()
        return self._machine

    def _take(self, packets: list[PacketEvent], now: float) -> list[Event]:
        events: list[Event] = []
        for packet in packets:
            match packet:
                case Started():
                    self._catch = _Catch(packet.name, began=True)
                    events.append(Began(now))
                case Received():
                    self._catch.take(packet.data, events)
                    if self._catch.chars > self._longest:
                        self._catch.end(CaptureEnd.TOO_LONG, now, events)
                        machine, self._machine = self._machine, None
                        if machine is not None:
                            machine.cancel(now)
                            self._out += machine.outgoing()
                        return events
                case Wish():
                    events.append(Wished(b"N", now))
                case PacketsEnded():
                    self._ask_at = now + (self._row.next_s if self._catch.began else defaults.XMODEM_REST_S)
                    why = CaptureEnd.PACKETS if packet.ending is Ending.DONE else CaptureEnd.STOPPED
                    self._last_answer_waits = self._catch.began and why is CaptureEnd.PACKETS
                    self._catch.end(why, now, events)
        return events
