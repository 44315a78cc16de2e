"""The machine of one line with everything in memory: a clock that the test moves, a port that takes what it has room for,
and jobs that are done at once, later or never, as the test says."""

from collections import deque
from pathlib import Path

from dncd.choices import StartOn
from dncd.errors import PortGoneError
from dncd.line.outgoing import Shape
from dncd.outside.folder_looks import Complete, Entry
from dncd.ports.port import Reading
from dncd.records.plans import InPlan, OutPlan
from dncd.station.core import Core
from dncd.station.events import (
    Answer,
    Append,
    Begin,
    Close,
    Dismiss,
    Do,
    Done,
    End,
    Failed,
    Judge,
    Keep,
    Lines,
    Listed,
    Lost,
    NextPiece,
    Open,
    Opened,
    Part,
    Read,
    Return,
    Say,
    Scope,
    TakeIn,
    Tick,
    Write,
    Wrote,
)
from dncd.station.results import NO_IMAGE, Begun, Captured, Checked, FileEnding, Prepared, TakenIn
from dncd.station.states import LineUse, PortState
from dncd.values import Frame, LineSettings, MachineSettings, Modem, ReceiveSettings, Result, SendSettings

GONE = PortGoneError("the adaptor was pulled", "port x", "Plug it in")


def settings(*, start=StartOn.NOW, stall_s=60.0, receive=None, **line):
    """A machine at 9600 baud, eight bits, no parity."""
    wire = LineSettings("x", frame=Frame.parse("8N1"), **line)
    return MachineSettings(
        "mill", wire, send=SendSettings(start_on=start, stall_s=stall_s), receive=receive or ReceiveSettings()
    )


def entry(name, version=1, complete=Complete.YES):
    """A file as a listing shows it."""
    return Entry(name, version, 1, 100, version, version, complete)


def program(name, chars=100):
    """The characters of a dropped file."""
    return (f"%\n{name}\n" + "X1.5\n" * chars)[: chars - 2].encode() + b"%\n"


class LineBench:
    """do_at_once: whether jobs are done as they are given. room: characters that the port takes; pieces: how many images
    are too large for memory."""

    def __init__(self, machine=None, *, do_at_once=True, chars=100):
        self.machine = machine or settings()
        self.core, self.now, self.chars = Core(self.machine, 0.0), 0.0, chars
        self.do_at_once, self.room = do_at_once, 1 << 30
        self.jobs, self.given, self.written, self.words = deque(), [], bytearray(), bytearray()
        self.warnings, self.answers, self.opens, self.is_open = [], [], 0, False
        self.modem = Modem()
        self.refuse, self.held_in_file, self._done_since = set(), False, False
        self.ended = []

    # --- events ----------------------------------------------------------------------------------------------------------
    def tell(self, event):
        self.act(self.core.on(event, self.now))

    def look(self, data=b"", modem=None):
        self.modem = modem or self.modem
        if self.modem != Modem():
            self.tell(Lines(self.modem))
        if data:
            self.tell(Read(Reading(data)))
        self.tell(Tick())
        while self._done_since:  # whoever does a job looks at the line after it
            self._done_since = False
            if self.modem != Modem():
                self.tell(Lines(self.modem))
            self.tell(Tick())

    def plug(self):
        self.is_open = True
        self.tell(Opened("x"))
        self.look()

    def pull(self):
        self.tell(Lost(GONE))
        self.look()

    def drop(self, *names):
        self.tell(Listed(tuple(entry(name) if isinstance(name, str) else name for name in names)))
        self.look()

    def run(self, seconds=0.0, modem=None, within=400_000):
        """Looks whenever the machine wants it, until `seconds` have gone."""
        end = self.now + seconds
        for _ in range(within):
            due = self.core.next_due(self.now)
            if due > end:
                break
            self.now = max(due, self.now + 1e-6)
            self.look(modem=modem)
        else:
            raise AssertionError("the machine wants to be looked at without end")
        self.now = end
        self.look(modem=modem)

    # --- actions ---------------------------------------------------------------------------------------------------------
    def act(self, actions):
        todo = deque(actions)
        while todo:
            match todo.popleft():
                case Write(part, data):
                    assert self.is_open, "written to a port that is not there"
                    assert self.core.standing.port is PortState.OPEN
                    assert part is Part.WORDS or self.core.standing.line is LineUse.SENDING
                    taken = min(len(data), self.room)
                    self.room -= taken
                    (self.words if part is Part.WORDS else self.written).extend(data[:taken])
                    todo += self.core.on(Wrote(part, taken, len(data)), self.now)
                case Do(job):
                    self.given.append(job)
                    self.jobs.append(job)
                    if self.do_at_once:
                        todo += self._done(self.jobs.popleft())
                case Open():
                    self.opens += 1
                case Close():
                    self.is_open = False
                case Say(_, event, fields):
                    self.warnings += [(event, fields["what"])] if "what" in fields else []
                case Answer(file):
                    self.answers.append(file)

    def work(self, count=1):
        """The oldest jobs are done."""
        for _ in range(count):
            if self.jobs:
                self.act(self._done(self.jobs.popleft()))
                self.look()

    def fail(self, error=None):
        """The oldest job fails."""
        self.act(self.core.on(Failed(self.jobs.popleft(), error or OSError(5, "I/O error")), self.now))
        self.look()

    def _done(self, job):
        self._done_since = True
        return self.core.on(Done(job, self.result(job)), self.now)

    def result(self, job):
        match job:
            case TakeIn(name, look, scope):
                if name in self.refuse:
                    return Checked(f"{name}-{look}", (name,), refusals=("no",))
                return TakenIn(
                    Checked(f"{name}-{look}", (name,)), self.image(name) if scope is Scope.IMAGE else NO_IMAGE
                )
            case Begin():
                return Begun(OutPlan(job.checked.id, "mill", job.name, "", (), ()))
            case NextPiece():
                return program(str(job.image), self.chars)[job.at : job.at + job.chars]
            case End():
                self.ended.append((job.name, job.outcome.result.value))
                return self.ending(job.name, job.outcome.result.value)
            case Dismiss():
                self.ended.append((job.name, job.verdict.value))
                return self.ending(job.name, job.verdict.value)
            case Judge():
                return InPlan("", "mill", Result.RECEIVED, job.ended.chars, "", job.seconds)
            case Keep():
                return Captured(({"event": "received", "wire_chars": job.plan.wire_chars},))
        assert isinstance(job, Append | Return) or job.thread == "checks"
        return None

    def image(self, name):
        wire = program(name, self.chars)
        shape = Shape(len(wire) - 1, len(wire), b"\n")
        in_memory = b"" if self.held_in_file else wire
        return Prepared(Path(f"{name}.file"), Path(name), in_memory, len(wire), 0, len(wire), "", shape)

    def ending(self, name, result):
        self.core.on(Listed(gone=(name,)), self.now)
        return FileEnding(name, result, fields={"event": result, "seq": len(self.ended)})

    # --- what came of it -------------------------------------------------------------------------------------------------
    def given_of(self, kind):
        return [job for job in self.given if isinstance(job, kind)]

    @property
    def state(self):
        return self.core.state.value
