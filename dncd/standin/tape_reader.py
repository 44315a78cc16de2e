"""The reader of a control: a small memory at the line, a way to hold the host at its marks, and the program reader."""

import enum
import math

from dncd.choices import EndsOn, ModemLine, StartOn
from dncd.standin.build import Build, Clock, ReaderOff
from dncd.standin.line_end import LineEnd, Run
from dncd.standin.plug import Plug
from dncd.standin.program_memory import Alarm, ProgramMemory, ProgramReader, Reading
from dncd.tape.codes import DC1, DC3, Coder
from dncd.values import IsoBytes, Signal, WireBytes


class Hold(enum.Enum):
    NONE = "none"
    NOW_SAID = "DC3 was reached in this look"
    HOLDING = "holding"


class ReaderBuffer:
    """The small memory between a control's line and its reader: it fills at the line's rate and empties at the reader's.

    memory, high, low: characters; reads_per_s: characters a second, 0 for a reader that is never behind.

    All times are the line's own (see `line_end`). What finds the memory full is lost for good.
    """

    def __init__(self, memory: int, high: int, low: int, reads_per_s: float) -> None:
        if not 0 <= low < high <= memory:
            raise ValueError(f"marks must be 0 <= low < high <= memory, not low {low}, high {high}, memory {memory}")
        self.memory, self.high, self.low, self.reads_per_s = memory, high, low, reads_per_s
        self.level = 0.0
        self.lost = 0
        self._at = 0.0

    def empty(self, now: float) -> None:
        self.level, self._at = 0.0, now

    def drain(self, now: float) -> float:
        if self.reads_per_s and now > self._at:
            self.level = max(0.0, self.level - (now - self._at) * self.reads_per_s)
        self._at = max(self._at, now)
        return self.level

    def put(self, at: float) -> bool:
        if not self.reads_per_s:
            return True
        if self.drain(at) > self.memory - 1:
            self.lost += 1
            return False
        self.level += 1
        return True

    def drained_at(self, now: float) -> float:
        return now + self.drain(now) / self.reads_per_s if self.reads_per_s else now


class TapeReader:
    def __init__(
        self, build: Build, coder: Coder, line: LineEnd, *, plug: Plug, memory: ProgramMemory, clock: Clock
    ) -> None:
        self.on, self.alarm = False, Alarm.NONE
        self._build, self._line, self._plug, self._memory, self._clock = build, line, plug, memory, clock
        self._coder, self._meaning = coder, meanings(coder)
        self._block_end = coder.end
        self._done_at = self._heard_at = 0.0
        self._begin()
        self.clear()

    def clear(self) -> None:
        build = self._build
        self.buffer = ReaderBuffer(build.buffer_chars, build.high, build.low, build.reads_per_s)
        self.buffer.empty(self._clock())
        self._hold, self._after, self.holds = Hold.NONE, 0, 0
        self._after_dc3: list[int] = []
        self._ready_at, self._end_chars = -math.inf, 0

    def _begin(self) -> None:
        build = self._build
        self._program = ProgramReader(build.tape, build.reader.ends_on)
        self._waits_for, self._read_any = build.reader.waits_for, False
        self._tail = b""
        self._done_at, self._hold = 0.0, Hold.NONE

    def start(self) -> None:
        ways = self._build.reader
        self._begin()
        self.on, self.alarm, self._heard_at = True, Alarm.NONE, self._clock()
        self.buffer.empty(self._clock())
        if ways.asks is StartOn.DC1:
            self._line.say(self._build.said(DC1))
        self._plug.show(ways.holds_by.stop_line, Signal.ON)
        self._plug.show(ways.asks.start_line, Signal.ON)

    def stop(self, alarm: Alarm) -> None:
        """Reader off: most say DC3, as after the closing mark (operator's manual of a machining centre)."""
        ways = self._build.reader
        self._end_hold()
        self.on, self.alarm, self._done_at = False, alarm, 0.0
        if ways.says_off is ReaderOff.DC3:
            self._line.say(self._build.said(DC3))
        self._plug.show(ways.asks.start_line, Signal.OFF)

    def off(self) -> None:
        self.on, self.alarm = False, Alarm.NONE
        self._plug.show(self._build.reader.asks.start_line, Signal.OFF)

    def after_dc3(self) -> tuple[int, ...]:
        return (*self._after_dc3, self._after) if self._hold is Hold.HOLDING else tuple(self._after_dc3)

    def take(self, runs: list[Run], now: float) -> list[Run]:
        """Takes what came; what came in the meantime besides. Once the high mark is reached, DC3 is said, and what the
        line carried before it could be read, because this thread was late, is let through: it fills nothing and is not
        held against the host."""
        if runs:
            self._heard_at = now
        for run in runs:
            self._fill(self._awaited(run), now)
        if self._hold is not Hold.NOW_SAID:
            return []
        self._say_hold(Signal.ON)
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
            self._say_hold(Signal.OFF)
        ways = self._build.reader
        if ways.ends_on is EndsOn.SILENCE and self._read_any and now - self._heard_at >= ways.silence_s:
            self._program.close()
        if self._program.state is Reading.STOPPED:
            self.stop(Alarm.PARITY)
        elif self._program.chars > self._memory.free_chars:
            self.stop(Alarm.MEMORY_FULL)
        elif self._program.state is Reading.CLOSED and now >= self._done_at:
            self.stop(self._memory.store(*self._program.stored()))

    def _awaited(self, run: Run) -> Run:
        """Without what the host says before its characters count, and all before that; it is answered."""
        for index, byte in enumerate(run.data):
            if not self._waits_for:
                return Run(run.data[index:], run.start + index * self._line.char_s)
            heard = self._waits_for[0] in (byte & 0x7F, self._meaning[byte])
            self._waits_for = self._waits_for[1:] if heard else self._build.reader.waits_for
            if not self._waits_for:
                self._line.say(self._coder.encode(IsoBytes(self._build.reader.answers)))
        return Run(b"", run.start)

    def _fill(self, run: Run, now: float) -> None:
        kept = bytearray()
        if self._hold is Hold.HOLDING:
            self._after += len(run.data)
        holds_by = self._build.reader.holds_by
        can_hold = (holds_by.in_band and not holds_by.by_block) or holds_by.stop_line is not ModemLine.NONE
        for index, char in enumerate(run.data):
            at = run.start + (index + 1) * self._line.char_s
            if self._hold is Hold.NOW_SAID or (self._was_ready(char, at, now) and self.buffer.put(at)):
                kept.append(char)
            if can_hold and self._hold is Hold.NONE and self.buffer.level >= self.buffer.high:
                self._hold = Hold.NOW_SAID
        self._read(bytes(kept))

    def _was_ready(self, char: int, at: float, now: float) -> bool:
        """Whether a slow interface was done with the character before; it then needs its time for this one. What a late
        look finds came at some time up to `now`: only what could not have come later is held against the host."""
        came = max(at, self._ready_at)
        if came > now + _JITTER_S:
            self.buffer.lost += 1
            return False
        ways = self._build.reader
        self._end_chars = self._end_chars + 1 if char in self._block_end else 0
        whole = self._end_chars == len(self._block_end)
        self._ready_at = came + (ways.block_needs_s if whole else ways.char_needs_s)
        return True

    def _read(self, data: bytes) -> None:
        if self._program.state in (Reading.CLOSED, Reading.STOPPED):
            return
        self._read_any = self._read_any or bool(data)
        if self._program.feed(data.translate(self._meaning)) is Reading.CLOSED:
            self._done_at = self.buffer.drained_at(self._clock())
        self._tail = (self._tail + data)[-len(self._block_end) :]
        took_block = data and self._tail == self._block_end and self._program.state is Reading.SIGNIFICANT
        if took_block and self._build.reader.holds_by.by_block:
            self._line.say(self._build.said(DC1))

    def _say_hold(self, hold: Signal) -> None:
        holds_by = self._build.reader.holds_by
        if holds_by.in_band:
            self._line.say(self._build.said(DC3 if hold is Signal.ON else DC1))
        else:
            self._plug.show(holds_by.stop_line, Signal.OFF if hold is Signal.ON else Signal.ON)

    def _end_hold(self) -> None:
        if self._hold is Hold.HOLDING:
            self._after_dc3.append(self._after)
        self._hold = Hold.NONE


_JITTER_S = 0.002
"""Seconds by which the host's own timer may be early: the line's clock here knows a pause only to a look or two."""


def meanings(coder: Coder) -> bytes:
    """What each byte of the line stands for: an ISO character, or FAULT. Blank tape is always NUL."""
    return bytes([0, *coder.decode(WireBytes(bytes(range(1, 256)))).chars])
