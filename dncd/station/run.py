"""One sending under way, from its start to its outcome. Pure, as `core`."""

import enum
import math
from typing import Final

from dncd.choices import ModemLine, Protocol
from dncd.line.codes import WHILE_SENDING
from dncd.line.packet_protocols import Offer
from dncd.line.packet_sending import PacketSending
from dncd.line.sending import Sending
from dncd.peer_text import shown
from dncd.station.events import Action, Do, Holds, Lines, NextPiece, Part, Suspended, Write, Wrote
from dncd.station.queue import WaitingFile
from dncd.station.results import Begun, Heard
from dncd.tape.codes import Coder
from dncd.values import NO_FAULTS, Counters, MachineSettings, Signal, WireBytes

_POLL_MODEM_S: Final = 0.005
"""Seconds between looks at CTS or DSR while the control holds a sending: five characters at 9600 baud."""

_SETTLE_S: Final = 0.01
"""Seconds between looks whether a device server has acknowledged the last characters."""

_PROMPT_CHARS: Final = 40
"""Characters of a control's own, such as READY and a prompt, that make no punch yet (common practice)."""

_PIECE_CHARS: Final = 65_536
"""Characters of a large tape image that are read at a time."""


class Cut(enum.Enum):
    """What broke a sending off from outside. port: that, or the service, went, or the control punches instead; for good:
    somebody, or a fault of the image."""

    NOTHING = "nothing"
    PORT = "port"
    FOR_GOOD = "for good"


class Run:
    """A sending of `file`. begun: what the records know of it, once they do; sending: the machine of the line."""

    def __init__(self, settings: MachineSettings, file: WaitingFile, wish: bytes, now: float) -> None:
        """wish: what the receiver of a line of packets asked with just before, or b""."""
        line, send, prepared = settings.line, settings.send, file.prepared
        self.file = file
        self.sending: Sending | PacketSending = (
            Sending(line, send, prepared.total_chars, now, prepared.shape)
            if line.protocol is Protocol.PLAIN
            else PacketSending(line, send, Offer(file.name, prepared.total_chars), now, prepared.shape, wish=wish)
        )
        self.early_s = 0.0  # by how much its start came before its drop
        self.begun: Begun | None = None
        self._settings = settings
        self._by_line = line.flow.stop_line is not ModemLine.NONE
        self.written = 0  # characters that the port took, packets and repetitions included
        self._fetched, self._fetching = 0, False
        self._unsettled = False
        self._cut, self.by = Cut.NOTHING, ""  # who took it back by the page
        self._counted = NO_FAULTS

    def cut(self, cut: Cut, reason: str, now: float) -> None:
        """Breaks it off, unless it is over."""
        if self.sending.outcome is None:
            self._cut = cut
            self.sending.stop(reason, now)

    @property
    def taken_back(self) -> bool:
        """Whether somebody took it back, or its image cannot be read."""
        return self._cut is Cut.FOR_GOOD

    @property
    def left_no_trace(self) -> bool:
        """Whether nothing of the program went out, and the file has its turn again: a control that never asked for packets,
        and somebody who took it back, have answered. One that gave no answer to what was said before the program has none
        of it, and is most often switched off or in another mode: its file still waits, and nobody must drop it again."""
        waits_on = self._cut is Cut.PORT or (
            self._cut is Cut.NOTHING and self._settings.line.protocol is Protocol.PLAIN
        )
        return self.written <= self.file.prepared.shape.answer_at and waits_on

    @property
    def no_answer(self) -> str:
        """That the control did not answer what was said before the program, and what it said; "" where that is not so."""
        sending, settings = self.sending, self._settings
        if not sending.answer.due or self._cut is not Cut.NOTHING:
            return ""
        came = Coder.of(settings.tape, settings.line).decode(WireBytes(bytes(sending.answer.came[-200:]))).chars
        what = f"the control said {shown(came.decode('latin-1'))}" if came else "the control said nothing"
        return f"{self.file.name} still waits: {sending.outcome.reason if sending.outcome else ''}; {what}"

    def heard(self, warnings: tuple[str, ...]) -> Heard:
        """What was heard meanwhile. warnings: of the port's opening."""
        of_program = max(0, self.written - self.file.prepared.shape.answer_at)
        return Heard(bytes(self.sending.strays), self._counted, warnings, of_program, self.early_s)

    # --- the image ---------------------------------------------------------------------------------------------------

    def fetch(self) -> list[Action]:
        """Asks for the next piece of the image; small images are in memory and come at once."""
        if self._fetching or not self.sending.wants_supply():
            return []
        prepared = self.file.prepared
        if prepared.wire or not prepared.total_chars:
            self.sending.supply(prepared.wire[self._fetched :])
            self._fetched = len(prepared.wire)
            return []
        self._fetching = True
        at, self._fetched = self._fetched, min(prepared.total_chars, self._fetched + _PIECE_CHARS)
        return [Do(NextPiece(prepared.image, at, _PIECE_CHARS))]

    def supply(self, piece: bytes) -> None:
        self._fetching = False
        self.sending.supply(piece)

    # --- the line ----------------------------------------------------------------------------------------------------

    def feed(self, data: bytes, counted: Counters, now: float) -> None:
        """Characters that came from the control; counted: faults of theirs."""
        self.sending.feed(data, now)
        self._counted += counted

    def port_says(self, event: Lines | Suspended | Holds, now: float) -> None:
        """The modem lines (for a sending under hardware flow), and what the driver or a device server tells."""
        match event:
            case Lines() if self._by_line:
                signal = event.modem.of(self._settings.line.flow.stop_line)
                self.sending.gate(signal is Signal.ON, now)  # what a device server has not told yet counts as off
            case Suspended():
                self.sending.suspend(event.signal is Signal.ON, now)
            case Holds():
                self.sending.port_holds(event.chars, now)

    def pump(self, now: float, settled: bool) -> list[Action]:
        """Hands over what may be handed over now. Input must have been read just before."""
        if part := self.sending.allowed(now):
            return [Write(Part.PROGRAM, part)]
        self.time_goes(now, settled)
        return self.fetch()

    def went(self, taken: int, offered: int, now: float) -> float:
        """The short way of `wrote`: when `pump` is wanted next, or 0 where there is more to do than to wait."""
        sending = self.sending
        self.written += taken
        sending.wrote(taken, offered, now)
        return 0.0 if taken < offered or sending.wants_supply() else sending.next_due() or 0.0

    def wrote(self, wrote: Wrote, now: float) -> list[Action]:
        """The port took some of it; `now` is read after that."""
        self.written += wrote.taken
        self.sending.wrote(wrote.taken, wrote.offered, now)
        self.time_goes(now, settled=True)
        return self.fetch()

    def time_goes(self, now: float, settled: bool) -> None:
        self._unsettled = self.sending.has_left(now) and not settled
        send = self._settings.send
        if self._unsettled:
            if not send.drip_feed and now - self.sending.clock.busy_until >= send.stall_s:
                self.sending.stop("the device server did not take the last characters within stall_s", now)
        elif not self._waits_for_line:
            self.sending.tick(now)

    @property
    def _waits_for_line(self) -> bool:
        """Whether CTS or DSR has been off since the start: a machine that is switched off uses no program up."""
        return self._by_line and self.written == 0 and self.sending.held_since is not None

    def is_out(self, data: bytes, now: float) -> bool:
        """Whether all of it has left a plain line, and `data` has more than the reader's codes: the control punches."""
        has_left = self.sending.has_left(now) and not self._waits_for_line
        return has_left and any(byte not in WHILE_SENDING.meaning for byte in data)

    def is_punched(self, data: bytes, opening: frozenset[int]) -> bool:
        """Whether no character has gone and the control punches instead: it says DC2 or a mark (`opening`), or more than a
        prompt. What a control says of itself, or a lone noise of one that is switched on, uses no start up."""
        if self.written or self._settings.line.protocol is not Protocol.PLAIN:
            return False
        said = len(self.sending.strays) + sum(byte not in WHILE_SENDING.meaning for byte in data)
        return said > _PROMPT_CHARS or not opening.isdisjoint(data)

    def next_due(self, now: float) -> float:
        """When `pump` should be called next; infinity: only an event can help."""
        due = now + _SETTLE_S if self._unsettled else self.sending.next_due()
        if self._waits_for_line:
            return now + _POLL_MODEM_S
        still = due is None or self.sending.held_since is not None  # only the modem lines can help
        if self._by_line and still and self.sending.outcome is None:
            return now + _POLL_MODEM_S if due is None else min(due, now + _POLL_MODEM_S)
        return math.inf if due is None else due
