"""The punch of a control: a program as a tape image, at the line's rate, with the noise of a bad cable on demand."""

from dataclasses import dataclass

from dncd.standin.build import Build, PunchOn
from dncd.standin.line_end import LineEnd, Run
from dncd.standin.program_memory import Alarm, Stored
from dncd.tape.codes import DC1, DC2, DC3, Coder
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
    def __init__(self, build: Build, coder: Coder, line: LineEnd) -> None:
        self.stops = 0
        self.alarm = Alarm.NONE
        self._build, self._coder, self._line = build, coder, line
        self._may_give = -1
        self._waits_for = -1

    @property
    def busy(self) -> bool:
        return self._line.to_punch() > 0

    def start(self, programs: tuple[Stored, ...], noise: tuple[Noise, ...], now: float) -> None:
        """Its code for punch on, leader, the programs between one pair of marks, trailer, its end code. IndexError:
        noise outside the image."""
        ways, tape = self._build.punch, self._build.tape
        image = spoilt(self._coder.blocks(image_text(self._build, programs)), noise)
        leader, trailer = (self._coder.encode(IsoBytes(bytes(n))) for n in (tape.leader_chars, tape.trailer_chars))
        on = self._build.said(DC2) if ways.on is PunchOn.DC2 else b""
        end = b"".join(self._build.said(char) for char in ways.end.chars)
        self._may_give, self._waits_for, self.alarm = -1, ways.waits_for, Alarm.NONE
        if ways.waits_for >= 0:
            self._line.say(on)
            on = b""
        self._line.punch(on + leader + image + trailer + end, now)

    def stop(self) -> None:
        self._line.stop_punching()

    def take(self, runs: list[Run], now: float) -> None:
        """What the host says meanwhile: nothing but DC3 and DC1, and what it waits for, means anything to a punch."""
        for byte in b"".join(run.data for run in runs):
            code = byte & 0x7F
            if self._waits_for >= 0:
                if code == self._waits_for:
                    self._waits_for = -1
            elif code == DC3 and self._may_give < 0:
                self._may_give = self._build.runs_on_chars
                self.stops += 1
            elif code == DC1:
                self._may_give = -1

    def give(self, now: float) -> None:
        if self._waits_for >= 0:
            self._line.give(now, 0)
        elif self._may_give < 0:
            self._line.give(now, self._line.to_punch())
        else:
            self._may_give -= self._line.give(now, self._may_give)


def image_text(build: Build, programs: tuple[Stored, ...]) -> str:
    """Programs as this control writes them: the marks that it has and the blocks, '\\n' behind each."""
    tape = build.tape
    opening = [tape.opening + programs[0].mark_line] if tape.opening else []
    closing = [tape.closing] if tape.closing else []
    blocks = [block for program in programs for block in program.blocks]
    return "".join(f"{block}\n" for block in (*opening, *blocks, *closing))


def spoilt(image: bytes, noise: tuple[Noise, ...]) -> bytes:
    """A punched image with faults in it; IndexError for a place outside it."""
    wire = bytearray(image)
    for fault in sorted(noise, key=lambda fault: -fault.char):
        if isinstance(fault, FlippedBit):
            wire[fault.char] ^= 1 << fault.bit
        else:
            del wire[fault.char]
    return bytes(wire)
