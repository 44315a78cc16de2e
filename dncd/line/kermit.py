"""Classic Kermit in both directions: every packet is answered, and numbered, so that nothing is lost or comes twice.

Two machines as `packet_machine` says. What they do is in the tables of `packet_rules`, what a packet is in `kermit_packets`.
A line of seven bits: the parity is that of the packets; the characters of the program have theirs outside (`tape.codes`).

The receiver keeps still until it is offered a program. A peer that says N 0 meanwhile waits for one itself: its wish.
"""

import math
import re
from typing import Final

from dncd import defaults
from dncd.line import kermit_packets as packets
from dncd.line.kermit_packets import NUMBERS, Packet, Reader, Terms
from dncd.line.packet_machine import (
    CLOSING_TRIES,
    Acknowledged,
    Ended,
    Ending,
    Event,
    Machine,
    Patience,
    Received,
    SendingMachine,
    Started,
    Wish,
)
from dncd.line.packet_rules import KERMIT_RECEIVING, KERMIT_SENDING, Cause, Do, Phase
from dncd.peer_text import printable
from dncd.tape.codes import with_parity
from dncd.values import Frame

_KINDS: Final = {"F": Cause.HEADER, "A": Cause.INFO, "D": Cause.GOOD, "Z": Cause.EOT, "B": Cause.BREAK}
_SEVEN: Final = bytes(char & 0x7F for char in range(256))


class _Packets(Machine):
    """What both directions share."""

    def _set_up(self, frame: Frame, check: int) -> None:
        self._seven, self._terms, self._reader = frame.data_bits == 7, Terms(), Reader()
        parity = frame.parity if frame.carries_own_parity else "N"
        same = bytes(range(256))
        self._strip = _SEVEN if self._seven else same
        self._line = bytes(with_parity(c & 0x7F, parity) ^ (c & 0x80) for c in same) if self._seven else same
        self._offer = packets.offer(self._seven, check)
        self._number, self._said, self._abort = 0, b"", ""

    def feed(self, data: bytes, now: float) -> list[Event]:
        for raw in self._reader.feed(data.translate(self._strip)):
            packet = packets.read(raw, self._terms.check)
            if packet is not None and packet.kind == "E":
                self._abort = printable(packets.decoded(packet.data, self._terms).decode("latin-1"))
            cause = Cause.BAD if packet is None else self._meaning(packet)
            self._data = b"" if packet is None else packet.data
            self._on(cause, now)
        return self._drain()

    def _meaning(self, packet: Packet) -> Cause:
        raise NotImplementedError

    def _say(self, kind: str, data: bytes = b"", check: int = 0) -> None:
        """A packet of the number that is due. check: 0 for the one agreed on."""
        packet = packets.wire(Packet(kind, self._number, data), check or self._terms.check)
        self._said = (self._terms.before + packet + self._terms.after).translate(self._line)
        self._out += self._said

    def _farewell(self, reason: str) -> bytes:
        self._say("E", packets.coded(reason.encode("ascii", "replace"), 60, self._terms)[1])
        said, self._out = bytes(self._out), bytearray()
        return said

    def _said_abort(self) -> str:
        return f"the other side gave up ({self._abort})"


class Sender(_Packets, SendingMachine):
    """Sends one program. frame: of the line; name: of the file; start_s: seconds to wait for the receiver; check: 1 to 3,
    what is offered; patience: see there."""

    def __init__(
        self,
        frame: Frame,
        name: str,
        now: float,
        *,
        start_s: float = math.inf,
        check: int = 3,
        patience: Patience = Patience.REPEAT,
    ) -> None:
        super().__init__(KERMIT_SENDING, 2_048)
        self._set_up(frame, check)
        self._name, self._patience, self._give_up_at, self._payload = name, patience, now + start_s, 0
        self._due = now

    def written(self, now: float) -> None:
        if self.phase in (Phase.INIT, Phase.HEADER, Phase.REPLY, Phase.EOT, Phase.CLOSING):
            waits = self.phase is Phase.REPLY and self._patience is Patience.WAIT
            self._due = math.inf if waits else now + self._terms.wait_s

    def _meaning(self, packet: Packet) -> Cause:
        match packet.kind, (packet.number - self._number) % NUMBERS:
            case "E", _:
                return Cause.CANCEL
            case "Y", 0:
                return Cause.UNWANTED if packet.data[:1] in (b"X", b"Z") and self.phase is Phase.REPLY else Cause.ACK
            case "N", 0:
                return Cause.NAK
            case "N", 1 if self.phase is not Phase.INIT:  # whoever wants the next one has this one
                return Cause.ACK
        return Cause.OTHER

    def _do(self, do: Do, cause: Cause, now: float) -> None:
        match do:
            case Do.OFFER if now >= self._give_up_at:
                self._give_up(Ending.FAILED, "the receiver did not answer in time")
            case Do.OFFER:
                self.phase = Phase.INIT
                self._say("S", self._offer, check=1)
            case Do.AGREE:
                self._terms = packets.agree(self._offer, self._data)
                self._events.append(Started())
                self._go_to(Phase.HEADER, "F", packets.coded(self._name.encode("ascii", "replace"), 60, self._terms)[1])
            case Do.ADVANCE | Do.SEND:
                if do is Do.ADVANCE:
                    self.chars += self._payload
                    self._events.append(Acknowledged(self._payload))
                self._next()
            case Do.REPEAT:
                if self._once_more(f"packet {self._number}", cause, defaults.KERMIT_TRIES):
                    self._out += self._said
            case Do.CLOSE if self.phase is Phase.EOT:
                self._go_to(Phase.CLOSING, "B")
            case Do.CLOSE if self._tries < CLOSING_TRIES:
                self._tries += 1
                self._out += self._said
            case Do.CLOSE | Do.FINISH:
                self._over(Ending.DONE, "")
            case Do.REFUSE:
                self._give_up(Ending.ABORTED, "the other side does not want the rest")
        self.written(now)

    def _next(self) -> None:
        """The next packet of characters, or the end; waits where a packet would not be full and more may come."""
        if len(self._held) < packets.MOST and not self._finished:
            self.phase, self._due = Phase.DATA, math.inf
            return
        chars = bytes(self._held).translate(self._strip)
        self._payload, data = packets.coded(chars, self._terms.most - 2 - self._terms.check, self._terms)
        del self._held[: self._payload]
        self._go_to(Phase.REPLY if data else Phase.EOT, "D" if data else "Z", data)

    def _go_to(self, phase: Phase, kind: str, data: bytes = b"") -> None:
        self.phase, self._number, self._tries = phase, (self._number + 1) % NUMBERS, 0
        self._say(kind, data)


class Receiver(_Packets):
    """Receives all that is offered, one program after another; is never over for good. frame: of the line."""

    def __init__(self, frame: Frame) -> None:
        super().__init__(KERMIT_RECEIVING)
        self._set_up(frame, 1)
        self._name, self._begun = "", False

    def ask(self, now: float) -> None:
        self._due = now

    def _meaning(self, packet: Packet) -> Cause:
        match packet.kind, (packet.number - self._number) % NUMBERS:
            case "S", _:
                return Cause.INIT
            case "E", _:
                return Cause.CANCEL
            case "N", _ if packet.number == 0:
                return Cause.NAK
            case "Z", 0 if packet.data[:1] == b"D":
                return Cause.UNWANTED
            case kind, 0 if kind in _KINDS:
                return _KINDS[kind]
            case kind, age if kind in _KINDS:
                return Cause.AGAIN if age == NUMBERS - 1 else Cause.STRAY
        return Cause.OTHER  # an answer: the echo of our own

    def _do(self, do: Do, cause: Cause, now: float) -> None:
        match do:
            case Do.ASK:
                self._say("N", check=1)
            case Do.WISH:
                self._events.append(Wish())
                return
            case Do.AGREE:
                self._end(Ending.FAILED, "the control began anew")
                check = self._data[7:8] if self._data[7:8] in (b"1", b"2", b"3") else b"1"
                ours = self._offer[:7] + check + self._offer[8:]
                self._terms, self._number = packets.agree(ours, self._data), 0
                self._answer(Phase.HEADER, ours, check=1)
            case Do.NAME:
                name = packets.decoded(self._data, self._terms).translate(self._strip)
                self._name = re.split(rb"[/\\:\]]", name)[-1].decode("latin-1")
                self._answer(Phase.NEXT)
            case Do.DELIVER:
                self._deliver(packets.decoded(self._data, self._terms).translate(self._line))
            case Do.PASS:
                self._answer(self.phase)
            case Do.ACKNOWLEDGE:
                self._out += self._said
            case Do.CONFIRM | Do.REFUSE:
                done = do is Do.CONFIRM
                self._end(Ending.DONE if done else Ending.ABORTED, "" if done else "the control took it back")
                self._answer(Phase.HEADER)
            case Do.FINISH:
                self._answer(Phase.OVER)
            case Do.REJECT:
                said = self._said  # the answer to the packet before stays what is said to a copy of it
                if self._not_whole(self._number, defaults.KERMIT_TRIES):
                    self._say("N")
                    self._said = said
        self._due = math.inf if self.phase is Phase.OVER else now + self._terms.wait_s

    def _deliver(self, data: bytes) -> None:
        if not self._begun:
            self._begun = True
            self._events.append(Started(self._name))
        self.chars += len(data)
        self._events.append(Received(data))
        self._answer(Phase.NEXT)

    def _end(self, ending: Ending, reason: str) -> None:
        """The program that is coming, if one is, has come to its end."""
        if self._begun:
            self._begun = False
            self._events.append(Ended(ending, reason))

    def _answer(self, phase: Phase, data: bytes = b"", check: int = 0) -> None:
        """Yes to the packet that was due; the next one is due."""
        self._say("Y", data, check)
        self.phase, self._number, self._tries = phase, (self._number + 1) % NUMBERS, 0
