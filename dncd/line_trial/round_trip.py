"""One program out to a control and back, over a line in the hands of one command (`ports.session`).

The machines that send, receive and wait for a start are those of the service; nothing is put on record, and no folder is
looked at. Phases:

    waiting    for the control's start, as the settings say
    sending    the tape image goes out
    back       the operator punches; the first whole capture ends the trip
    over
"""

import enum
import math
from collections.abc import Callable
from dataclasses import dataclass

from dncd.choices import Announce, MarkAt, Protocol, Request, StartOn
from dncd.line.receiving import Began, Caught, Ended, Receiving, Said, Wished
from dncd.line.sending import Outcome, Sending, Shape
from dncd.line.starting import Starts
from dncd.line.xmodem_receiving import XmodemReceiving
from dncd.line.xmodem_sending import XmodemSending
from dncd.ports.port import Reading
from dncd.ports.session import LineSession
from dncd.station.receivers import receiver_of
from dncd.tape.codes import Coder
from dncd.tape.image import block_end, leader, significant_chunks, trailer
from dncd.values import NO_FAULTS, Counters, IsoBytes, MachineSettings, Modem, Result, Signal

NOISE_CHARS = 16
"""Characters without one good printable that are noise of the line (a machine switched on), not a punch."""

IDLE_LOOK_S = 0.05


class Phase(enum.Enum):
    """Where the trip stands."""

    WAITING = "waiting for the control's start"
    SENDING = "sending"
    BACK = "waiting for the punch"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class TapeImage:
    """What goes out: the coded characters, and where its mark is."""

    wire: bytes
    shape: Shape


@dataclass(frozen=True, slots=True)
class Back:
    """What came back: the capture, the indexes that the port marked, faults that it could not place, and its seconds."""

    wire: bytes
    bad: tuple[int, ...]
    notices: Counters
    seconds: float


def image_of(machine: MachineSettings, text: str) -> TapeImage:
    """The tape image of a text with LF line ends, as a dropped file of it would have. ValueError: it cannot be coded."""
    tape, coder = machine.tape, Coder.of(machine.tape, machine.line)
    opening = tape.mark if tape.mark_at in (MarkAt.BOTH, MarkAt.START) else ""
    closing = tape.mark if tape.mark_at in (MarkAt.BOTH, MarkAt.END) else ""
    lead, trail = bytes(leader(tape, coder)), bytes(trailer(tape, coder))
    if machine.send.announce is Announce.DC2_DC4:
        parity = machine.line.dc_parity
        lead, trail = coder.signal(0x12, parity) + lead, trail + coder.signal(0x14, parity)
    inner = b"".join(significant_chunks(opening, [text], closing, tape, coder))
    ends = block_end(tape).chars
    out = len(lead) + len(inner)
    shape = Shape(out - len(ends), out, bytes(coder.encode(IsoBytes(ends.encode()))))
    return TapeImage(lead + inner + trail, shape)


class RoundTrip:
    """A `Hand` of a line session. changed: is told each phase as it begins; is_ours: whether a punch is the one that is
    waited for (another is passed over, and the operator may punch again)."""

    def __init__(
        self,
        machine: MachineSettings,
        image: TapeImage,
        changed: Callable[[Phase], None],
        is_ours: Callable[[Back], bool] = lambda _: True,
    ) -> None:
        self.phase = Phase.WAITING
        self.outcomes: list[Outcome] = []
        self.backs: list[Back] = []
        self._machine, self._image, self._changed, self._is_ours = machine, image, changed, is_ours
        self._starts = Starts(machine.send, machine.line.protocol)
        self._coder = Coder.of(machine.tape, machine.line)
        self._receiving: Receiving | XmodemReceiving = receiver_of(machine, self._coder, 0.0)
        self._sending: list[Sending | XmodemSending] = []
        self._sessions: list[LineSession] = []
        self._caught, self._bad, self._notices = bytearray(), list[int](), NO_FAULTS
        self._began_at = 0.0

    @property
    def over(self) -> bool:
        """Whether the program is back, or will not be."""
        return self.phase is Phase.OVER

    def start(self, session: LineSession, now: float) -> None:
        """The line is open."""
        self._sessions = [session]
        self._receiving = receiver_of(self._machine, self._coder, now)
        if self._machine.send.start_on is StartOn.GO:
            self._starts.go()  # whoever called has asked for it
        self._changed(self.phase)

    def feed(self, reading: Reading, now: float) -> None:
        """Characters came, or faults were noticed."""
        self._notices += reading.notices
        if self._sending:
            self._sending[0].feed(reading.data, now)
            return
        for event in self._receiving.feed(reading.data, now, reading.bad):
            self._happened(event, now)

    def modem(self, lines: Modem, now: float) -> None:
        """CTS, DSR and DCD as they stand."""
        self._starts.modem(lines, now)
        if self._sending:
            self._sending[0].gate(lines.of(self._machine.line.flow.stop_line) is Signal.ON, now)

    def turn(self, now: float) -> None:
        """What is due, and what may go."""
        if self.phase is Phase.WAITING and self._starts.allows(now, now):
            self._begin(now)
        if self._sending:
            self._pump(self._sending[0], now)
        else:
            for event in self._receiving.tick(now):
                self._happened(event, now)
            self._speak()

    def next_due(self) -> float:
        """When `turn` is wanted."""
        dues = [self._sending[0].next_due() if self._sending else self._receiving.next_due()]
        if self.phase is Phase.WAITING or (self._sending and dues == [None]):
            dues.append(self._sessions[0].clock() + IDLE_LOOK_S)
        return min((due for due in dues if due is not None), default=math.inf)

    # --- out -------------------------------------------------------------------------------------------------------
    def _begin(self, now: float) -> None:
        line, send, image = self._machine.line, self._machine.send, self._image
        total = len(image.wire)
        if line.protocol is Protocol.PLAIN:
            sending: Sending | XmodemSending = Sending(line, send, total, now, image.shape)
        else:
            sending = XmodemSending(line, send, total, now, image.shape, wish=self._starts.wish_at_hand(now))
        if isinstance(self._receiving, XmodemReceiving):
            self._receiving.rest()
        self._starts.sending_began()
        sending.supply(image.wire)
        self._sending = [sending]
        self._go_to(Phase.SENDING)

    def _pump(self, sending: Sending | XmodemSending, now: float) -> None:
        session = self._sessions[0]
        if part := sending.allowed(now):
            taken = session.port.write(part)
            now = session.clock()
            sending.wrote(taken, len(part), now)
        sending.tick(now)
        outcome = sending.outcome
        if outcome is None:
            return
        session.send(sending.last_words())
        self._sending.clear()
        self.outcomes.append(outcome)
        self._notices = NO_FAULTS
        if outcome.result is Result.SENT:
            if isinstance(self._receiving, XmodemReceiving):
                self._receiving.listen(now)
            self._go_to(Phase.BACK)
        else:
            self._go_to(Phase.OVER)

    # --- back ------------------------------------------------------------------------------------------------------
    def _happened(self, event: object, now: float) -> None:
        match event:
            case Said(code, at):
                self._starts.said(code, at)
            case Wished(wish, at):
                self._starts.wished(wish, at)
            case Began(at):
                self._caught.clear()
                self._bad.clear()
                self._began_at = at
            case Caught(data, bad):
                if not self._caught:
                    self._answer_punch(data[0])
                self._bad += [len(self._caught) + index for index in bad]
                self._caught += data
            case Ended():
                self._ended(event, now)

    def _answer_punch(self, byte: int) -> None:
        wants = self._machine.receive.request is not Request.NONE
        if wants and byte in self._coder.signals(0x12):
            self._say(0x11)

    def _ended(self, ended: Ended, now: float) -> None:
        if isinstance(self._receiving, XmodemReceiving):
            self._receiving.recorded()
            self._speak()
        if self._machine.receive.request is Request.DC1_DC3:
            self._say(0x13)
        noise = ended.printable == 0 and ended.chars < NOISE_CHARS
        if self.phase is Phase.BACK and not noise:
            back = Back(bytes(self._caught), tuple(self._bad), self._notices, now - self._began_at)
            if self._is_ours(back):
                self.backs.append(back)
                self._go_to(Phase.OVER)
        self._notices = NO_FAULTS

    def _say(self, code: int) -> None:
        self._sessions[0].send(self._coder.signal(code, self._machine.line.dc_parity))

    def _speak(self) -> None:
        if isinstance(self._receiving, XmodemReceiving) and self._sessions and (out := self._receiving.outgoing()):
            self._sessions[0].send(out)

    def _go_to(self, phase: Phase) -> None:
        self.phase = phase
        self._changed(phase)
