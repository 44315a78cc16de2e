"""A control at the other end of the line, with its reader, its punch, its memory, and an operator at its keys.

It shares nothing with the sending side but the code tables (`dncd.tape.codes`) and, for a control that speaks XMODEM, its
machines. It has no thread of its own: a `Yard` steps it. The operator's methods may be called from any thread; they press
a key and return, `wait_for` waits.
"""

import enum
import threading
from collections.abc import Callable

from dncd.choices import ModemLine, Protocol
from dncd.standin.build import Build, Clock, Figures, clock
from dncd.standin.line_end import LineEnd, Run
from dncd.standin.packets import PacketPunch, PacketReader
from dncd.standin.plug import NullModem, Plug
from dncd.standin.program_memory import Alarm, ProgramMemory, Stored
from dncd.standin.tape_punch import Noise, TapePunch
from dncd.standin.tape_reader import TapeReader


class Mode(enum.Enum):
    OFF = "reader and punch off"
    READING = "reading"
    PUNCHING = "punching"
    LOOPED = "unplugged: a loopback plug is on the cable"


class StandIn:
    """A control behind `path`: a pseudo-terminal of its own, unless `plug` gives it another line."""

    def __init__(self, build: Build, clock: Clock = clock, plug: Plug | None = None) -> None:
        self._plug = plug if plug is not None else NullModem()
        self.path = self._plug.path
        self.line = LineEnd(self._plug.fd, build.char_s, clock(), build.baud, self._plug.host_baud)
        self.memory = ProgramMemory(build.memory_m)
        self.clock = clock
        self.taken = bytearray()
        self._first = self._last = 0.0
        self._changed = threading.Condition()
        self._fit(build)

    def _fit(self, build: Build) -> None:
        self.build = build
        coder = build.coder
        self.reader = TapeReader(build, coder, self.line, plug=self._plug, memory=self.memory, clock=self.clock)
        self.tape_punch = TapePunch(build, coder, self.line)
        self.packet_reader = PacketReader(build, coder, self.line, self.memory, self.clock)
        self.packet_punch = PacketPunch(build, coder, self.line)
        plain = build.protocol is Protocol.PLAIN
        self._reads: TapeReader | PacketReader = self.reader if plain else self.packet_reader
        self._punches: TapePunch | PacketPunch = self.tape_punch if plain else self.packet_punch
        self.line.char_s, self.line.baud, self.memory.metres = build.char_s, build.baud, build.memory_m
        self.reader.off()
        self.mode = Mode.OFF

    # --- the operator ------------------------------------------------------------------------------------------
    def set_up(self, build: Build) -> None:
        """Its settings become these; what it was doing ends; its memory stays. ValueError: they cannot go together."""
        _ = build.coder
        with self._changed:
            self._stop()
            self._fit(build)

    def read_in(self) -> None:
        with self._changed:
            self.mode = Mode.READING
            self._reads.start()

    def edit(self, number: str, old: str, new: str) -> Stored:
        """EDIT: the first block of the program that has `old` gets `new`; KeyError, ValueError where there is none."""
        with self._changed:
            self.memory.programs[number] = changed = self.memory.programs[number].edited(old, new)
            return changed

    def punch(self, number: str, *noise: Noise) -> None:
        """PUNCH: the program as a tape image between DC2 and DC4. KeyError: no such program."""
        self._punch((self.memory.programs[number],), noise)

    def punch_all(self, *noise: Noise) -> None:
        """PUNCH ALL: every program, one behind the other between one pair of marks. KeyError: the memory is empty."""
        if not self.memory.programs:
            raise KeyError("no program")
        self._punch(tuple(self.memory.programs.values()), noise)

    def _punch(self, programs: tuple[Stored, ...], noise: tuple[Noise, ...]) -> None:
        with self._changed:
            self._punches.start(programs, noise, self.clock())
            self.mode = Mode.PUNCHING

    def loop(self) -> None:
        """A loopback plug takes the control's place: what comes goes back, RTS to CTS, DTR to DSR; `reset` ends it. A plug
        has no rate and no frame of its own: what comes through has the host's."""
        with self._changed:
            self._stop()
            self.mode, self.line.baud = Mode.LOOPED, 0.0

    def reset(self) -> None:
        """RESET: reader and punch off, alarm gone. Like a real control it says nothing about it."""
        with self._changed:
            self._stop()
            self._changed.notify_all()

    def _stop(self) -> None:
        self.tape_punch.stop()
        self.packet_punch.stop()
        self.reader.off()
        self.packet_reader.off()
        self.mode = Mode.OFF
        self.line.char_s, self.line.baud = self.build.char_s, self.build.baud

    def wait_for(self, what: Callable[[], bool], within_s: float) -> bool:
        """Waits until what() holds (it is asked after each step that changed something); False: not in time."""
        with self._changed:
            return self._changed.wait_for(what, within_s)

    # --- what it shows -----------------------------------------------------------------------------------------
    @property
    def alarm(self) -> Alarm:
        return self._reads.alarm if self._reads.alarm is not Alarm.NONE else self._punches.alarm

    def figures(self) -> Figures:
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
        with self._changed:
            self.taken.clear()
            self.reader.clear()
            self.line.most_ahead = 0
            self._first = self._last = 0.0

    def close(self) -> None:
        self._plug.close()

    # --- the works, stepped by a yard ---------------------------------------------------------------------------
    def step(self, now: float) -> None:
        with self._changed:
            before = (self.mode, len(self.taken), self.line.to_punch())
            if self.mode is Mode.LOOPED:
                self.line.char_s = self._plug.host_bits() / (self._plug.host_baud() or self.build.baud)
            runs = self.line.carried(now)
            self._note(runs)
            match self.mode:
                case Mode.READING:
                    self._take_in(runs, now)
                    self.mode = Mode.READING if self._reads.on else Mode.OFF
                case Mode.PUNCHING:
                    self._punches.take(runs, now)
                    self._punches.give(now)
                    self.mode = Mode.PUNCHING if self._punches.busy else Mode.OFF
                case Mode.LOOPED:
                    for run in runs:
                        self.line.say(run.data)
                    self._plug.show(ModemLine.CTS, self._plug.host_rts())
                    self._plug.show(ModemLine.DSR, self._plug.host_dtr())
                case Mode.OFF if self.build.protocol is not Protocol.PLAIN:  # a repeated end is acknowledged still
                    self._take_in(runs, now)
            if before != (self.mode, len(self.taken), self.line.to_punch()):
                self._changed.notify_all()

    def _take_in(self, runs: list[Run], now: float) -> None:
        self._note(self._reads.take(runs, now))
        self._reads.go_on(now)

    def _note(self, runs: list[Run]) -> None:
        for run in runs:
            self.taken += run.data
            self._first = self._first or run.start + self.line.char_s
            self._last = run.start + len(run.data) * self.line.char_s
