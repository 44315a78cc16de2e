"""A control at the other end of the line, with its reader, its punch, its memory, and an operator at its keys.

It shares nothing with the sending side but the code tables (`dncd.tape.codes`). It has no thread of its own: a `Yard`
steps it. The operator's methods may be called from any thread; they press a key and return, `wait_for` waits.
"""

import enum
import threading
from collections.abc import Callable

from dncd.standin.build import Build, Clock, Figures, clock
from dncd.standin.line_end import LineEnd, Run
from dncd.standin.null_modem import NullModem
from dncd.standin.program_memory import Alarm, ProgramMemory, Stored
from dncd.standin.tape_punch import Noise, TapePunch
from dncd.standin.tape_reader import TapeReader
from dncd.tape.codes import Coder


class Mode(enum.Enum):
    """What the control is doing."""

    OFF = "reader and punch off"
    READING = "reading"
    PUNCHING = "punching"


class StandIn:
    """A control behind `path` (a pseudo-terminal of its own, unless `fd` gives it another line)."""

    def __init__(self, build: Build, fd: int = -1, clock: Clock = clock) -> None:
        self.build = build
        self._modem = NullModem() if fd < 0 else None
        self.path = self._modem.path if self._modem else ""
        self.line = LineEnd(self._modem.fd if self._modem else fd, build.char_s, clock())
        self.memory = ProgramMemory(build.memory_m)
        coder = Coder(build.tape.code, build.frame, dict(build.tape.eia_codes))
        self.reader = TapeReader(build, coder, self.line, self.memory, clock)
        self.tape_punch = TapePunch(build, coder, self.line)
        self.clock = clock
        self.mode = Mode.OFF
        self.taken = bytearray()
        self._first = self._last = 0.0
        self._changed = threading.Condition()

    # --- the operator ------------------------------------------------------------------------------------------
    def read_in(self) -> None:
        """READ: says DC1 and takes a program, from its first mark or block end to the closing mark."""
        with self._changed:
            self.mode = Mode.READING
            self.reader.start()

    def edit(self, number: str, old: str, new: str) -> Stored:
        """EDIT: the first block of the program that has `old` gets `new`; KeyError, ValueError where there is none."""
        with self._changed:
            self.memory.programs[number] = changed = self.memory.programs[number].edited(old, new)
            return changed

    def punch(self, number: str, *noise: Noise) -> None:
        """PUNCH: the program as a tape image between DC2 and DC4. KeyError: no such program."""
        with self._changed:
            self.tape_punch.start(self.memory.programs[number], noise, self.clock())
            self.mode = Mode.PUNCHING

    def reset(self) -> None:
        """RESET: reader and punch off, alarm gone. Like a real control it says nothing about it."""
        with self._changed:
            self.tape_punch.stop()
            self.reader.on, self.reader.alarm, self.mode = False, Alarm.NONE, Mode.OFF
            self._changed.notify_all()

    def wait_for(self, what: Callable[[], bool], within_s: float) -> bool:
        """Waits until what() holds (it is asked after each step that changed something); False: not in time."""
        with self._changed:
            return self._changed.wait_for(what, within_s)

    # --- what it shows -----------------------------------------------------------------------------------------
    @property
    def alarm(self) -> Alarm:
        """Why the last reading went wrong."""
        return self.reader.alarm

    def figures(self) -> Figures:
        """The figures since the last `clear`."""
        with self._changed:
            reader = self.reader
            return Figures(
                taken=len(self.taken),
                lost=reader.buffer.lost,
                holds=reader.holds,
                after_dc3=reader.after_dc3(),
                most_ahead=self.line.most_ahead,
                first=self._first,
                last=self._last,
            )

    def clear(self) -> None:
        """Starts the figures and `taken` anew."""
        with self._changed:
            self.taken.clear()
            self.reader.clear()
            self.line.most_ahead = 0
            self._first = self._last = 0.0

    def close(self) -> None:
        """Unplugs its own null modem; a line that was given stays open."""
        if self._modem:
            self._modem.close()

    # --- the works, stepped by a yard ---------------------------------------------------------------------------
    def step(self, now: float) -> None:
        """Everything up to `now`."""
        with self._changed:
            before = (self.mode, len(self.taken), self.line.to_punch())
            runs = self.line.carried(now)
            self._note(runs)
            if self.mode is Mode.READING:
                self._note(self.reader.take(runs))
                self.reader.go_on(now)
                self.mode = Mode.READING if self.reader.on else Mode.OFF
            elif self.mode is Mode.PUNCHING:
                self.tape_punch.obey(b"".join(run.data for run in runs))
                self.tape_punch.give(now)
                self.mode = Mode.PUNCHING if self.tape_punch.busy else Mode.OFF
            if before != (self.mode, len(self.taken), self.line.to_punch()):
                self._changed.notify_all()

    def _note(self, runs: list[Run]) -> None:
        for run in runs:
            self.taken += run.data
            self._first = self._first or run.start + self.line.char_s
            self._last = run.start + len(run.data) * self.line.char_s
