"""The punch of a control: a program as a tape image, at the line's rate, with the noise of a bad cable on demand."""

from dataclasses import dataclass

from dncd.standin.build import DC1, DC2, DC4, Build, Dc3
from dncd.standin.line_end import LineEnd
from dncd.standin.program_memory import Stored
from dncd.tape.codes import Coder
from dncd.values import IsoBytes


@dataclass(frozen=True, slots=True)
class FlippedBit:
    """Noise: bit (0 to 7) of a punched character is read as its opposite; chars count from 0 at the opening mark."""

    char: int
    bit: int


@dataclass(frozen=True, slots=True)
class LostChar:
    """Noise: a punched character never arrives; chars count from 0 at the opening mark."""

    char: int


Noise = FlippedBit | LostChar


class TapePunch:
    """Punches programs onto a line and obeys the host's DC3 and DC1 within `runs_on_chars`."""

    def __init__(self, build: Build, coder: Coder, line: LineEnd) -> None:
        self.stops = 0
        self._build, self._coder, self._line = build, coder, line
        self._may_give = -1

    @property
    def busy(self) -> bool:
        """Something is still to be given out."""
        return self._line.to_punch() > 0

    def start(self, program: Stored, noise: tuple[Noise, ...], now: float) -> None:
        """DC2, leader, the program between its marks, trailer, DC4. IndexError: noise outside the image."""
        tape, end = self._build.tape, self._build.block_end
        text = "".join(f"{block}{end}" for block in (tape.mark + program.mark_line, *program.blocks, tape.mark))
        image = spoilt(self._coded(text), noise)
        leader, trailer = self._coded("\0" * tape.leader_chars), self._coded("\0" * tape.trailer_chars)
        self._may_give = -1
        self._line.punch(bytes([DC2]) + leader + image + trailer + bytes([DC4]), now)

    def stop(self) -> None:
        """Forgets what has not been given out."""
        self._line.stop_punching()

    def obey(self, data: bytes) -> None:
        """What the host says meanwhile: nothing but DC3 and DC1 means anything to a punch."""
        for byte in data:
            if byte in tuple(Dc3) and self._may_give < 0:
                self._may_give = self._build.runs_on_chars
                self.stops += 1
            elif byte == DC1:
                self._may_give = -1

    def give(self, now: float) -> None:
        """Gives out what is due."""
        if self._may_give < 0:
            self._line.give(now, self._line.to_punch())
        else:
            self._may_give -= self._line.give(now, self._may_give)

    def _coded(self, text: str) -> bytes:
        return self._coder.encode(IsoBytes(text.encode("ascii")))


def spoilt(image: bytes, noise: tuple[Noise, ...]) -> bytes:
    """A punched image with faults in it; IndexError for a place outside it."""
    wire = bytearray(image)
    for fault in sorted(noise, key=lambda fault: -fault.char):
        if isinstance(fault, FlippedBit):
            wire[fault.char] ^= 1 << fault.bit
        else:
            del wire[fault.char]
    return bytes(wire)
