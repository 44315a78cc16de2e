"""The line loop: descriptors, due times and posts, each served once and in order."""

import fcntl
import os
import threading

import pytest

from dncd.outside import loop as loop_module
from dncd.outside.loop import Loop
from dncd.outside.workers import Worker


class Watcher:
    def __init__(self, fd=None):
        self.fd, self.inputs, self.dues = fd, [], []

    def on_input(self, now):
        self.inputs.append(os.read(self.fd, 100))

    def on_due(self, now):
        self.dues.append(now)

    def broke(self, error):
        raise error


@pytest.fixture
def loop():
    loop = Loop()
    yield loop
    loop.close()


def test_input_due_and_post(loop):
    read, write = os.pipe()
    one, two = Watcher(read), Watcher()
    loop.watch(read, one)
    loop.due(two, loop.now() + 0.01)
    os.write(write, b"abc")
    posted = []
    threading.Thread(target=lambda: loop.post(lambda: posted.append(1))).start()
    while not (one.inputs and two.dues and posted):
        loop.once(1.0)
    assert one.inputs == [b"abc"]
    assert len(two.dues) == len(posted) == 1
    loop.unwatch(read)
    os.write(write, b"later")
    loop.once(0.0)
    assert one.inputs == [b"abc"]
    os.close(read)
    os.close(write)


def test_a_due_time_that_is_asked_again_replaces_the_old_one(loop):
    watcher = Watcher()
    start = loop.now()
    loop.due(watcher, start + 0.5)
    loop.due(watcher, start + 0.02)
    loop.due(watcher, start + 0.04)
    loop.once(1.0)
    loop.once(0.0)
    assert len(watcher.dues) == 1
    assert watcher.dues[0] >= start + 0.039
    loop.due(watcher, start)
    loop.due(watcher, None)
    loop.once(0.0)
    assert len(watcher.dues) == 1


def test_a_descriptor_that_select_could_not_watch_is_served(loop):
    read, write = os.pipe()
    high = fcntl.fcntl(read, fcntl.F_DUPFD, 1100)  # above FD_SETSIZE, select(2)
    one = Watcher(high)
    loop.watch(high, one)
    os.write(write, b"x")
    while not one.inputs:
        loop.once(1.0)
    assert one.inputs == [b"x"]
    loop.unwatch(high)
    for fd in (read, write, high):
        os.close(fd)


def test_worker_keeps_order_and_loses_no_error(loop):
    worker = Worker("test", loop.post)
    seen = []

    def fails():
        raise ValueError("no")

    for k in range(3):
        worker.do(lambda k=k: k, seen.append, seen.append)
    worker.do(fails, seen.append, lambda e: seen.append(str(e)))
    while len(seen) < 4:
        loop.once(1.0)
    assert seen == [0, 1, 2, "no"]
    assert worker.finish(5)


class Broken(Watcher):
    def __init__(self):
        super().__init__()
        self.faults = []

    def on_due(self, now):
        fail()

    def broke(self, error):
        self.faults.append(str(error))


def fail(*_):
    raise RuntimeError("nobody thought of this")


WAYS = {
    "due time": lambda loop, _worker, client: loop.due(client, loop.now()),
    "post": lambda loop, _worker, client: loop.post(fail, client),
    "result": lambda _loop, worker, client: worker.do(lambda: 1, fail, fail, client),
    "failure": lambda _loop, worker, client: worker.do(fail, fail, fail, client),
}


@pytest.mark.parametrize("way", WAYS)
def test_what_a_client_raises_is_its_own_by_whatever_way(loop, way):
    broken, other, worker = Broken(), Watcher(), Worker("test", loop.post)
    WAYS[way](loop, worker, broken)
    loop.due(other, loop.now())
    while not (broken.faults and other.dues):
        loop.once(1.0)
    assert broken.faults == ["nobody thought of this"]
    assert loop.failure is None
    assert worker.finish(5)


def test_what_belongs_to_nobody_ends_the_service_in_order(loop):
    loop.post(fail)
    loop.post(lambda: seen.append("the rest is still served"))
    seen = []
    loop.run_until(lambda: False)
    assert str(loop.failure) == "nobody thought of this"
    assert seen == ["the rest is still served"]


def test_a_client_that_cannot_deal_with_its_own_fault_ends_the_service_in_order(loop):
    client = Watcher()
    client.broke = fail
    loop.post(fail, client)
    loop.run_until(lambda: False)
    assert loop.failure is not None


def test_a_long_round_looks_again_before_it_serves_the_next():
    """A stop that comes while many lines are served must be known before characters go to its control."""
    read, write = os.pipe()
    skipped = [0.0]
    loop = Loop(lambda: skipped[0])
    order = []

    class Slow(Watcher):
        def on_due(self, now):
            order.append("slow")
            os.write(write, b"\x13")
            skipped[0] += 0.001

    class Quick(Watcher):
        def on_input(self, now):
            order.append(os.read(self.fd, 100))

        def on_due(self, now):
            order.append("quick")
            assert now - loop.looked_at < 0.0005

    quick = Quick(read)
    loop.watch(read, quick)
    loop.due(Slow(), 0.0)
    loop.due(quick, 0.0)
    loop.once(0.0)
    assert order == ["slow", b"\x13", "quick"]
    loop.close()
    os.close(read)
    os.close(write)


def test_a_loop_that_has_something_to_do_for_most_of_its_time_is_behind(monkeypatch):
    clock = [0.0]

    def waits(_reads, _writes, _others, seconds):
        clock[0] += seconds
        return [], [], []

    monkeypatch.setattr(loop_module.select, "select", waits)
    loop = Loop(lambda: clock[0])

    class Work(Watcher):
        def on_due(self, now):
            clock[0] += self.seconds
            loop.due(self, now + 0.002)

    work = Work()
    loop.due(work, 0.0)
    for work.seconds, behind in ((0.0013, True), (0.0005, False), (0.003, True)):
        end = clock[0] + 1.0
        while clock[0] < end:
            loop.once()
        assert loop.behind is behind
    loop.close()


def test_what_is_posted_after_the_end_is_done_by_nobody_and_written_to_no_other_descriptor():
    ended = Loop()
    ended.close()
    pipes = [os.pipe2(os.O_NONBLOCK) for _ in range(3)]  # these have the numbers of its descriptors now
    try:
        assert ended.post(lambda: pytest.fail("it is over")) is False
        for read, _ in pipes:
            with pytest.raises(BlockingIOError):
                os.read(read, 1)
    finally:
        for end in (end for pipe in pipes for end in pipe):
            os.close(end)
