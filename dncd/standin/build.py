"""How a stand-in control is built, which one a machine's settings are made for, and what it counts."""

import enum
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from dncd.choices import Announce, EndsOn, Flow, Protocol, Request, StartOn, TapeCode, characters
from dncd.standin.program_memory import CHAR_MM
from dncd.tape.codes import DC1, DC2, DC3, Coder
from dncd.values import Frame, Keys, MachineSettings, TapeSettings

Clock = Callable[[], float]

clock: Final[Clock] = time.perf_counter
"""The stand-in's own clock, in seconds; a test moves one by hand."""


class Dc3(enum.IntEnum):
    """DC3 as this control says it: four holes on a line with parity, 0x13 where the parity is left off."""

    WITH_PARITY = 0x93
    PLAIN = 0x13


class CodeForm(enum.Enum):
    """The eighth bit of the other control codes (DC1, DC2, DC4, SUB, EOT) as this control says them. EVEN: as tape has
    it (DC codes by hole count: two connection manuals), so DC1, DC2, DC4 stay and SUB is 0x9A; ODD: on a line with odd
    parity, DC1 is 0x91; CLEAR and SET: always 0, always 1 (common practice)."""

    EVEN = "even"
    ODD = "odd"
    CLEAR = "clear"
    SET = "set"

    def byte(self, code: int) -> int:
        odd_holes = code.bit_count() % 2 == 1
        eighth = {CodeForm.EVEN: odd_holes, CodeForm.ODD: not odd_holes, CodeForm.CLEAR: False, CodeForm.SET: True}
        return code | (0x80 if eighth[self] else 0)


class ReaderOff(enum.Enum):
    DC3 = "DC3"
    NOTHING = "nothing"


class PunchOn(enum.Enum):
    DC2 = "DC2"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class ReaderWays:
    """How its reader behaves. asks: how it says that it is on: DC1, CTS (its RTS comes on), DSR (its DTR does), or
    nothing, and somebody at the host must know; ends_on: what ends a reading: the closing mark, a code, or `silence_s`
    seconds of nothing (EIA has no SUB or EOT); holds_by: by DC3 and DC1, by switching a line, by a DC1 for each block
    (`ASKED`), or (`NONE`) not at all; char_needs_s, block_needs_s: seconds it needs after a character and after a block
    end: what comes sooner is lost; waits_for: what the host must say before its characters count, in ISO 646; it is not
    part of the program; answers: what the control says to that."""

    asks: StartOn = StartOn.DC1
    holds_by: Flow = Flow.XON_XOFF
    ends_on: EndsOn = EndsOn.MARK
    says_off: ReaderOff = ReaderOff.DC3
    waits_for: bytes = b""
    answers: bytes = b""
    silence_s: float = 2.0
    char_needs_s: float = 0.0
    block_needs_s: float = 0.0


@dataclass(frozen=True, slots=True)
class PunchWays:
    """How its punch behaves. Whether it punches the marks is `Build.tape.mark_at`. end: the character behind the
    trailer, none for `MARK` and `SILENCE`; waits_for: the code that the host must say once the punch said that it is
    on, -1 for none."""

    on: PunchOn = PunchOn.DC2
    end: EndsOn = EndsOn.DC4
    waits_for: int = -1


@dataclass(frozen=True, slots=True)
class Build:
    """How a control is built. buffer_chars, high, low: the small memory of its reader, in characters, and where it says
    DC3 and DC1; reads_per_s: characters a second that it reads out of it, 0 for as fast as they come; runs_on_chars:
    how many it still punches after the host's DC3 (at most 10: two connection manuals); memory_m: metres of tape it
    keeps; protocol: how programs are wrapped on its line, both ways; keys: what is written on two of them."""

    title: str = "control"
    baud: int = 9600
    frame: Frame = field(default_factory=lambda: Frame.parse("7E1"))
    tape: TapeSettings = field(default_factory=TapeSettings)
    buffer_chars: int = 512
    high: int = 400
    low: int = 128
    reads_per_s: float = 0.0
    dc3: Dc3 = Dc3.WITH_PARITY
    runs_on_chars: int = 4
    memory_m: float = 80.0
    codes: CodeForm = CodeForm.EVEN
    reader: ReaderWays = field(default_factory=ReaderWays)
    punch: PunchWays = field(default_factory=PunchWays)
    protocol: Protocol = Protocol.PLAIN
    keys: Keys = field(default_factory=Keys)

    @property
    def char_s(self) -> float:
        return float(self.frame.bits / self.baud)

    @property
    def coder(self) -> Coder:
        """How its code is written and read; ValueError where frame and code cannot go together."""
        return Coder(self.tape.code, self.frame, dict(self.tape.eia_codes), self.tape.ends)

    def said(self, code: int) -> bytes:
        return bytes([self.dc3 if code == DC3 else self.codes.byte(code)])


_READS_TO: Final = {end.chars: end for end in (EndsOn.DC4, EndsOn.SUB, EndsOn.EOT)}
PARITY: Final = {"E": CodeForm.EVEN, "O": CodeForm.ODD, "N": CodeForm.CLEAR, "M": CodeForm.SET, "S": CodeForm.CLEAR}

NEEDS_OF_PACE: Final = 0.75
"""Part of the settings' pauses that the control really needs: a host that keeps them has room to spare."""


def counterpart(machine: MachineSettings) -> Build:
    """The control at the other end of this machine's line, if the settings are right."""
    line, tape, send, receive = machine.line, machine.tape, machine.send, machine.receive
    plain = line.protocol is Protocol.PLAIN
    form = CodeForm.EVEN if tape.code is TapeCode.EIA else PARITY[line.frame.parity]
    end = EndsOn.SILENCE if not plain else EndsOn.DC4 if receive.ends_on is EndsOn.MARK else receive.ends_on
    punch = PunchWays(PunchOn.DC2 if end is EndsOn.DC4 else PunchOn.NOTHING, end)
    return Build(
        title=machine.title or machine.name,
        baud=line.baud,
        frame=line.frame,
        tape=replace(tape, leader_chars=0, trailer_chars=0),
        dc3=Dc3.WITH_PARITY if form is CodeForm.EVEN else Dc3.PLAIN,
        memory_m=machine.program.memory_chars * CHAR_MM / 1000,
        codes=form,
        reader=ReaderWays(
            asks=send.start_on,
            holds_by=line.flow,
            ends_on=_READS_TO.get(characters(send.after)[-1:], EndsOn.MARK if tape.closing else EndsOn.SILENCE),
            says_off=ReaderOff.DC3 if send.start_on is StartOn.DC1 else ReaderOff.NOTHING,
            waits_for=characters(send.before) or (b"" if send.announce is Announce.NONE else bytes([DC2])),
            answers=characters(send.wait_for),
            char_needs_s=send.after_char_s * NEEDS_OF_PACE,
            block_needs_s=send.after_block_s * NEEDS_OF_PACE,
        ),
        punch=replace(punch, waits_for=-1 if receive.request is Request.NONE else DC1),
        protocol=line.protocol,
        keys=machine.keys,
    )


def of_profile(name: str) -> MachineSettings:
    """A machine that is nothing but a shipped starting point; SettingsError for a name that is none."""
    from dncd.outside.config import read

    text = f'[machines.control]\nprofile = "{name}"\n[machines.control.line]\nport = "/dev/null"\n'
    return read(Path(f"{name}.toml"), text).machines["control"]


@dataclass(frozen=True, slots=True)
class Figures:
    """What the control saw since `clear`, in characters; first and last: when one was complete, by its `clock`."""

    taken: int
    lost: int
    holds: int
    after_dc3: tuple[int, ...]
    most_ahead: int
    first: float
    last: float

    def line_used(self, char_s: float) -> float:
        """Part of the line's rate between the first and the last character (1.0: not a gap)."""
        return (self.taken - 1) * char_s / (self.last - self.first) if self.last > self.first else 0.0
