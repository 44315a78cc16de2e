"""The round of all lines and the health of the service: what feeds the watchdog, and what is told instead."""

import threading
from types import SimpleNamespace

import pytest
from waiting import ring, until

from dncd import defaults
from dncd.outside.loop import Loop
from dncd.outside.workers import Worker, Workers
from dncd.records.problems import Problem
from dncd.service.health import SLOW_S, Health, Rounds


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def bench():
    clock = Clock()
    loop = Loop(clock)
    kicked, visited, over, broken = [], [], [], []
    stations = {
        name: SimpleNamespace(name=name, kick=lambda n=name: kicked.append(n), broke=lambda e: broken.append(str(e)))
        for name in "abcd"
    }
    rounds = Rounds(loop, stations, 2.0, lambda s: visited.append(s.name), lambda: over.append(len(visited)))
    loop.due(rounds, clock.now)
    yield SimpleNamespace(
        clock=clock,
        loop=loop,
        kicked=kicked,
        visited=visited,
        over=over,
        stations=stations,
        rounds=rounds,
        broken=broken,
    )
    loop.close()


def turn(bench, seconds):
    end = bench.clock.now + seconds
    while bench.clock.now < end - 1e-9:
        bench.clock.now += 0.0025
        bench.loop.once(0.0)


def test_one_line_after_another_and_the_round_ends_when_all_have_answered(bench):
    turn(bench, 0.05)
    assert bench.visited == ["a", "b", "c", "d"]  # the first round is quick: every STATUS.txt is there at once
    turn(bench, 2.0)
    assert bench.kicked == ["a", "b", "c", "d"] * 2
    assert bench.over == [4, 8]


def test_a_line_that_hangs_keeps_the_watchdog_waiting(bench):
    """A read that does not come back keeps the loop's own thread: no round ends before it does."""
    turn(bench, 0.05)
    hangs, comes_back = threading.Event(), threading.Event()

    def hang():
        hangs.set()
        comes_back.wait(120)

    bench.stations["c"].kick = hang
    thread = threading.Thread(target=turn, args=(bench, 4.0))
    thread.start()
    assert hangs.wait(120)
    assert len(bench.over) == 1
    comes_back.set()
    thread.join(20)
    assert len(bench.over) > 1


def test_a_line_that_raises_keeps_its_fault_to_itself(bench):
    turn(bench, 0.05)

    def fail():
        raise RuntimeError("nobody thought of this")

    bench.stations["c"].kick = fail
    turn(bench, 2.0)
    assert bench.broken == ["nobody thought of this"]
    assert len(bench.over) == 2
    assert bench.loop.failure is None


def test_lines_that_a_reload_lets_go_or_brings_are_no_fault(bench):
    turn(bench, 0.05)
    del bench.stations["b"]
    turn(bench, 3.0)
    assert bench.over[-1] - bench.over[-2] == 3
    bench.stations.clear()
    turn(bench, 6.0)
    assert bench.over[-1] == bench.over[-2]


@pytest.fixture
def hands():
    posted = []
    names = ("records", "checks", "supply", "notes", "captures")

    def post(job, _owner=None):
        posted.append(job)
        ring()

    made = Workers(Loop(), *(Worker(name, post) for name in names))
    yield made, posted
    made.finish(5.0, 5.0)
    made.loop.close()


def test_room_on_the_disks_is_looked_at_and_a_low_one_told_until_there_is_some(hands, tmp_path, monkeypatch):
    made, posted = hands
    health = Health(made, {"state": tmp_path, "folder": tmp_path / "gone"})
    assert health.look()
    until(lambda: posted)
    posted.pop(0)()
    assert health.room["state"] > 0
    assert health.room["folder"] is None
    monkeypatch.setattr(defaults, "DISK_LOW_BYTES", 1 << 62)
    assert health.look()
    ((kind, problem),) = health.problems.items()
    assert (kind, problem.next_step) == ("low-state", "make room there")
    assert str(tmp_path) in problem.sentence
    monkeypatch.setattr(defaults, "DISK_LOW_BYTES", 0)
    assert health.look()
    assert health.problems == {}


def test_a_disk_that_hangs_is_told_and_still_feeds_the_watchdog(hands, tmp_path, monkeypatch):
    made, posted = hands
    health = Health(made, {"state": tmp_path, "folder": tmp_path})
    gate = threading.Event()
    made.records.do(gate.wait, lambda _: None, lambda _: None)
    monkeypatch.setattr("dncd.service.health.SLOW_S", 0.0)
    until(lambda: made.slow(0.0))
    assert health.look()
    assert [kind for kind in health.problems if "records" in kind] == ["slow-records"]
    gate.set()
    until(lambda: posted)
    until(lambda: "records" not in made.slow(0.0))
    health.look()
    assert not [kind for kind in health.problems if "records" in kind]
    assert SLOW_S >= 10


def test_a_capture_whose_reading_takes_long_is_told(hands, tmp_path, monkeypatch):
    made, _ = hands
    health = Health(made, {"state": tmp_path, "folder": tmp_path})
    gate = threading.Event()
    made.do("apart", gate.wait, lambda _: None, lambda _: None, made.loop)
    monkeypatch.setattr("dncd.service.health.SLOW_S", 0.0)
    assert health.look()
    assert [problem.sentence for kind, problem in health.problems.items() if kind == "slow-apart"] == [
        f"reading what a control punched has taken 0 s so far ({tmp_path}): look at that disk or share; it goes on by itself"
    ]
    gate.set()
    until(lambda: "apart" not in {name for name, spent in made.slow(0.0).items() if spent})
    health.look()
    assert "slow-apart" not in health.problems


def test_a_dead_thread_starves_the_watchdog(hands, tmp_path):
    made, _ = hands
    health = Health(made, {"state": tmp_path, "folder": tmp_path})
    assert health.look()
    made.supply.finish(5.0)
    assert health.look(), "one that was ended in order is no problem"
    made.supply.thread.fault = "OSError: it ended by a fault"
    assert not health.look()
    assert [*health.problems] == ["dead-supply"]


def test_what_somebody_else_finds_stays_until_it_is_taken_back(hands, tmp_path):
    made, _ = hands
    health = Health(made, {"state": tmp_path, "folder": tmp_path})
    health.set("metrics", Problem("it is taken", "127.0.0.1:1", "take another"))
    health.look()
    assert [*health.problems] == ["metrics"]
    health.set("metrics", None)
    health.look()
    assert health.problems == {}
