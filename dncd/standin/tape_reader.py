"""The reader of a control: a small memory at the line, DC3 and DC1 at its marks, and behind it the program reader."""

import enum

from dncd.standin.build import DC1, Build, Clock
from dncd.standin.line_end import LineEnd, Run
from dncd.standin.program_memory import Alarm, ProgramMemory, ProgramReader, Reading
from dncd.standin.reader_buffer import ReaderBuffer
from dncd.tape.codes import Coder
from dncd.values import WireBytes


class Hold(enum.Enum):
    """Whether the host has been told to stop."""

    NONE = "none"
    NOW_SAID = "DC3 was reached in this look"
    HOLDING = "holding"


class TapeReader:
    """Reads one program at a time from a line into the control's memory."""

    def __init__(self, build: Build, coder: Coder, line: LineEnd, memory: ProgramMemory, clock: Clock) -> None:
        self.on, self.alarm = False, Alarm.NONE
        self._build, self._line, self._memory, self._clock = build, line, memory, clock
        self._meaning = meanings(coder)
        self._program = ProgramReader(build.tape.mark, build.block_end)
        self._done_at = 0.0
        self.clear()

    def clear(self) -> None:
        """Starts the figures anew."""
        build = self._build
        self.buffer = ReaderBuffer(build.buffer_chars, build.high, build.low, build.reads_per_s)
        self.buffer.empty(self._clock())
        self._hold, self._after, self.holds = Hold.NONE, 0, 0
        self._after_dc3: list[int] = []

    def start(self) -> None:
        """Reader on: says DC1."""
        self._program = ProgramReader(self._build.tape.mark, self._build.block_end)
        self.on, self.alarm, self._done_at, self._hold = True, Alarm.NONE, 0.0, Hold.NONE
        self.buffer.empty(self._clock())
        self._line.say(bytes([DC1]))

    def stop(self, alarm: Alarm) -> None:
        """Reader off: says DC3, as after the closing mark (operator's manual of a machining centre)."""
        self._end_hold()
        self.on, self.alarm, self._done_at = False, alarm, 0.0
        self._line.say(bytes([self._build.dc3]))

    def after_dc3(self) -> tuple[int, ...]:
        """Characters that came after each DC3, the present hold included."""
        return (*self._after_dc3, self._after) if self._hold is Hold.HOLDING else tuple(self._after_dc3)

    def take(self, runs: list[Run]) -> list[Run]:
        """Takes what came; what came in the meantime besides.

        Once the high mark is reached, DC3 is said, and what the line carried before it could be read, because this
        thread was late, is let through: it fills nothing and is not held against the host.
        """
        for run in runs:
            self._fill(run)
        if self._hold is not Hold.NOW_SAID:
            return []
        self._line.say(bytes([self._build.dc3]))
        more = self._line.carried(self._clock())
        for run in more:
            self._read(run.data)
        self._hold, self._after = Hold.HOLDING, 0
        self.holds += 1
        return more

    def go_on(self, now: float) -> None:
        """Reads on until `now`: DC1 at the low mark; past the closing mark it keeps the program and goes off."""
        if self._hold is Hold.HOLDING and self.buffer.drain(now) <= self.buffer.low:
            self._end_hold()
            self._line.say(bytes([DC1]))
        if self._program.state is Reading.STOPPED:
            self.stop(Alarm.PARITY)
        elif self._program.chars > self._memory.free_chars:
            self.stop(Alarm.MEMORY_FULL)
        elif self._program.state is Reading.CLOSED and now >= self._done_at:
            self.stop(self._memory.store(self._program.stored()))

    def _fill(self, run: Run) -> None:
        kept = bytearray()
        if self._hold is Hold.HOLDING:
            self._after += len(run.data)
        for index, char in enumerate(run.data):
            if self._hold is Hold.NOW_SAID or self.buffer.put(run.start + (index + 1) * self._line.char_s):
                kept.append(char)
            if self._hold is Hold.NONE and self.buffer.level >= self.buffer.high:
                self._hold = Hold.NOW_SAID
        self._read(bytes(kept))

    def _read(self, data: bytes) -> None:
        if self._program.state in (Reading.CLOSED, Reading.STOPPED):
            return
        if self._program.feed(data.translate(self._meaning)) is Reading.CLOSED:
            self._done_at = self.buffer.drained_at(self._clock())

    def _end_hold(self) -> None:
        if self._hold is Hold.HOLDING:
            self._after_dc3.append(self._after)
        self._hold = Hold.NONE


def meanings(coder: Coder) -> bytes:
    """What each byte of the line stands for: an ISO character, or FAULT. Blank tape is always NUL."""
    return bytes([0, *coder.decode(WireBytes(bytes(range(1, 256)))).chars])
