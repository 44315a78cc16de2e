"""What a control keeps: programs by number, as blocks, in so many metres of tape; and how it reads one from tape."""

import enum
import re
from dataclasses import dataclass, field
from itertools import pairwise

from dncd.choices import EndsOn
from dncd.tape.codes import DEL, NUL
from dncd.values import TapeSettings

CHAR_MM = 2.54
"""Tape pitch: ten characters to the inch."""

_NUMBER = re.compile(r"[O:](\d+)")
FAULT = 0xFF

_NOTHING = frozenset({NUL, DEL})
"""Tape feed and rub-outs."""


class Alarm(enum.StrEnum):
    NONE = "none"
    PARITY = "parity error"
    MEMORY_FULL = "memory full"
    NO_NUMBER = "no program number"
    LINE = "the line failed"


@dataclass(frozen=True, slots=True)
class Stored:
    """A program at the control: the text of its mark line after the mark, and its blocks without block ends."""

    number: str
    mark_line: str
    blocks: tuple[str, ...]

    def text(self) -> str:
        return "".join(f"{block}\n" for block in self.blocks)

    def edited(self, old: str, new: str) -> "Stored":
        """The first block that has `old` with `new` in its place; ValueError where no block has it."""
        for index, block in enumerate(self.blocks):
            if old in block:
                changed = block.replace(old, new, 1)
                return Stored(self.number, self.mark_line, (*self.blocks[:index], changed, *self.blocks[index + 1 :]))
        raise ValueError(f"no block of {self.number} has {old!r}")


@dataclass(slots=True)
class ProgramMemory:
    metres: float
    programs: dict[str, Stored] = field(default_factory=dict)

    @property
    def free_chars(self) -> int:
        used = sum(len(program.text()) for program in self.programs.values())
        return int(self.metres * 1000 / CHAR_MM) - used

    def store(self, *programs: Stored) -> Alarm:
        """Keeps them in this order, up to the first that it cannot keep, and why it cannot."""
        return next((alarm for each in programs if (alarm := self._keep(each)) is not Alarm.NONE), Alarm.NONE)

    def newest(self) -> str:
        """Number of the program that came in last; KeyError: it holds none."""
        if not self.programs:
            raise KeyError("program")
        return next(reversed(self.programs))

    def _keep(self, program: Stored) -> Alarm:
        if not program.number:
            return Alarm.NO_NUMBER
        older = self.programs.pop(program.number, None)
        if len(program.text()) > self.free_chars:
            if older:
                self.programs[older.number] = older
            return Alarm.MEMORY_FULL
        self.programs[program.number] = program
        return Alarm.NONE


class Reading(enum.Enum):
    SKIPPING = "skipping the leader"
    SIGNIFICANT = "reading blocks"
    CLOSED = "past the closing mark"
    STOPPED = "stopped at a bad character"


class ProgramReader:
    """Takes the characters of a tape image (decoded; FAULT for a bad one) until what ends it. What stands before the
    first mark or block end is skipped unread and unchecked (label skip: a lathe control's programming manual), but for
    a control without an opening mark, where the first character already counts (a PC-based control's manual). A mark
    counts at the start of a block only. NUL and DEL are tape feed and rub-outs. ends_on: the closing mark, a code, or
    nothing that can be read (`SILENCE`: whoever feeds it must call `close`)."""

    def __init__(self, tape: TapeSettings, ends_on: EndsOn = EndsOn.MARK) -> None:
        self.state = Reading.SKIPPING if tape.opening else Reading.SIGNIFICANT
        self._mark, self._close, self._end = ord(tape.mark), ord(tape.closes), tape.ends.read
        self._line_ends = frozenset(self._end.encode("ascii"))
        self._ends_on = ends_on
        self._text = bytearray()

    @property
    def chars(self) -> int:
        return len(self._text)

    def feed(self, chars: bytes) -> Reading:
        """Takes characters, through what ends the program or the first bad one; where the reader stands then."""
        for char in chars:
            if char in _NOTHING:
                continue
            if self.state is Reading.SKIPPING:
                self._skip(char)
            elif char == FAULT:
                self.state = Reading.STOPPED
            elif char in self._ends_on.chars or (char == self._close and self._closes()):
                self.state = Reading.CLOSED
            elif self._text or char not in self._line_ends:
                self._text.append(char)
            if self.state in (Reading.CLOSED, Reading.STOPPED):
                break
        return self.state

    def close(self) -> None:
        if self.state is not Reading.STOPPED:
            self.state = Reading.CLOSED

    def _closes(self) -> bool:
        return self._ends_on is EndsOn.MARK and bool(self._text) and self._text[-1] in self._line_ends

    def _skip(self, char: int) -> None:
        if char == self._mark:
            self._text.append(char)
        if char == self._mark or char in self._line_ends:
            self.state = Reading.SIGNIFICANT

    def stored(self) -> tuple[Stored, ...]:
        """What was read, after its end: a program for each block that begins with a number; none: an empty number."""
        blocks = self._text.decode("ascii", "backslashreplace").split(self._end)
        if not blocks[-1]:
            blocks.pop()
        mark = chr(self._mark)
        mark_line = blocks.pop(0)[1:] if blocks and blocks[0].startswith(mark) else ""
        if self._ends_on is not EndsOn.MARK:
            blocks = [block for block in blocks if not block.startswith((mark, chr(self._close)))]
        starts = [0, *(at for at, block in enumerate(blocks) if at and _NUMBER.match(block)), len(blocks)]
        programs = []
        for start, end in pairwise(starts):
            found = (not start and _NUMBER.match(mark_line)) or _NUMBER.match(blocks[start] if blocks else "")
            number, line = f"O{found[1]}" if found else "", "" if start else mark_line
            programs.append(Stored(number, line, tuple(blocks[start:end])))
        return tuple(programs)
