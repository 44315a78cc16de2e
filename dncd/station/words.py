"""What dncd says to a control beside programs: stop and go on, reader codes, a packet receiver's part, last words. Pure.

What a port does not take at once is kept and said as soon as it takes it, ahead of any character of a program.
"""

from dncd.choices import ModemLine, Request, TapeCode
from dncd.errors import NotDoneError
from dncd.line.packet_receiving import PacketReceiving
from dncd.line.receiving import Receiving
from dncd.station.capture_buffer import Cue
from dncd.station.events import Action, Part, SwitchLine, Write
from dncd.tape.codes import Coder
from dncd.values import IsoBytes, MachineSettings, Signal


class Words:
    """Of one line. receiving: which listens on it."""

    def __init__(self, settings: MachineSettings, coder: Coder, receiving: Receiving | PacketReceiving) -> None:
        self._settings = settings
        self._stop_byte, self._go_byte = (bytes(coder.signal(code, settings.line.dc_parity)) for code in (0x13, 0x11))
        self._packets = receiving if isinstance(receiving, PacketReceiving) else None
        self._unsaid = bytearray()

    def __bool__(self) -> bool:
        return bool(self._unsaid)

    def add(self, words: bytes) -> None:
        self._unsaid += words

    def turn_here(self) -> None:
        """The port was opened: a switch box that turns by characters is turned to this machine before anything else."""
        code = IsoBytes(self._settings.seat.code.encode("ascii"))
        self._unsaid += Coder(TapeCode.ISO, self._settings.line.frame).encode(code) if code else b""

    def forget(self) -> None:
        """What has not been said is not said any more: the port is gone, or somebody else's."""
        self._unsaid.clear()

    def took(self, chars: int) -> None:
        del self._unsaid[:chars]

    def say(self, sending: bool, now: float) -> list[Action]:
        """What is to be written now. On a line of packets dncd asks for programs only while it sends none."""
        if self._packets is not None:
            if sending:
                self._packets.rest()
            else:
                self._packets.listen(now)
            self._unsaid += self._packets.outgoing()
        return [Write(Part.WORDS, bytes(self._unsaid))] if self._unsaid else []

    def cue(self, cue: Cue) -> list[Action]:
        """Stops or restarts a punching control while the disk is behind; answers a punch as the settings ask."""
        request, flow = self._settings.receive.request, self._settings.line.flow
        pace = cue in (Cue.STOP, Cue.GO_ON)
        if self._packets is not None:
            if pace:
                self._packets.hold(cue is Cue.STOP)
        elif (cue is Cue.PUNCH and request is not Request.NONE) or (cue is Cue.GO_ON and flow.in_band):
            self._unsaid += self._go_byte
        elif (cue is Cue.OVER and request is Request.DC1_DC3) or (cue is Cue.STOP and flow.in_band):
            self._unsaid += self._stop_byte
        elif pace and flow.our_line is not ModemLine.NONE:
            return [SwitchLine(flow.our_line, Signal.OFF if cue is Cue.STOP else Signal.ON)]
        return []

    def ask_for_program(self) -> None:
        self._unsaid += self._go_byte

    def refuse_unasked(self) -> None:
        """NotDoneError where the settings do not let dncd ask for programs."""
        if self._settings.receive.request is Request.NONE:
            raise NotDoneError(
                "this control is not asked for programs",
                self._settings.name,
                f'Press {self._settings.keys.punch} there, or set `receive.request = "dc1"` if it punches when it hears DC1',
            )
