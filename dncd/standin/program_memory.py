"""What a control keeps: programs by number, as blocks, in so many metres of tape; and how it reads one from tape."""

import enum
import re
from dataclasses import dataclass, field

CHAR_MM = 2.54
"""Tape pitch: ten characters to the inch."""

_NUMBER = re.compile(r"[O:](\d+)")
FAULT = 0xFF


class Alarm(enum.StrEnum):
    """What a control shows when it stops reading by itself."""

    NONE = "none"
    PARITY = "parity error"
    MEMORY_FULL = "memory full"
    NO_NUMBER = "no program number"


@dataclass(frozen=True, slots=True)
class Stored:
    """A program at the control: the text of its mark line after the mark, and its blocks without block ends."""

    number: str
    mark_line: str
    blocks: tuple[str, ...]

    def text(self) -> str:
        """The blocks with LF block ends."""
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
    """metres: length of tape that fits."""

    metres: float
    programs: dict[str, Stored] = field(default_factory=dict)

    @property
    def free_chars(self) -> int:
        """Characters that still fit; each block counts its end."""
        used = sum(len(program.text()) for program in self.programs.values())
        return int(self.metres * 1000 / CHAR_MM) - used

    def store(self, program: Stored) -> Alarm:
        """Keeps a program under its number in place of an older one; or says why it cannot."""
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
    """Where in the tape image the reader stands."""

    SKIPPING = "skipping the leader"
    SIGNIFICANT = "reading blocks"
    CLOSED = "past the closing mark"
    STOPPED = "stopped at a bad character"


class ProgramReader:
    """Takes the characters of a tape image (decoded; FAULT for a bad one) until the closing mark.

    What stands before the first mark or block end is skipped unread and unchecked (label skip: a lathe control's
    programming manual). A mark counts at the start of a block only. NUL and DEL are tape feed and rub-outs.
    """

    def __init__(self, mark: str, block_end: str) -> None:
        self.state = Reading.SKIPPING
        self._mark, self._end = ord(mark), block_end
        self._line_ends = frozenset(block_end.encode("ascii"))
        self._text = bytearray()

    @property
    def chars(self) -> int:
        """Characters that were read so far, without the leader."""
        return len(self._text)

    def feed(self, chars: bytes) -> Reading:
        """Takes characters, through the closing mark or the first bad character; where the reader stands then."""
        for char in chars:
            if char in (0x00, 0x7F):
                continue
            if self.state is Reading.SKIPPING:
                self._skip(char)
            elif char == FAULT:
                self.state = Reading.STOPPED
            elif char == self._mark and self._text and self._text[-1] in self._line_ends:
                self.state = Reading.CLOSED
            elif self._text or char not in self._line_ends:
                self._text.append(char)
            if self.state in (Reading.CLOSED, Reading.STOPPED):
                break
        return self.state

    def _skip(self, char: int) -> None:
        if char == self._mark:
            self._text.append(char)
        if char == self._mark or char in self._line_ends:
            self.state = Reading.SIGNIFICANT

    def stored(self) -> Stored:
        """What was read, after the closing mark; its number is empty where it has none."""
        blocks = self._text.decode("ascii", "backslashreplace").split(self._end)
        blocks.pop()
        mark_line = blocks.pop(0)[1:] if blocks and blocks[0].startswith(chr(self._mark)) else ""
        found = _NUMBER.match(mark_line) or _NUMBER.match(blocks[0] if blocks else "")
        return Stored(f"O{found[1]}" if found else "", mark_line, tuple(blocks))
