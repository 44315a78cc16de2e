"""The end of the service: lines first, records next, folders last; and what ends it when dncd itself fails."""

import signal
import subprocess
import sys
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest
from house import LONG, House, build, machine, text
from waiting import until

from dncd.errors import PortGoneError
from dncd.outside.loop import Loop
from dncd.outside.threads import AGAIN_S, Fate, Thread
from dncd.outside.workers import APART, Workers, result_of
from dncd.service import lending
from dncd.service.health import Health
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard

HUNG_SHARE = Path(__file__).with_name("hung_share.py")


class HungHouse(House):
    """A service whose share hangs once `hang` was called."""

    def start(self, machines):
        sign, config = self.root / "HANG", str(self.root / "dncd.toml")
        words = [sys.executable, str(HUNG_SHARE), str(sign), "--config", config, "run"]
        self.process = subprocess.Popen(words, stdout=self.log, stderr=self.log)
        until(lambda: all((self.shop / name / "STATUS.txt").exists() for name in machines))

    def hang(self):
        (self.root / "HANG").touch()
        until(lambda: (self.root / "plain_files").exists() and (self.root / "write_status").exists())


def test_a_share_that_hangs_does_not_hold_up_a_stop(tmp_path):
    """The line is told at once, its ending is on record, and the process ends though two of its threads never do."""
    control = StandIn(build(baud=1200))
    with Yard(control):
        shop = HungHouse(tmp_path, {"lathe": machine(control, baud=1200)})
        try:
            shop.drop("lathe", "long.nc", text(LONG[:100]))
            assert control.wait_for(lambda: control.figures().taken > 50, 120)
            shop.hang()
            shop.process.send_signal(signal.SIGTERM)
            assert shop.process.wait(120) == 0
        finally:
            shop.process.kill()
            shop.log.close()
        assert [r["event"] for r in shop.ledger()][-2:] == ["interrupted", "stopped"]
        assert not list((shop.state / "underway").iterdir())
        said = (tmp_path / "run.log").read_text()
        assert "work is unfinished in: notes, folders" in said
        assert "Traceback" not in said


@pytest.fixture
def workers():
    loop = Loop()
    made = Workers.of(loop)
    yield made
    made.finish(5.0, 5.0)
    loop.close()


def dead(name, fate):
    """A thread that a fault has ended."""

    def fail():
        raise RuntimeError("nobody thought of this")

    thread = Thread(name, fail, fate)
    thread.start()
    assert thread.join(20)
    return thread


@pytest.mark.parametrize(("fate", "fed"), [(Fate.TOLD, True), (Fate.ANEW, True), (Fate.ANEW | Fate.VITAL, False)])
def test_the_death_of_any_thread_is_told_and_starves_the_watchdog_where_it_is_vital(workers, tmp_path, fate, fed):
    thread = dead("folders", fate)
    health = Health(workers, {"state": tmp_path, "folder": tmp_path}, lambda: [thread])
    assert health.look() is fed
    ((kind, problem),) = health.problems.items()
    assert kind == "dead-folders"
    assert "nobody thought of this" in problem.what


def test_a_thread_that_lived_for_a_while_is_started_anew(workers, tmp_path):
    runs, again, ends = [], threading.Event(), threading.Event()

    def work():
        runs.append(1)
        if len(runs) == 1:
            raise RuntimeError("nobody thought of this")
        again.set()
        ends.wait(120)

    thread = Thread("folders", work, Fate.ANEW | Fate.VITAL)
    thread.start()
    assert thread.join(20)
    thread._began -= AGAIN_S  # a minute ago
    health = Health(workers, {"state": tmp_path, "folder": tmp_path}, lambda: [thread])
    assert health.look()
    assert "it was started anew" in next(iter(health.problems.values())).what
    assert again.wait(120)
    assert health.look()
    assert health.problems == {}
    ends.set()
    assert thread.join(20)


def test_a_capture_that_is_still_being_read_at_the_end_is_named(workers):
    go = threading.Event()
    workers.do(APART, lambda: go.wait(120), lambda _: None, lambda _: None, workers.loop)
    (reading,) = workers.apart
    assert workers.finish(5.0, 0.0)[-1] == APART
    go.set()
    assert reading.join(20)


def test_who_asks_of_what_takes_nothing_any_more_does_not_wait():
    with pytest.raises(TimeoutError):
        result_of(lambda: None, lambda _: False, 600.0)


def test_what_nobody_waits_for_any_more_is_not_done_or_given_back(workers):
    busy, given_back, done = threading.Event(), [], []
    workers.notes.do(lambda: busy.wait(120), done.append, done.append)
    with pytest.raises(TimeoutError):
        workers.notes.result_of(lambda: done.append("too late"), 0.05)
    began = threading.Event()

    def slow():
        began.set()
        busy.wait(120)
        return "kept"

    def ask_slowly():
        with pytest.raises(TimeoutError):
            result_of(slow, workers.checks._jobs.put, 0.05, given_back.append)

    ask_slowly()
    busy.set()
    assert workers.checks.finish(20)
    assert workers.notes.finish(20)
    assert done == []
    assert given_back == ["kept"] if began.is_set() else given_back == []


def test_a_watcher_that_nobody_could_take_leave_of_is_no_watcher():
    watchers = []

    def tap():
        raise PortGoneError("it went away", "port", "Look")

    station = SimpleNamespace(
        watchers=SimpleNamespace(add=watchers.append, remove=watchers.remove), tap=tap, settings=None, state=None
    )
    with pytest.raises(PortGoneError):
        lending.watch(station, lambda job, _station: job())
    assert watchers == []
