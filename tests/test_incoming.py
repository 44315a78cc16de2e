"""Captures in memory while the disk takes none: the control is stopped first, and nothing grows without end."""

from types import SimpleNamespace

import pytest

from dncd import defaults
from dncd.errors import RecordsError
from dncd.records.ledger import records
from dncd.station.incoming import Incoming
from dncd.station.incoming_papers import IncomingPapers
from dncd.station.office import Office
from dncd.values import Frame, LineSettings, MachineSettings, Settings, ShopSettings

BLOCK = b"N10 G01 X1.234 Z-0.567 F0.1\n"


class Records:
    """The records thread, by hand: its jobs are done when the test says so, or fail as a full disk makes them."""

    def __init__(self):
        self.jobs = []

    def do(self, job, then, failed, _owner=None):
        self.jobs.append((job, then, failed))

    def work(self):
        while self.jobs:
            job, then, _ = self.jobs.pop(0)
            then(job())

    def fail(self):
        jobs, self.jobs = self.jobs, []
        for _, _, failed in jobs:
            failed(RecordsError("a capture cannot be written: No space left on device", "captures", "make room"))


@pytest.fixture
def bench(tmp_path):
    machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("8N1")))
    shop = ShopSettings(tmp_path / "shop", tmp_path / "state")
    office = Office.open(Settings(tmp_path / "dncd.toml", shop, {"mill": machine}))
    papers = IncomingPapers(office, machine)
    disk, clock, said = Records(), [0.0], []
    hands = SimpleNamespace(records=disk, captures=disk, loop=SimpleNamespace(now=lambda: clock[0]))
    incoming = Incoming(
        papers.receiving(),
        papers,
        hands,
        SimpleNamespace(broke=None),
        throttle=lambda stop: said.append("stop" if stop else "go"),
        heard=lambda _: None,
        told=lambda captured: said.extend(t["event"] for t in captured.transfers),
        trouble=lambda what, error: said.append(str(error)),
    )
    yield SimpleNamespace(incoming=incoming, disk=disk, clock=clock, said=said, root=tmp_path)
    office.close()


def punch(bench, data):
    bench.clock[0] += 0.06
    bench.incoming.feed(data, (), bench.clock[0])
    bench.incoming.tick(bench.clock[0])


def held(bench):
    return sum(len(c.buffer) for c in bench.incoming._captures)


def told(bench):
    return [r for r in records(bench.root / "state") if r["event"] in ("received", "damaged")]


def test_a_control_that_heeds_the_stop_loses_nothing(bench):
    """The disk is full until the control has been stopped; the 10 characters that may still follow are kept too."""
    punch(bench, b"%\nO0004\n")
    sent = 0
    while "stop" not in bench.said:
        punch(bench, BLOCK)
        sent += len(BLOCK)
        bench.disk.fail()
    assert held(bench) <= defaults.HELD_HIGH_CHARS + 100
    assert any("No space left" in what for what in bench.said)
    punch(bench, BLOCK[:10])
    bench.clock[0] += 2.0
    bench.incoming.tick(bench.clock[0])
    bench.disk.work()
    assert bench.said[-1] == "go"
    punch(bench, BLOCK[10:] + b"M30\n%\n")
    bench.disk.work()
    assert bench.said[-1] == "received"
    assert told(bench)[0]["wire_chars"] == sent + len(b"%\nO0004\n" + BLOCK + b"M30\n%\n")


def test_a_control_that_does_not_ends_as_damaged_with_the_reason(bench):
    punch(bench, b"%\nO0004\n")
    for _ in range(300):
        punch(bench, BLOCK * 300)
        bench.disk.fail()
    assert held(bench) == defaults.HELD_MOST_CHARS
    punch(bench, b"M30\n%\n")
    bench.clock[0] += 2.0
    bench.incoming.tick(bench.clock[0])
    bench.disk.work()
    (record,) = told(bench)
    assert record["event"] == "damaged"
    lost = 300 * 300 * len(BLOCK) + len(b"%\nO0004\nM30\n%\n") - defaults.HELD_MOST_CHARS
    receipt = next((bench.root / "shop/mill/from-machine/damaged").glob("*.receipt.txt")).read_text()
    assert f"only its first {defaults.HELD_MOST_CHARS} characters are kept, {lost} after them are lost" in receipt
    assert bench.incoming.busy is False


def test_programs_that_wait_for_the_disk_are_limited_and_the_first_ones_whole(bench, monkeypatch):
    monkeypatch.setattr(defaults, "CAPTURES_WAIT", 5)
    for n in range(20):
        punch(bench, f"%\nO{n + 1:04}\nM30\n%\n".encode())
        bench.disk.fail()
    assert len(bench.incoming._captures) == 5
    bench.clock[0] += 2.0
    bench.incoming.tick(bench.clock[0])
    bench.disk.work()
    assert [r["event"] for r in told(bench)] == ["received"] * 4 + ["damaged"]
    assert [r["program"] for r in told(bench)][:4] == ["O0001", "O0002", "O0003", "O0004"]
    receipt = next((bench.root / "shop/mill/from-machine/damaged").glob("*.receipt.txt")).read_text()
    assert "15 captures after it ran together with it" in receipt


def test_marks_of_the_port_are_limited(bench, monkeypatch):
    monkeypatch.setattr(defaults, "MARKS_KEPT", 10)
    bench.incoming.feed(b"%\nO0004\n" + b"X" * 100 + b"\nM30\n%\n", tuple(range(20, 80)), 0.0)
    (capture,) = bench.incoming._captures
    assert len(capture.bad) == 10
    assert capture.notices.parity == 50
    bench.disk.work()
    assert told(bench)[0]["event"] == "damaged"
