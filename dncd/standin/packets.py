"""Reader and punch of a control that takes and gives programs in packets (machines of `line.packet_protocols`)."""

from collections.abc import Sequence

from dncd.line.packet_machine import Ended, Ending, Event, Machine, Patience, Received, SendingMachine
from dncd.line.packet_protocols import PROTOCOLS, Offer
from dncd.standin.build import Build, Clock
from dncd.standin.line_end import LineEnd, Run
from dncd.standin.program_memory import Alarm, ProgramMemory, ProgramReader, Reading, Stored
from dncd.standin.tape_punch import Noise, image_text
from dncd.standin.tape_reader import meanings
from dncd.tape.codes import Coder
from dncd.values import LineSettings

FOR_EVER_S = 86_400.0
"""Seconds that a control waits for the host to ask for its packets: the operator's patience ends it."""


class PacketReader:
    """Asks the host for a program in packets and keeps it. Goes on acknowledging a repeated end while it is fed."""

    def __init__(self, build: Build, coder: Coder, line: LineEnd, memory: ProgramMemory, clock: Clock) -> None:
        self.on, self.alarm = False, Alarm.NONE
        self._build, self._line, self._memory, self._clock = build, line, memory, clock
        self._meaning = meanings(coder)
        self._receivers: list[Machine] = []
        self._data = bytearray()

    def start(self) -> None:
        self._receivers = [PROTOCOLS[self._build.protocol].receiver(_line(self._build), self._clock())]
        self._receivers[0].ask(self._clock())
        self._data.clear()
        self.on, self.alarm = True, Alarm.NONE

    def off(self) -> None:
        now = self._clock()
        for receiver in self._receivers:
            receiver.cancel(now)
        self._say(now)
        self.on, self.alarm = False, Alarm.NONE
        self._receivers.clear()

    def take(self, runs: list[Run], now: float) -> list[Run]:
        """As `TapeReader.take`; nothing comes in the meantime."""
        for receiver in self._receivers:
            for run in runs:
                self._note(receiver.feed(run.data, now))
        return []

    def go_on(self, now: float) -> None:
        for receiver in self._receivers:
            due = receiver.next_due()
            if due is not None and now >= due:
                self._note(receiver.tick(now))
        self._say(now)

    def _say(self, now: float) -> None:
        for receiver in self._receivers:
            if answer := receiver.outgoing():
                self._line.punch(answer, now)
        self._line.give(now, self._line.to_punch())

    def _note(self, events: Sequence[Event]) -> None:
        for event in events:
            if isinstance(event, Received):
                self._data += event.data
            elif isinstance(event, Ended):
                self.on = False
                self.alarm = self._kept() if event.ending is Ending.DONE else Alarm.LINE

    def _kept(self) -> Alarm:
        build = self._build
        program = ProgramReader(build.tape, build.reader.ends_on)
        state = program.feed(bytes(self._data).translate(self._meaning))
        if state is Reading.STOPPED:
            return Alarm.PARITY
        return self._memory.store(*program.stored())


class PacketPunch:
    def __init__(self, build: Build, coder: Coder, line: LineEnd) -> None:
        self.stops, self.alarm = 0, Alarm.NONE
        self._build, self._coder, self._line = build, coder, line
        self._senders: list[SendingMachine] = []
        self._image = b""
        self._answer_due = False

    @property
    def busy(self) -> bool:
        return bool(self._senders) or self._line.to_punch() > 0

    def start(self, programs: tuple[Stored, ...], noise: tuple[Noise, ...], now: float) -> None:
        """Waits for the host to ask. ValueError for single faults: a packet's check would not see them."""
        if noise:
            raise ValueError("a packet's faults are those of the line: set its noise")
        self._image = self._coder.blocks(image_text(self._build, programs))
        offer = Offer(programs[0].number if programs else "", len(self._image))
        row = PROTOCOLS[self._build.protocol]
        self._senders = [row.sender(_line(self._build), offer, now, FOR_EVER_S, Patience.REPEAT)]
        self.alarm = Alarm.NONE

    def stop(self) -> None:
        """RESET: forgets it. Like a real control it says nothing about it, but lets the packet under way end."""
        self._senders.clear()

    def take(self, runs: list[Run], now: float) -> None:
        for sender in tuple(self._senders):
            for run in runs:
                self._note(sender.feed(run.data, now))

    def give(self, now: float) -> None:
        for sender in tuple(self._senders):
            self._supply(sender, now)
            due = sender.next_due()
            if due is not None and now >= due:
                self._note(sender.tick(now))
            if packet := sender.outgoing():
                self._line.punch(packet, now)
                self._answer_due = True
        self._line.give(now, self._line.to_punch())
        if self._answer_due and not self._line.to_punch():
            self._answer_due = False
            for sender in self._senders:
                sender.written(now)

    def _supply(self, sender: SendingMachine, now: float) -> None:
        while self._image and sender.wanted:
            wanted = sender.wanted
            piece, self._image = self._image[:wanted], self._image[wanted:]
            self._note(sender.supply(piece, now))
            if not self._image:
                self._note(sender.finish(now))

    def _note(self, events: Sequence[Event]) -> None:
        for event in events:
            if isinstance(event, Ended):
                self._senders.clear()
                self.alarm = Alarm.NONE if event.ending is Ending.DONE else Alarm.LINE


def _line(build: Build) -> LineSettings:
    return LineSettings("", build.baud, build.frame, build.protocol)
