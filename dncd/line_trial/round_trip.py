"""One program out to a control and back, over a line in the hands of one command (`ports.session`).

The machine is the service's own (`station.core`): what a trial proves is what sends. Its jobs are done in memory; nothing
is put on record, and no folder is looked at. Phases:

    waiting    for the control's start, as the settings say
    sending    the tape image goes out
    back       the operator punches; the first whole capture ends the trip
    over
"""

import enum
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd.choices import EndsOn, StartOn
from dncd.line.outgoing import Outcome, Shape
from dncd.line.receiving import CaptureEnd
from dncd.line.whole_image import Around
from dncd.outside.folder_looks import Complete, Entry
from dncd.ports.port import Reading
from dncd.ports.session import LineSession
from dncd.records.plans import InPlan, OutPlan
from dncd.station import events as ev
from dncd.station.core import Core
from dncd.station.results import Begun, Captured, Checked, FileEnding, Prepared, TakenIn
from dncd.tape.codes import Coder
from dncd.tape.image import significant_chunks
from dncd.values import Counters, MachineSettings, Modem, Result, WireBytes

_FILE: Final = Entry("the trial's program", 0, 0, 0, 0, 0, Complete.YES)


class Phase(enum.Enum):
    WAITING = "waiting for the control's start"
    SENDING = "sending"
    BACK = "waiting for the punch"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class TapeImage:
    """What goes out: the coded characters, and where its mark is."""

    wire: bytes
    shape: Shape


@dataclass(frozen=True, slots=True)
class Back:
    """What came back: the capture, the indexes that the port marked, its end, faults that have no place, and its seconds."""

    wire: WireBytes
    bad: tuple[int, ...]
    why: EndsOn | CaptureEnd
    notices: Counters
    seconds: float


def image_of(machine: MachineSettings, text: str) -> TapeImage:
    """The tape image of a text with LF line ends, as a dropped file of it would have. ValueError: it cannot be coded."""
    tape, coder = machine.tape, Coder.of(machine.tape, machine.line)
    around, inner = Around.of(machine, coder), b"".join(significant_chunks(tape.opening, [text], tape.closing, coder))
    return TapeImage(around.lead + inner + around.trail, around.shape(len(inner)))


class RoundTrip:
    """A `Hand` of a line session. changed: is told each phase as it begins; is_ours: whether a punch is the one that is
    waited for (another is passed over, and the operator may punch again)."""

    def __init__(
        self,
        machine: MachineSettings,
        image: TapeImage,
        changed: Callable[[Phase], None],
        is_ours: Callable[[Back], bool] = lambda _: True,
    ) -> None:
        self.phase = Phase.WAITING
        self.outcomes: list[Outcome] = []
        self.backs: list[Back] = []
        self._machine, self._image, self._changed, self._is_ours = machine, image, changed, is_ours
        self._core = Core(machine, 0.0)
        self._sessions: list[LineSession] = []
        self._caught = bytearray()

    @property
    def over(self) -> bool:
        return self.phase is Phase.OVER

    def start(self, session: LineSession, now: float) -> None:
        self._sessions, self._core = [session], Core(self._machine, now)
        self._changed(self.phase)
        self._tell(ev.Opened(session.line.port), now)
        self._tell(ev.Listed((_FILE,)), now)

    def feed(self, reading: Reading, now: float) -> None:
        self._tell(ev.Read(reading), now)

    def modem(self, lines: Modem, now: float) -> None:
        if self._core.needs_modem:
            self._tell(ev.Lines(lines), now)

    def turn(self, now: float) -> None:
        """What is due, and what may go; the last word of all is said as well."""
        self._tell(ev.Tick(self._sessions[0].port.settled()), now)
        if self.over:
            self._tell(ev.Tick(), now)

    def next_due(self) -> float:
        return self._core.next_due(self._sessions[0].clock())

    def _tell(self, event: ev.Event, now: float) -> None:
        session, todo = self._sessions[0], deque[ev.Action](self._core.on(event, now))
        while todo:
            match todo.popleft():
                case ev.Write(part, data):
                    taken = session.port.write(data)
                    todo.extend(self._core.on(ev.Wrote(part, taken, len(data)), session.clock()))
                case ev.SwitchLine(line, signal):
                    session.port.switch(line, signal)
                case ev.Do(job):
                    todo.extend(self._done(job, session.clock()))

    def _done(self, job: ev.Job, now: float) -> Iterable[ev.Action]:
        result: object = None
        match job:
            case ev.TakeIn():
                image, path = self._image, Path()
                prepared = Prepared(path, path, image.wire, len(image.wire), 0, len(image.wire), "", image.shape)
                result = TakenIn(Checked("", (_FILE.name,)), prepared)
            case ev.Begin():
                result = Begun(OutPlan("", self._machine.name, job.name, "", (), ()))
                self._go_to(Phase.SENDING)
            case ev.End():
                result = FileEnding(job.name)
                self._core.on(ev.Listed(gone=(job.name,)), now)
                self.outcomes.append(job.outcome)
                self._go_to(Phase.BACK if job.outcome.result is Result.SENT else Phase.OVER)
            case ev.Append():
                self._caught += job.data
            case ev.Judge():
                result = InPlan("", self._machine.name, Result.RECEIVED, 0, "", 0.0)
                self._judge(job)
            case ev.Keep():
                result = Captured(())
            case ev.Discard():
                self._caught.clear()
        yield from self._core.on(ev.Done(job, result), now)
        if isinstance(job, ev.TakeIn | ev.Return) and self._machine.send.start_on is StartOn.GO:
            yield from self._core.on(ev.Ask(ev.Wish.GO), now)  # whoever called has asked for it

    def _judge(self, job: ev.Judge) -> None:
        wire, bad = job.ended.whole(self._caught, job.damage.bad)
        self._caught.clear()
        if self.phase is Phase.BACK:
            back = Back(wire, bad, job.ended.why, job.damage.notices, job.seconds)
            if self._is_ours(back):
                self.backs.append(back)
                self._go_to(Phase.OVER)

    def _go_to(self, phase: Phase) -> None:
        self.phase = phase
        self._changed(phase)
