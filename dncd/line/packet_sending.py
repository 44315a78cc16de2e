"""Sending one program in packets, with the surface of `line.sending.Sending`.

The machine of the protocol (`packet_protocols`) knows the packets; here are the image, the line's clock, holds and the
outcome. The receiver's answer is the flow control: a control that keeps its ACK back for a while holds the line. What
waits, and for how long, goes by where the last packet is:

| place | what is due                                            | then              |
|-------|--------------------------------------------------------|-------------------|
| port  | a port that is full is looked at again                 |                   |
| port  | nothing of it left for `stall_s`, without drip feed    | over: interrupted |
| line  | it has left by the line's clock                        | away              |
| away  | a packet is not answered for `XMODEM_HELD_S`           | a hold begins     |
| away  | the control said nothing for `stall_s`, no drip feed   | over: interrupted |
| away  | the machine's own due time                             | as its table says |
"""

import enum
import math
from collections.abc import Iterable, Iterator
from typing import Final

from dncd import defaults
from dncd.line.outgoing import Outcome, Outgoing, Shape
from dncd.line.packet_machine import Acknowledged, Ended, Ending, Event, Patience, Repeated
from dncd.line.packet_protocols import PROTOCOLS, Offer
from dncd.values import LineSettings, Result, SendSettings

_REPEATS_TOLD: Final = 3
"""Kinds of repeated packets that a receipt names; the others are counted."""


class Place(enum.Enum):
    """Where the last packet is: waiting for the port, with the line, or at the control."""

    PORT = "port"
    LINE = "line"
    AWAY = "away"


class Due(enum.Enum):
    """What time moves."""

    LOOK = "a full port is looked at again"
    STALLED = "nothing of the packet left"
    LEFT = "the packet has left"
    HOLD = "its answer is late"
    SILENT = "the control says nothing any more"
    MACHINE = "the machine's own"


class _Gated(Outgoing):
    """Its holds by lines: the control's and a device server's."""

    _gate_open, _suspended = True, False
    _now = 0.0  # when it was last asked or told anything

    def gate(self, open_: bool, now: float) -> None:
        """CTS or DSR, whichever the flow setting watches: on (True) or off."""
        self._gates(open_, self._suspended, now)

    def suspend(self, on: bool, now: float) -> None:
        """A device server takes nothing for now (True), or takes it again."""
        self._gates(self._gate_open, on, now)

    def _gates(self, gate_open: bool, suspended: bool, now: float) -> None:
        was_open, self._gate_open, self._suspended, self._now = self._open, gate_open, suspended, now
        if self._open and not was_open:
            self._end_hold(now)
        elif was_open and not self._open and self.outcome is None:
            self._begin_hold(now)

    @property
    def _open(self) -> bool:
        return self._gate_open and not self._suspended


class PacketSending(_Gated):
    """Sends a program whose characters come by `supply`. wish: what the receiver asked with just before, or b"". Raises
    nothing: every byte at any time is an event, or noise."""

    def __init__(
        self, line: LineSettings, send: SendSettings, offer: Offer, now: float, shape: Shape, *, wish: bytes = b""
    ) -> None:
        super().__init__(offer.chars, now, line.char_s, shape.block_end)
        self._now = now
        self.repeats: list[str] = []
        self._reason = ""
        self._out = bytearray()
        self._place = Place.AWAY
        self._left_at = math.inf  # when the packet that waits for its answer will have left the line, or has
        self._silent_since = math.inf  # when the first packet left that was followed by no word of the receiver
        self._stall_s = math.inf if send.drip_feed else send.stall_s
        patience = Patience.WAIT if send.drip_feed else Patience.REPEAT
        self._machine = PROTOCOLS[line.protocol].sender(line, offer, now, self._stall_s, patience)
        self._take(self._machine.feed(wish, now), now)

    # --- the image ---------------------------------------------------------------------------------------------

    def supply(self, piece: bytes) -> None:
        super().supply(piece)
        self._take((), self._now)

    # --- what the control says -----------------------------------------------------------------------------------

    def feed(self, data: bytes, now: float) -> None:
        self._now = now
        if self.outcome is not None:
            return
        if data:
            self._silent_since = math.inf
        if self._out:  # the packet has not left: nothing but an abort can be an answer to it
            self._machine.written(now)
        self._take(self._machine.feed(data, now), now)

    def _take(self, events: Iterable[Event], now: float) -> None:
        """Follows what the machine gives, and feeds it with what it wants."""
        while True:
            for event in events:
                match event:
                    case Acknowledged():
                        self.handed_over += event.chars
                        self._end_hold(now)
                    case Repeated():
                        self.repeats.append(event.why)
                    case Ended():
                        self._over(event, now)
            if said := self._machine.outgoing():
                self._out += said
                self._place, self._left_at, self._moved_at = Place.PORT, math.inf, now
            if self.outcome is not None or not (wanted := self._machine.wanted):
                return
            at = self._taken - self._base
            if part := self._image[at : at + wanted]:
                self._taken += len(part)
                events = self._machine.supply(part, now)
            elif self._taken == self.total:
                events = self._machine.finish(now)
            else:
                return

    def _over(self, event: Ended, now: float) -> None:
        self._end_hold(now)
        result = Result.SENT if event.ending is Ending.DONE else Result.INTERRUPTED
        self.outcome = Outcome(
            result,
            self._reason or event.reason,
            self.handed_over,
            self.holds,
            self.held_s,
            now - self._begun_at,
            notes=_notes(self.repeats),
        )

    # --- handing over --------------------------------------------------------------------------------------------

    def allowed(self, now: float, *, behind: bool = False) -> bytes:
        """The characters that may go to the port now: the rest of a packet, which nothing can stop in the middle."""
        self._now = now
        return bytes(self._out) if self._open else b""

    def wrote(self, chars: int, offered: int, now_after: float) -> None:
        self._now = now_after
        if chars:
            self.clock.wrote(chars, now_after)
            self._moved_at = now_after
            del self._out[:chars]
        if not self._out and self._place is Place.PORT:
            self._place, self._left_at = Place.LINE, self.clock.busy_until

    def port_holds(self, outgoing: int, now: float) -> None:
        """The port tells how many characters it still holds: the answer is due from when they have left."""
        self.clock.correct(outgoing, now)
        if self._place is Place.LINE:
            self._left_at = self.clock.busy_until

    def _dues(self) -> Iterator[tuple[float, Due]]:
        """The table of the module's text; infinity: never."""
        match self._place:
            case Place.PORT:
                if self._open:
                    yield self._now + 4 * self.clock.char_s, Due.LOOK
                yield self._moved_at + self._stall_s, Due.STALLED
            case Place.LINE:
                yield self._left_at, Due.LEFT
            case Place.AWAY:
                if self._machine.answer_due and self.held_since is None:
                    yield self._left_at + defaults.XMODEM_HELD_S, Due.HOLD
                yield self._silent_since + self._stall_s, Due.SILENT
                due = self._machine.next_due()
                yield math.inf if due is None else due, Due.MACHINE

    def next_due(self) -> float | None:
        """When `tick` or `allowed` should be called next; None: only an event can help."""
        due = math.inf if self.outcome is not None else min(at for at, _ in self._dues())
        return None if due == math.inf else due

    def tick(self, now: float) -> None:
        for at, due in [] if self.outcome is not None else list(self._dues()):
            if now < at or self.outcome is not None:
                continue
            match due:
                case Due.STALLED:
                    holder = "device server" if self._gate_open else "control"
                    who = "the port took no characters" if self._open else f"the {holder} held the line"
                    self.stop(f"{who} for longer than stall_s = {self._stall_s:g} s", now)
                case Due.LEFT:
                    self._place = Place.AWAY
                    self._machine.written(now)
                    self._silent_since = min(self._silent_since, self._left_at)
                case Due.HOLD:
                    self._begin_hold(self._left_at)
                case Due.SILENT:
                    self.stop(f"the control did not answer for longer than stall_s = {self._stall_s:g} s", now)
                case Due.MACHINE:
                    self._take(self._machine.tick(now), now)
        self._now = now

    def last_words(self) -> bytes:
        said, self._out = bytes(self._out), bytearray()
        return said

    def stop(self, reason: str, now: float) -> None:
        if self.outcome is None:
            self._out.clear()
            self._reason = reason
            self._take(self._machine.cancel(now), now)


def _notes(repeats: list[str]) -> tuple[str, ...]:
    if not repeats:
        return ()
    kinds = list(dict.fromkeys(repeats))
    more = f" and {len(kinds) - _REPEATS_TOLD} others" if len(kinds) > _REPEATS_TOLD else ""
    times = "1 packet went" if len(repeats) == 1 else f"{len(repeats)} packets went"
    return (f"{times} out again ({'; '.join(kinds[:_REPEATS_TOLD])}{more}): look at the line",)
