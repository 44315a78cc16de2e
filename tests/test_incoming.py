"""Captures in memory while the disk takes none: the control is stopped first, and nothing grows without end."""

import pytest
from station_jobs import jobs_of

from dncd import defaults
from dncd.errors import RecordsError
from dncd.ports.port import Reading
from dncd.records.ledger import records
from dncd.station.core import Core
from dncd.station.events import CaptureJob, Do, Done, Failed, Opened, Read, Say, Tick, Write, Wrote
from dncd.values import Frame, LineSettings, MachineSettings

AFTER_DC3_CHARS = 10
"""Characters that a control may still send after DC3 (a control's connection manual)."""

BLOCK = b"N10 G01 X1.234 Z-0.567 F0.1\n"


class Bench:
    """The machine of one line with its jobs: they are done when the test says so, or fail as a full disk makes them."""

    def __init__(self, root, jobs, machine):
        self.root, self.jobs = root, jobs
        self.core, self.now = Core(machine, 0.0), 0.0
        self.waiting, self.said, self.events = [], [], []
        self.act(self.core.on(Opened("x"), 0.0))

    @property
    def captures(self):
        return self.core.captures

    def act(self, actions):
        todo = list(actions)
        while todo:
            match todo.pop(0):
                case Do(job):
                    self.waiting.append(job)
                case Write(part, data):
                    self.said += [{0x13: "stop", 0x11: "go"}[byte] for byte in data]
                    todo += self.core.on(Wrote(part, len(data), len(data)), self.now)
                case Say(_, _, fields):
                    self.events.append(fields.get("event") or fields.get("what"))

    def look(self, data=b"", bad=()):
        if data:
            self.act(self.core.on(Read(Reading(data, bad)), self.now))
        self.act(self.core.on(Tick(), self.now))

    def punch(self, data):
        self.now += 0.06
        self.look(data)

    def fail(self):
        jobs, self.waiting = self.waiting, []
        for job in jobs:
            error = RecordsError("a capture cannot be written: No space left on device", "captures", "make room")
            self.act(self.core.on(Failed(job, error), self.now))
            self.look()

    def work(self):
        while self.waiting:
            job = self.waiting.pop(0)
            assert isinstance(job, CaptureJob)
            self.act(self.core.on(Done(job, self.jobs.keeps.do(job)), self.now))
            self.look()

    def told(self):
        return [r for r in records(self.root / "state") if r["event"] in ("received", "damaged")]


@pytest.fixture
def bench(tmp_path):
    machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("8N1")))
    with jobs_of(tmp_path, machine) as jobs:
        yield Bench(tmp_path, jobs, machine)


def test_a_control_that_heeds_the_stop_loses_nothing(bench):
    """The disk is full until the control has been stopped; the 10 characters that may still follow are kept too."""
    bench.punch(b"%\nO0004\n")
    sent = 0
    while "stop" not in bench.said:
        bench.punch(BLOCK)
        sent += len(BLOCK)
        bench.fail()
    assert bench.captures.held_chars <= defaults.HELD_HIGH_CHARS + 100
    assert any("No space left" in what for what in bench.events)
    assert any("No space left" in what for what in bench.core.account.troubles)
    bench.punch(BLOCK[:AFTER_DC3_CHARS])
    bench.now += 2.0
    bench.look()
    bench.work()
    assert bench.said[-1] == "go"
    assert bench.core.account.troubles == []
    bench.punch(BLOCK[AFTER_DC3_CHARS:] + b"M30\n%\n")
    bench.work()
    assert bench.events[-1] == "received"
    assert bench.told()[0]["wire_chars"] == sent + len(b"%\nO0004\n" + BLOCK + b"M30\n%\n")


def test_a_control_that_does_not_ends_as_damaged_with_the_reason(bench):
    bench.punch(b"%\nO0004\n")
    for _ in range(300):
        bench.punch(BLOCK * 300)
        bench.fail()
    assert bench.captures.held_chars == defaults.HELD_MOST_CHARS
    bench.punch(b"M30\n%\n")
    came = 300 * 300 * len(BLOCK) + len(b"%\nO0004\nM30\n%\n")
    assert bench.captures.unwritten_chars == came
    bench.now += 2.0
    bench.look()
    bench.work()
    assert bench.captures.unwritten_chars == 0
    (record,) = bench.told()
    assert record["event"] == "damaged"
    lost = came - defaults.HELD_MOST_CHARS
    receipt = next((bench.root / "shop/mill/from-machine/damaged").glob("*.receipt.txt")).read_text()
    assert f"only its first {defaults.HELD_MOST_CHARS} characters are kept, {lost} after them are lost" in receipt
    assert bench.core.busy is False


def test_programs_that_wait_for_the_disk_are_limited_and_the_first_ones_whole(bench, monkeypatch):
    monkeypatch.setattr(defaults, "CAPTURES_WAIT", 5)
    for n in range(20):
        bench.punch(f"%\nO{n + 1:04}\nM30\n%\n".encode())
        bench.fail()
    assert len(bench.captures._captures) == 5
    bench.now += 2.0
    bench.look()
    bench.work()
    assert [r["event"] for r in bench.told()] == ["received"] * 4 + ["damaged"]
    assert [r["program"] for r in bench.told()][:4] == ["O0001", "O0002", "O0003", "O0004"]
    receipt = next((bench.root / "shop/mill/from-machine/damaged").glob("*.receipt.txt")).read_text()
    assert "15 captures after it ran together with it" in receipt


def test_marks_of_the_port_are_limited(bench, monkeypatch):
    monkeypatch.setattr(defaults, "MARKS_KEPT", 10)
    bench.look(b"%\nO0004\n" + b"X" * 100 + b"\nM30\n%\n", tuple(range(20, 80)))
    (capture,) = bench.captures._captures
    assert len(capture.bad) == 10
    assert capture.notices.parity == 50
    bench.work()
    assert bench.told()[0]["event"] == "damaged"


def test_a_stop_that_the_port_does_not_take_at_once_is_said_as_soon_as_it_does(bench):
    """DC3 while the disk is behind, over a port that takes nothing just then."""
    taken, full = [], True

    def write(actions):
        todo = list(actions)
        while todo:
            match todo.pop(0):
                case Write(part, data):
                    room = 0 if full else len(data)
                    taken.append(data[:room])
                    todo += bench.core.on(Wrote(part, room, len(data)), bench.now)

    bench.act = write
    bench.punch(b"%\nO0004\n" + BLOCK * 3000)
    assert b"".join(taken) == b""
    for _ in range(3):
        bench.now = bench.core.next_due(bench.now)
        bench.look()
    assert b"".join(taken) == b""
    full = False
    bench.now = bench.core.next_due(bench.now)
    bench.look()
    assert b"".join(taken) == b"\x13"
