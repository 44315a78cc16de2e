"""XMODEM in both directions: with checksum, with CRC, with blocks of 1024 characters; and YMODEM, which names each program.

Two machines as `packet_machine` says. Nothing is done for one that is over, except that a finished receiver goes on to
acknowledge a repeated EOT as long as it is fed. What they do is in the tables of `packet_rules`.

A packet: SOH (STX for 1024 characters), number, its complement, characters, check: the low byte of the characters' sum, or
their CRC-16 high byte first. Numbers begin at 1 and go on from 255 to 0. The last packet is filled up with SUB. Source: the
XMODEM/YMODEM reference of 1988, chapters 7 and 8 (verified); STX: a specification of 1993 (verified).

Where this goes beyond the reference, and why:
- A sender takes no answer that came before its packet was written (`written`): it answers something older, and taken for an
  ACK it would put sender and receiver one packet apart for the rest of the program, so that a lost block goes unseen.
- For the same reason it lets the line fall quiet after a packet that it had repeated unasked.
- A YMODEM receiver takes one program; another one takes the next of the batch. The size in a header is not heeded: a control
  may count line ends otherwise, and the mark or the filling tells the end.
- A receiver takes EOT for the end when the line stays quiet after it: a damaged SOH must not end a program.
"""

import binascii
import enum
import math
import re
from typing import Final

from dncd import defaults
from dncd.choices import Protocol
from dncd.line.packet_machine import (
    CLOSING_TRIES,
    Acknowledged,
    Ending,
    Event,
    Machine,
    Patience,
    Received,
    SendingMachine,
    Started,
)
from dncd.line.packet_rules import RECEIVING, SENDING, Cause, Do, Phase

SOH, STX, EOT, ACK, BS, NAK, CAN, SUB, C = 0x01, 0x02, 0x04, 0x06, 0x08, 0x15, 0x18, 0x1A, 0x43

SMALL: Final = 128
LARGE: Final = 1024
"""Characters of a packet."""


class Check(enum.Enum):
    """How a packet is checked: `SUM` one byte, `CRC` two."""

    SUM = "checksum"
    CRC = "crc"


def check_bytes(data: bytes, check: Check) -> bytes:
    """The check of a packet's characters: low byte of their sum, or CRC-16/XMODEM (high byte first, start value 0)."""
    if check is Check.SUM:
        return bytes([sum(data) & 0xFF])
    return binascii.crc_hqx(data, 0).to_bytes(2, "big")


def packet(number: int, data: bytes, size: int, check: Check) -> bytes:
    """One packet. number: from 1, any height; data: at most `size` characters, filled up with SUB; size: 128 or 1024."""
    head = bytes([SOH if size == SMALL else STX, number & 0xFF, 0xFF - (number & 0xFF)])
    filled = data.ljust(size, bytes([SUB]))
    return head + filled + check_bytes(filled, check)


_REST_IN_SMALL = 7 * SMALL
"""Up to this many characters at the end go in small packets: they carry less filling than one of 1024."""

CANCEL: Final = bytes([CAN] * 8)
"""Two are enough; more of them survive a receiver that still takes some for characters of a packet (common practice)."""

_BYTES: Final = {ACK: Cause.ACK, NAK: Cause.NAK, C: Cause.C, SOH: Cause.SOH, STX: Cause.STX, EOT: Cause.EOT}


_OUT: Final = frozenset({Phase.HEADER, Phase.REPLY, Phase.EOT, Phase.CLOSING})
"""Phases in which a packet is out."""


def _header(named: bytes) -> bytes:
    """YMODEM's packet 0: name, NUL, size in decimal digits; nothing but NUL ends a batch."""
    return packet(0, named.ljust(SMALL, b"\0"), SMALL, Check.CRC)


class _Characters(Machine):
    """What both directions make of single characters."""

    _quiet_by = math.inf
    _cans = 0

    def _byte(self, byte: int, now: float) -> None:
        """One character outside a packet. One CAN means nothing (it never was a standard); two in a row are an abort."""
        self._cans = self._cans + 1 if byte == CAN else 0
        if self._cans == 2:
            self._on(Cause.CANCEL, now)
        elif byte != CAN:
            self._on(_BYTES.get(byte, Cause.OTHER), now)

    def _wait_quiet(self, phase: Phase, quiet_s: float, now: float) -> None:
        """Waits for a quiet line, but for no longer than for an answer: a peer that babbles must not hold the line."""
        if self.phase is not phase:
            self.phase, self._quiet_by = phase, now + defaults.XMODEM_REPLY_S
        self._due = min(now + quiet_s, self._quiet_by)

    def _farewell(self, reason: str) -> bytes:
        return CANCEL

    def _said_abort(self) -> str:
        return "the other side cancelled (CAN CAN)"


class Sender(_Characters, SendingMachine):
    """Sends one program, two large packets of which are held at most. kind: `XMODEM` (checksum only), `XMODEM_CRC` or
    `XMODEM_1K` (these give what the receiver asks for), `YMODEM`; start_s: seconds to wait for the receiver, `math.inf`
    for ever; patience: see there; name, chars: for a header of YMODEM. ValueError for `PLAIN`."""

    def __init__(
        self,
        kind: Protocol,
        now: float,
        *,
        start_s: float = defaults.XMODEM_START_S,
        patience: Patience = Patience.REPEAT,
        name: str = "",
        chars: int = 0,
    ) -> None:
        super().__init__(SENDING, 2 * LARGE)
        if kind is Protocol.PLAIN:
            raise ValueError("plain characters are not sent in packets")
        self.check = Check.SUM
        self._kind, self._patience, self._start_s = kind, patience, start_s
        self._due = now + start_s
        self._header = f"{name}\0{chars}".encode("ascii", "replace")
        self._number, self._payload, self._packet = 0, 0, b""
        self._said_at = -math.inf
        self._unasked = 0

    def written(self, now: float) -> None:
        if self.phase in _OUT:
            self._said_at = now
            self._await(now)

    def feed(self, data: bytes, now: float) -> list[Event]:
        for byte in data:
            if byte == CAN or now > self._said_at:
                self._byte(byte, now)
            else:
                self._cans = 0
        return self._drain()

    def _await(self, now: float) -> None:
        if self.phase is not Phase.REPLY:
            self._due = now + defaults.XMODEM_REPLY_S
        else:
            self._due = math.inf if self._patience is Patience.WAIT else now + defaults.XMODEM_UNASKED_S

    def _do(self, do: Do, cause: Cause, now: float) -> None:
        match do:
            case Do.BEGIN_SUM if self._kind is not Protocol.YMODEM:
                self._begin(Check.SUM, now)
            case Do.BEGIN_CRC if self._kind is not Protocol.XMODEM:
                self._begin(Check.CRC, now)
            case Do.SEND:
                self._next(now)
            case Do.ADVANCE:
                self.chars += self._payload
                self._events.append(Acknowledged(self._payload))
                if self._unasked:
                    self._wait_quiet(Phase.SETTLING, defaults.XMODEM_SETTLE_S, now)
                else:
                    self._next(now)
            case Do.WAIT_QUIET:
                self._wait_quiet(Phase.SETTLING, defaults.XMODEM_SETTLE_S, now)
            case Do.REPEAT_FIRST if self._number != 1:
                pass
            case Do.REPEAT | Do.REPEAT_FIRST | Do.REPEAT_UNASKED:
                self._unasked += do is Do.REPEAT_UNASKED
                self._again(cause, now)
            case Do.AWAIT:
                self.phase, self._due = Phase.NAMED, now + defaults.XMODEM_START_S
            case Do.FINISH | Do.CLOSE:
                self._finish(do, now)
            case Do.NO_START:
                self._over(Ending.FAILED, f"the receiver did not ask for a packet within {self._start_s:g} s")

    def _finish(self, do: Do, now: float) -> None:
        """The receiver has all of it. In YMODEM it asks for the next program then, and is told that there is none."""
        if do is Do.FINISH and self.phase is Phase.EOT and self._kind is Protocol.YMODEM:
            self.phase, self._due, self._tries = Phase.LAST, now + defaults.XMODEM_REPLY_S, 0
        elif do is Do.CLOSE and self._tries < CLOSING_TRIES:
            self._tries += 1
            self.phase, self._packet = Phase.CLOSING, _header(b"")
            self._say(now)
        else:
            self._over(Ending.DONE, "")

    def _begin(self, check: Check, now: float) -> None:
        self.check = check
        self._events.append(Started())
        if self._kind is Protocol.YMODEM:
            self.phase, self._packet = Phase.HEADER, _header(self._header)
            self._say(now)
        else:
            self._next(now)

    def _next(self, now: float) -> None:
        """The next packet, or EOT; waits for characters where a packet is not full and more may come."""
        large = self._kind in (Protocol.XMODEM_1K, Protocol.YMODEM) and self.check is Check.CRC
        if large and self._finished:
            large = len(self._held) > _REST_IN_SMALL
        size = LARGE if large else SMALL
        if len(self._held) < size and not self._finished:
            self.phase, self._due = Phase.DATA, math.inf
            return
        data = bytes(self._held[:size])
        del self._held[:size]
        self.phase = Phase.REPLY if data else Phase.EOT
        self._number += 1
        self._payload, self._tries, self._unasked = len(data), 0, 0
        self._packet = packet(self._number, data, size, self.check) if data else bytes([EOT])
        self._say(now)

    def _again(self, cause: Cause, now: float) -> None:
        what = {Phase.EOT: "the end (EOT)", Phase.HEADER: "the name"}.get(self.phase, f"packet {self._number}")
        if self._once_more(what, cause, defaults.XMODEM_TRIES):
            self._say(now)

    def _say(self, now: float) -> None:
        self._out += self._packet
        self._said_at = now
        self._await(now)


class Receiver(_Characters):
    """Receives one program; asks for it at once. kind: `XMODEM` asks for checksum (NAK), `YMODEM` for CRC (C), the
    others for CRC and then, if nothing comes, for checksum; packets of 1024 are taken in any kind. ValueError for
    `PLAIN`."""

    def __init__(self, kind: Protocol, now: float) -> None:
        super().__init__(RECEIVING)
        if kind is Protocol.PLAIN:
            raise ValueError("plain characters do not come in packets")
        self.check = Check.SUM if kind is Protocol.XMODEM else Check.CRC
        self._crc_tries = 0 if kind is Protocol.XMODEM else defaults.XMODEM_CRC_TRIES
        self._most_tries = self._crc_tries + defaults.XMODEM_TRIES
        self._kind, self._name = kind, ""
        if kind is Protocol.YMODEM:
            self._crc_tries = self._most_tries
        self._asked = 0
        self._taken = 0
        self._ending = Ending.FAILED
        self._packet = bytearray()
        self._tail = b""
        self._do(Do.ASK, Cause.SILENCE, now)

    def feed(self, data: bytes, now: float) -> list[Event]:
        at = 0
        while at < len(data):
            if self.phase is Phase.INSIDE:
                at = self._inside(data, at, now)
            elif self.phase is Phase.PURGING:
                self._tail, at = (self._tail + data[at:])[-64:], len(data)
                self._wait_quiet(Phase.PURGING, defaults.XMODEM_QUIET_S, now)
            else:
                if data[at] in (SOH, STX):
                    self._packet[:] = data[at : at + 1]
                elif self.phase is Phase.EOT:
                    self._due = now + defaults.XMODEM_QUIET_S
                self._byte(data[at], now)
                at += 1
        return self._drain()

    def tick(self, now: float) -> list[Event]:
        if self.phase is Phase.PURGING and now >= self._due and self._tail.rstrip(bytes([BS])).endswith(CANCEL[:2]):
            self._on(Cause.CANCEL, now)
        return super().tick(now)

    def _inside(self, data: bytes, at: int, now: float) -> int:
        """Characters of a packet from `at` on; gives the place behind those that were used."""
        size = SMALL if self._packet[0] == SOH else LARGE
        whole = 3 + size + (1 if self.check is Check.SUM else 2)
        until = 3 if len(self._packet) < 3 else whole
        part = data[at : at + until - len(self._packet)]
        self._packet += part
        self._due = now + defaults.XMODEM_QUIET_S
        if len(self._packet) == 3 and self._packet[1] ^ self._packet[2] != 0xFF:
            self._on(Cause.BAD, now)
        elif len(self._packet) == whole:
            self._on(self._judged(size), now)
        return at + len(part)

    def _judged(self, size: int) -> Cause:
        if check_bytes(bytes(self._packet[3 : 3 + size]), self.check) != self._packet[3 + size :]:
            return Cause.BAD
        number = self._packet[1]
        if number == self._taken == 0 and self._kind is Protocol.YMODEM:
            return Cause.HEADER
        if number == (self._taken + 1) & 0xFF:
            return Cause.GOOD
        return Cause.AGAIN if self._taken and number == self._taken & 0xFF else Cause.STRAY

    def _do(self, do: Do, cause: Cause, now: float) -> None:
        match do:
            case Do.ASK:
                self._ask(now)
            case Do.OPEN:
                self.phase, self._due = Phase.INSIDE, now + defaults.XMODEM_QUIET_S
            case Do.DELIVER:
                data = bytes(self._packet[3 : len(self._packet) - (1 if self.check is Check.SUM else 2)])
                if not self._taken:
                    self._events.append(Started(self._name))
                self._taken += 1
                self._tries = 0
                self.chars += len(data)
                self._events.append(Received(data))
                self._answer(ACK, now)
            case Do.NAME:
                self._named(now)
            case Do.ACKNOWLEDGE:
                self._answer(ACK, now)
            case Do.WAIT_QUIET:
                self._tail = b""
                self._wait_quiet(Phase.PURGING, defaults.XMODEM_QUIET_S, now)
            case Do.REJECT:
                self._reject(now)
            case Do.HOLD_EOT:
                self.phase, self._due = Phase.EOT, now + defaults.XMODEM_QUIET_S
            case Do.CONFIRM:
                self._ending = Ending.DONE
                self._over(Ending.DONE, "", say=bytes([ACK]))
            case Do.CONFIRM_AGAIN if self._ending is Ending.DONE:
                self._out.append(ACK)
            case Do.OUT_OF_STEP:
                reason = f"packet {self._packet[1]} came where {(self._taken + 1) & 0xFF} was due"
                self._give_up(Ending.FAILED, reason)

    def _named(self, now: float) -> None:
        """A header came: the name is what stands before the first NUL, behind any folders; none ends the batch."""
        self._name = re.split(rb"[/\\:]", self._packet[3:-2].partition(b"\0")[0])[-1].decode("latin-1")
        self._out.append(ACK)
        if self._name:
            self._asked = self._tries = 0
            self._ask(now)
        else:
            self._over(Ending.DONE, "")

    def _ask(self, now: float) -> None:
        """The wish for the first packet: C, and after some of them NAK."""
        if self._asked >= self._most_tries:
            self._over(Ending.FAILED, f"no packet came after {self._asked} requests")
            return
        self._asked += 1
        self.check = Check.CRC if self._asked <= self._crc_tries else Check.SUM
        self._wish(C if self.check is Check.CRC else NAK, now)

    def _wish(self, byte: int, now: float) -> None:
        self._out.append(byte)
        self.phase = Phase.NAMED if self._name else Phase.START
        self._due = now + (defaults.XMODEM_CRC_WAIT_S if byte == C else defaults.XMODEM_REPLY_S)

    def _answer(self, byte: int, now: float) -> None:
        self._out.append(byte)
        self.phase, self._due = Phase.NEXT, now + defaults.XMODEM_REPLY_S

    def _reject(self, now: float) -> None:
        """Asks for the packet again. After a fall-back nobody knows which check the sender took: both are tried in turn."""
        if not self._not_whole(self._taken + 1, defaults.XMODEM_TRIES):
            return
        if self._taken:
            self._answer(NAK, now)
        elif 0 < self._crc_tries < self._asked:
            self.check = Check.CRC if self.check is Check.SUM else Check.SUM
            self._wish(C if self.check is Check.CRC else NAK, now)
        else:
            self._wish(NAK, now)
