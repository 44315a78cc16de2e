"""What dncd says to a control beside programs: stop and go on, reader codes, and an XMODEM receiver's part."""

from dncd.choices import Request
from dncd.errors import NotDoneError, PortGoneError
from dncd.line.receiving import Receiving
from dncd.line.xmodem_receiving import XmodemReceiving
from dncd.ports.port import Port
from dncd.station.incoming_papers import IncomingPapers
from dncd.values import MachineSettings, Signal


class Saying:
    """Says it over a port that is given at each call; None where there is none just now."""

    def __init__(
        self, settings: MachineSettings, papers: IncomingPapers, receiving: Receiving | XmodemReceiving
    ) -> None:
        self._settings = settings
        self._stop_byte, self._go_byte = papers.signal(0x13), papers.signal(0x11)
        self._punch_on = papers.signals(0x12)
        self._packets = receiving if isinstance(receiving, XmodemReceiving) else None
        self._unsaid = bytearray()

    def take_turns(self, sending: bool, now: float) -> None:
        """On an XMODEM line dncd asks for programs only while it sends none."""
        if self._packets is None:
            return
        if sending:
            self._packets.rest()
        else:
            self._packets.listen(now)

    def speak(self, port: Port | None) -> None:
        """Writes what the receiver of an XMODEM line wants to say. PortGoneError as `write`."""
        if self._packets is None or port is None:
            return
        self._unsaid += self._packets.outgoing()
        if self._unsaid:
            del self._unsaid[: port.write(bytes(self._unsaid))]

    def forget(self) -> None:
        """What has not been said is not said any more."""
        self._unsaid.clear()

    def heard_capture(self, port: Port | None, byte: int) -> None:
        """A capture began with `byte`, or ended (-1): answers with the reader codes that the settings ask for."""
        request = self._settings.receive.request
        if request is Request.NONE or port is None or self._packets is not None:
            return
        try:
            if byte in self._punch_on:
                port.write(self._go_byte)
            elif byte < 0 and request is Request.DC1_DC3:
                port.write(self._stop_byte)
        except PortGoneError:
            return  # the next look at the port tells

    def ask_for_program(self, port: Port) -> None:
        """Asks the control for a program (DC1 reader on)."""
        port.write(self._go_byte)

    def refuse_unasked(self) -> None:
        """NotDoneError where the settings do not let dncd ask for programs."""
        if self._settings.receive.request is Request.NONE:
            raise NotDoneError(
                "this control is not asked for programs",
                self._settings.name,
                'Press PUNCH there, or set `receive.request = "dc1"` if it punches when it hears DC1',
            )

    def throttle(self, port: Port | None, stop: bool) -> None:
        """Stops or restarts a punching control while the disk is behind."""
        if port is None:
            return
        flow = self._settings.line.flow
        if self._packets is not None:
            self._packets.hold(stop)
            return
        try:
            if flow.in_band:
                port.write(self._stop_byte if stop else self._go_byte)
            port.switch(flow.our_line, Signal.OFF if stop else Signal.ON)
        except PortGoneError:
            return  # the next look at the port tells, and ends the capture
