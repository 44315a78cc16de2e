"""Sending one program in XMODEM packets, with the surface of `line.sending.Sending`.

`line.xmodem.Sender` knows the protocol; here are the image, the line's clock, holds and the outcome. The receiver's answer
is the flow control: a control that keeps its ACK back for a while holds the line.
"""

import math
from collections.abc import Iterable
from typing import Final

from dncd import defaults
from dncd.line.clock import LineClock
from dncd.line.sending import SUPPLY_LOW_CHARS, Outcome, Shape
from dncd.line.xmodem import Sender
from dncd.line.xmodem_machine import Acknowledged, Ended, Ending, Event, Patience, Repeated
from dncd.line.xmodem_packets import CAN
from dncd.line.xmodem_rules import Phase
from dncd.values import LineSettings, Result, SendSettings

_REPEATS_TOLD: Final = 3
"""Kinds of repeated packets that a receipt names; the others are counted."""


class XmodemSending:
    """Sends `total` characters that come by `supply`. wish: what the receiver asked with just before (C or NAK), or b"".

    Raises nothing: every byte at any time is an event, or noise.
    """

    def __init__(
        self, line: LineSettings, send: SendSettings, total: int, now: float, shape: Shape, *, wish: bytes = b""
    ) -> None:
        self.clock = LineClock(line.char_s)
        self.total, self.handed_over = total, 0
        self.holds, self.held_s = 0, 0.0
        self.held_since: float | None = None
        self.outcome: Outcome | None = None
        self.strays = bytearray()
        self.repeats: list[str] = []
        self._shape, self._reason = shape, ""
        self._begun_at = self._now = now
        self._image, self._base, self._supplied = b"", 0, 0
        self._out = bytearray()
        self._written_at = math.inf  # when the packet that waits for its answer will have left the line
        self._told_written = True
        self._moved_at = now  # when the last packet was ready to go, or the port took something of it
        self._gate_open, self._suspended = True, False
        self._silent_since = math.inf  # when the first packet left that was followed by no word of the receiver
        start_s = self._stall_s = math.inf if send.drip_feed else send.stall_s
        patience = Patience.WAIT if send.drip_feed else Patience.REPEAT
        self._sender = Sender(line.protocol, now, start_s=start_s, patience=patience)
        if wish:
            self._take(self._sender.feed(wish, now), now)

    # --- the image ---------------------------------------------------------------------------------------------

    def wants_supply(self) -> bool:
        have = self._base + len(self._image)
        return have - self._supplied < SUPPLY_LOW_CHARS and have < self.total and self.outcome is None

    def supply(self, piece: bytes) -> None:
        gone = max(0, self.handed_over - self._base - 256)  # the block that is under way stays, for those who look
        self._image = self._image[gone:] + piece
        self._base += gone
        self._fill(self._now)

    def block_now(self) -> bytes:
        ends, at = self._shape.block_end, self.handed_over - self._base
        found = self._image.rfind(ends, 0, at)
        start = found + len(ends) if found >= 0 else 0
        end = self._image.find(ends, at)
        return self._image[start : end if end >= 0 else start + 200]

    def _fill(self, now: float) -> None:
        while self.outcome is None and (wanted := self._sender.wanted):
            at = self._supplied - self._base
            part = self._image[at : at + wanted]
            if not part:
                break
            self._supplied += len(part)
            self._take(self._sender.supply(part, now), now)
        if self._supplied == self.total and self.outcome is None:
            self._take(self._sender.finish(now), now)

    # --- what the control says -----------------------------------------------------------------------------------

    def feed(self, data: bytes, now: float) -> None:
        self._now = now
        if self.outcome is not None:
            return
        if data:
            self._silent_since = math.inf
        if self._out:  # the packet has not left: nothing but an abort can be an answer to it
            data = bytes(byte for byte in data if byte == CAN)
        self._take(self._sender.feed(data, now), now)
        self._fill(now)

    def gate(self, open_: bool, now: float) -> None:
        """CTS or DSR, whichever the flow setting watches: on (True) or off."""
        self._hold_or_go(open_, self._suspended, now)

    def suspend(self, on: bool, now: float) -> None:
        """A device server takes nothing for now (True), or takes it again."""
        self._hold_or_go(self._gate_open, on, now)

    def _hold_or_go(self, gate_open: bool, suspended: bool, now: float) -> None:
        was_open, self._gate_open, self._suspended, self._now = self._open, gate_open, suspended, now
        if self._open and not was_open:
            self._end_hold(now)
        elif was_open and not self._open and self.held_since is None and self.outcome is None:
            self.holds += 1
            self.held_since = now

    @property
    def _open(self) -> bool:
        return self._gate_open and not self._suspended

    def _take(self, events: Iterable[Event], now: float) -> None:
        for event in events:
            match event:
                case Acknowledged():
                    self.handed_over += event.chars
                    self._end_hold(now)
                case Repeated():
                    self.repeats.append(event.why)
                case Ended():
                    self._over(event, now)
        if said := self._sender.outgoing():
            self._out += said
            self._told_written, self._written_at, self._moved_at = False, math.inf, now

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
            hold_open=False,
            notes=self._notes(),
        )

    def _notes(self) -> tuple[str, ...]:
        if not self.repeats:
            return ()
        kinds = list(dict.fromkeys(self.repeats))
        more = f" and {len(kinds) - _REPEATS_TOLD} others" if len(kinds) > _REPEATS_TOLD else ""
        said = "; ".join(kinds[:_REPEATS_TOLD])
        times = "1 packet went" if len(self.repeats) == 1 else f"{len(self.repeats)} packets went"
        return (f"{times} out again ({said}{more}): look at the line",)

    def _end_hold(self, now: float) -> None:
        if self.held_since is not None:
            self.held_s += now - self.held_since
            self.held_since = None

    # --- handing over --------------------------------------------------------------------------------------------

    def allowed(self, now: float) -> bytes:
        """The characters that may go to the port now: the rest of a packet, which nothing can stop in the middle."""
        self._now = now
        return bytes(self._out) if self._open else b""

    def wrote(self, chars: int, offered: int, now_after: float) -> None:
        self._now = now_after
        if chars:
            self.clock.wrote(chars, now_after)
            self._moved_at = now_after
            del self._out[:chars]
        if not self._out:
            self._written_at = self.clock.busy_until

    def port_holds(self, outgoing: int, now: float) -> None:
        """The port tells how many characters it still holds: the answer is due from when they have left."""
        self.clock.correct(outgoing, now)
        if not self._out and not self._told_written:
            self._written_at = self.clock.busy_until

    def next_due(self) -> float | None:
        """When `tick` or `allowed` should be called next; None: only an event can help."""
        if self.outcome is not None:
            return None
        if self._out:
            return self._now + 4 * self.clock.char_s if self._open else self._stall_due
        if not self._told_written:
            return self._written_at
        dues = [due for due in (self._sender.next_due(),) if due is not None]
        if self._answer_due and self.held_since is None:
            dues.append(self._written_at + defaults.XMODEM_HELD_S)
        if self._silent_since + self._stall_s < math.inf:
            dues.append(self._silent_since + self._stall_s)
        return min(dues) if dues else None

    @property
    def _stall_due(self) -> float | None:
        """When a packet that cannot leave ends the sending; None in drip feed."""
        return None if self._stall_s == math.inf else self._moved_at + self._stall_s

    @property
    def _answer_due(self) -> bool:
        return self._told_written and self._written_at < math.inf and self._sender.phase is Phase.REPLY

    def tick(self, now: float) -> None:
        self._now = now
        if self.outcome is not None:
            return
        if not self._told_written and now >= self._written_at:
            self._told_written = True
            self._sender.written(now)
            self._silent_since = min(self._silent_since, self._written_at)
        if not self._told_written:  # a packet that has not left cannot have been answered: it is not repeated
            if self._out and self._stall_due is not None and now >= self._stall_due:
                holder = "device server" if self._gate_open else "control"
                who = "the port took no characters" if self._open else f"the {holder} held the line"
                self.stop(f"{who} for longer than stall_s = {self._stall_s:g} s", now)
            return
        if self._answer_due and self.held_since is None and now >= self._written_at + defaults.XMODEM_HELD_S:
            self.holds += 1
            self.held_since = self._written_at
        if now >= self._silent_since + self._stall_s:
            self.stop(f"the control did not answer for longer than stall_s = {self._stall_s:g} s", now)
        else:
            self._take(self._sender.tick(now), now)

    def has_left(self, now: float) -> bool:
        """Never by the clock: the end of an XMODEM program is the receiver's own word."""
        return False

    def last_words(self) -> bytes:
        said, self._out = bytes(self._out), bytearray()
        return said

    def stop(self, reason: str, now: float) -> None:
        if self.outcome is None:
            self._out.clear()
            self._reason = reason
            self._take(self._sender.cancel(now), now)

    def held_for(self, now: float) -> float:
        return 0.0 if self.held_since is None else now - self.held_since

    def seconds(self, now: float) -> float:
        return self.outcome.seconds if self.outcome else now - self._begun_at
