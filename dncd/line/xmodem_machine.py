"""What both directions of XMODEM share: the events that they give, and a machine that follows a table of rules."""

import enum
import math
from dataclasses import dataclass
from typing import Final

from dncd import defaults
from dncd.line.xmodem_packets import ACK, CAN, EOT, NAK, SOH, STX, C, Check
from dncd.line.xmodem_rules import Do, Heard, Phase, Table

CANCEL = bytes([CAN] * 8)
"""Two are enough; more of them survive a receiver that still takes some for characters of a packet (common practice)."""

_BYTES: Final = {ACK: Heard.ACK, NAK: Heard.NAK, C: Heard.C, SOH: Heard.SOH, STX: Heard.STX, EOT: Heard.EOT}


class Ending(enum.Enum):
    """How a transfer ended: `CANCELLED` here, `ABORTED` by the peer, `FAILED` after too many tries or out of step."""

    DONE = "done"
    CANCELLED = "cancelled"
    ABORTED = "aborted"
    FAILED = "failed"


class Patience(enum.Enum):
    """What a sender does about a receiver that says nothing: repeat the packet, or leave that to the receiver.

    A control that cuts while it reads may keep its ACK back until it has room, for as long as it likes.
    """

    REPEAT = "repeat"
    WAIT = "wait"


@dataclass(frozen=True, slots=True)
class Started:
    """The first packet goes out, or came whole; check: what both sides agreed on."""

    check: Check


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """chars: characters of the program, without filling, that the receiver has just acknowledged."""

    chars: int


@dataclass(frozen=True, slots=True)
class Received:
    """data: the characters of one packet, filling included."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Repeated:
    """A packet is sent, or asked for, once more; why: for the journal."""

    why: str


@dataclass(frozen=True, slots=True)
class Ended:
    """The transfer is over; reason: a phrase for a receipt, "" where it is done."""

    ending: Ending
    reason: str


Event = Started | Acknowledged | Received | Repeated | Ended


class Machine:
    def __init__(self, table: Table) -> None:
        self.phase = Phase.START
        self.chars = 0
        """Characters handed over so far: acknowledged, or delivered (filling included)."""
        self._table = table
        self._due = math.inf
        self._out = bytearray()
        self._events: list[Event] = []
        self._quiet_by = math.inf
        self._cans = 0
        self._tries = 0

    def next_due(self) -> float | None:
        """When `tick` should be called; None while only the peer can go on."""
        return None if self._due == math.inf else self._due

    def tick(self, now: float) -> list[Event]:
        if now >= self._due:
            self._heard(Heard.SILENCE, now)
        return self._drain()

    def outgoing(self) -> bytes:
        """What has to be written now, in order; it is given once."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def cancel(self, now: float) -> list[Event]:
        """Ends the transfer from this side: CANs go out (drop what was not yet written of a packet)."""
        if self.phase is not Phase.OVER:
            self._out.clear()
            self._over(Ending.CANCELLED, "cancelled here", now, say=CANCEL)
        return self._drain()

    def _byte(self, byte: int, now: float) -> None:
        """One character outside a packet. One CAN means nothing (it never was a standard); two in a row are an abort."""
        self._cans = self._cans + 1 if byte == CAN else 0
        if self._cans == 2:
            self._heard(Heard.CANCEL, now)
        elif byte != CAN:
            self._heard(_BYTES.get(byte, Heard.OTHER), now)

    def _heard(self, heard: Heard, now: float) -> None:
        do, _ = self._table.get((self.phase, heard), (Do.NOTHING, frozenset[Phase]()))
        if do is Do.ABORTED:
            self._over(Ending.ABORTED, "the other side cancelled (CAN CAN)", now)
        elif do is not Do.NOTHING:
            self._do(do, heard, now)

    def _do(self, do: Do, heard: Heard, now: float) -> None:
        raise NotImplementedError

    def _wait_quiet(self, phase: Phase, quiet_s: float, now: float) -> None:
        """Waits for a quiet line, but for no longer than for an answer: a peer that babbles must not hold the line."""
        if self.phase is not phase:
            self.phase, self._quiet_by = phase, now + defaults.XMODEM_REPLY_S
        self._due = min(now + quiet_s, self._quiet_by)

    def _over(self, ending: Ending, reason: str, now: float, say: bytes = b"") -> None:
        self._out += say
        self.phase, self._due = Phase.OVER, math.inf
        self._events.append(Ended(ending, reason))

    def _drain(self) -> list[Event]:
        events, self._events = self._events, []
        return events
