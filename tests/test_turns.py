"""What the next start brings: the order that people asked for, starts that bring nothing, batches; without a thread."""

import contextlib
import dataclasses
import random

import pytest
from line_bench import LineBench, entry, program, settings

from dncd.choices import StartOn
from dncd.errors import NotDoneError
from dncd.records.orders import Batch, Order
from dncd.station.core import Core
from dncd.station.events import Ask, Begin, Dismiss, End, Keep, KeepOrder, Listed, PutFirst, TakeIn, Weigh, Wish
from dncd.station.results import FileEnding, Outlook
from dncd.values import Modem, Signal

HOUR_NS = 3_600_000_000_000
ON, OFF = Modem(cts=Signal.ON), Modem(cts=Signal.OFF)


def aged(name, hours):
    """A file that was dropped so many hours ago, by the clock of a disk that began a year ago."""
    return dataclasses.replace(entry(name), ctime_ns=(8760 - hours) * HOUR_NS)


class Counting(LineBench):
    """batches: how often each file goes out, as the records count it."""

    def __init__(self, machine=None, order=None, **more):
        super().__init__(machine, **more)
        self.core = Core(self.machine, 0.0, order)
        self.batches = {}

    def result(self, job):
        batch = self.batches.get(getattr(job, "name", ""))
        match job:
            case TakeIn() if batch and job.name not in self.refuse:
                taken = super().result(job)
                return dataclasses.replace(taken, checked=dataclasses.replace(taken.checked, batch=batch))
            case End() if batch and job.outcome.result == "sent" and batch.done + 1 < batch.of:
                self.batches[job.name] = dataclasses.replace(batch, done=batch.done + 1, file=job.name)
                self.ended.append((job.name, "piece"))
                return FileEnding(job.name, "sent", f"to-machine/{job.name}", fields={"event": "sent"})
            case Weigh():
                return Outlook(7, 6)
            case KeepOrder():
                return job
        return super().result(job)


def bench(*, order=None, start=StartOn.DC1, stale_h=24.0, drip_feed=False, **batches):
    machine = settings(start=start)
    send = dataclasses.replace(machine.send, stale_h=stale_h, drip_feed=drip_feed)
    made = Counting(dataclasses.replace(machine, send=send), order)
    made.batches = {name: Batch(f"sha of {name}", of) for name, of in batches.items()}
    made.plug()
    return made


def read_key(bench):
    """The operator presses READ, and gives the control time for a whole program."""
    bench.look(b"\x11")
    bench.run(5.0)


def gone(bench):
    return [name for name, _ in bench.ended]


# --- a file that was forgotten ------------------------------------------------------------------------------------------
def test_a_file_of_yesterday_in_front_of_todays_is_not_brought_by_the_key_alone():
    line = bench()
    line.drop(aged("O0004", 96), aged("O0007", 0))
    read_key(line)
    assert line.written == b""
    assert line.warnings == [
        ("start withheld", "the control asked for a program and gets none: O0004 is in front and 96 hours older than the"
         " newest that waits")
    ]  # fmt: skip
    read_key(line)
    assert len(line.warnings) == 1
    line.tell(PutFirst("O0007", 8760 * HOUR_NS))
    line.look()
    line.run(5.0)
    assert bytes(line.written) == program("O0007")  # the control waits with its reader on


@pytest.mark.parametrize("files", [[("O0004", 96)], [("O0004", 23), ("O0007", 0)], [("O0007", 0), ("O0004", 96)]])
def test_one_alone_and_one_of_today_in_front_go(files):
    line = bench()
    line.drop(*(aged(*file) for file in files))
    read_key(line)
    assert gone(line) == [files[0][0]]


def test_a_shop_that_queues_its_jobs_for_days_is_let_alone():
    line = bench(stale_h=0.0)
    line.drop(aged("O0004", 96), aged("O0007", 0))
    read_key(line)
    assert gone(line) == ["O0004"]


def test_a_go_sends_the_oldest_one_and_so_does_a_next():
    line = bench(start=StartOn.GO)
    line.drop(aged("O0004", 96), aged("O0007", 0))
    line.tell(Ask(Wish.GO))
    line.look()
    line.run(5.0)
    assert gone(line) == ["O0004"]
    line = bench()
    line.drop(aged("O0004", 96), aged("O0007", 0))
    line.tell(PutFirst("O0004", 8760 * HOUR_NS))
    read_key(line)
    assert gone(line) == ["O0004"]


def test_a_start_that_was_withheld_brings_nothing_an_hour_later():
    line = bench()
    line.drop(aged("O0004", 96), aged("O0007", 0))
    read_key(line)
    line.run(3600.0)
    line.tell(Listed(gone=("O0004",)))
    line.look()
    line.run(60.0)
    assert line.written == b""
    read_key(line)
    assert bytes(line.written) == program("O0007")


def test_cts_alone_brings_no_forgotten_file_either():
    line = bench(start=StartOn.CTS)
    line.drop(aged("O0004", 96), aged("O0007", 0))
    line.look(modem=OFF)
    line.look(modem=ON)
    line.run(5.0, modem=ON)
    assert (line.written, len(line.warnings)) == (b"", 1)


# --- the order that somebody asked for -------------------------------------------------------------------------------------
def test_a_file_that_was_put_in_front_goes_first_and_the_others_follow_in_order():
    line = bench(start=StartOn.GO)
    line.drop("a", "b", "c")
    line.tell(PutFirst("c", 5))
    assert line.core.sender.queue.waiting == ("c", "a", "b")
    for _ in range(3):
        line.tell(Ask(Wish.GO))
        line.look()
        line.run(5.0)
    assert gone(line) == ["c", "a", "b"]
    kept = [(dict(job.front), job.behind) for job in line.given_of(KeepOrder)]
    assert kept == [({"c": 5}, ()), ({}, ())]


def test_who_puts_a_file_in_front_that_does_not_wait_is_told_so():
    line = bench()
    with pytest.raises(NotDoneError, match="nobody does not wait"):
        line.tell(PutFirst("nobody", 5))


def test_the_order_holds_after_a_restart_and_forgets_what_was_taken_away_meanwhile():
    line = bench(order=Order("mill", {"gone": 4, "b": 5}, ("a",)))
    line.drop("a", "b")
    assert line.core.sender.queue.waiting == ("b", "a")
    line.drop("gone")
    assert line.core.sender.queue.waiting == ("b", "a", "gone")
    assert line.core.sender.queue.behind == {"a"}


def test_a_disk_that_does_not_take_the_order_is_asked_again():
    line = bench()
    line.drop("a", "b")
    line.do_at_once = False
    line.tell(PutFirst("b", 5))
    line.look()
    line.fail()
    assert line.core.busy
    line.run(2.0)
    line.work(5)
    assert [dict(job.front) for job in line.given_of(KeepOrder)] == [{"b": 5}, {"b": 5}]
    assert not line.core.busy


def test_a_file_that_is_edited_while_it_waits_keeps_its_place():
    line = bench(start=StartOn.GO)
    line.drop("a", "b", "c")
    line.tell(PutFirst("c", 5))
    line.drop(entry("c", 2), entry("a", 3))
    line.look()
    assert line.core.sender.queue.waiting == ("c", "a", "b")


# --- one more piece --------------------------------------------------------------------------------------------------------
def test_the_key_for_the_second_piece_of_a_drip_fed_program_does_not_bring_the_next_part():
    line = bench(drip_feed=True)
    line.drop("a", "b")
    read_key(line)
    read_key(line)
    assert gone(line) == ["a"]
    assert "b waited behind another program" in line.warnings[0][1]
    assert line.core.sender.queue.behind == {"b"}
    line.drop("c")
    read_key(line)
    assert gone(line) == ["a"]
    line.tell(PutFirst("b", 5))
    read_key(line)
    assert gone(line) == ["a", "b"]


def test_one_that_is_dropped_after_the_last_piece_goes_by_the_key():
    line = bench(drip_feed=True)
    line.drop("a")
    read_key(line)
    line.drop("b")
    read_key(line)
    assert gone(line) == ["a", "b"]


@pytest.mark.parametrize("inode", [1, 2])
def test_one_that_waited_behind_and_is_dropped_again_goes_by_the_key(inode):
    """In one listing; a file that is only touched stays behind."""
    line = bench(drip_feed=True)
    line.drop("a", "b")
    read_key(line)
    line.drop(dataclasses.replace(entry("b", 9), inode=inode, device=1))
    read_key(line)
    assert gone(line) == ["a", "b"][:inode]


def test_a_batch_begins_when_its_order_is_on_record():
    line = bench(a=3)
    line.drop("a")
    line.do_at_once = False
    line.look(b"\x11")
    assert [type(job) for job in line.jobs] == [KeepOrder]
    line.fail()
    assert not line.jobs
    line.run(1.1)
    assert [type(job) for job in line.jobs] == [KeepOrder]
    line.work()
    assert [type(job) for job in line.jobs] == [Begin]


def test_a_batch_goes_out_piece_by_piece_and_nothing_else_meanwhile():
    line = bench(a=3)
    line.drop("a", "b")
    for pieces in (1, 2, 3):
        read_key(line)
        assert bytes(line.written) == program("a") * pieces
        line.run(10.0)
        assert bytes(line.written) == program("a") * pieces  # one for each start
    assert line.ended == [("a", "piece"), ("a", "piece"), ("a", "sent")]
    read_key(line)
    assert gone(line)[-1] == "b"
    assert len({job.checked.id for job in line.given_of(Begin)}) == 4  # a transfer each


def test_nothing_is_put_before_a_batch_that_has_begun():
    line = bench(a=3)
    line.drop("a", "b")
    line.tell(PutFirst("b", 5))
    line.tell(PutFirst("a", 6))
    read_key(line)
    with pytest.raises(NotDoneError, match="a is in the middle of its batch: 1 of 3"):
        line.tell(PutFirst("b", 7))
    line.tell(Ask(Wish.WITHDRAW, "a"))
    line.look()
    read_key(line)
    assert line.ended == [("a", "piece"), ("a", "withdrawn"), ("b", "sent")]


def test_a_batch_in_the_middle_stands_in_front_after_a_restart_whatever_is_older():
    line = bench(a=3)
    line.drop("a", "b")
    read_key(line)
    order = line.given_of(KeepOrder)[-1]
    assert (dict(order.front), order.behind) == ({"a": 0}, ())
    again = bench(order=Order("mill", dict(order.front), order.behind))
    again.batches = line.batches
    again.drop(aged("b", 0), aged("a", 96))
    read_key(again)
    read_key(again)
    assert again.ended == [("a", "piece"), ("a", "sent")]


def test_an_interrupted_piece_ends_the_batch_and_the_key_does_not_bring_the_next_part():
    line = bench(a=3)
    line.drop("a", "b")
    read_key(line)
    line.look(b"\x11")
    line.look(b"\x13")
    line.run(70.0)  # longer than stall_s
    assert line.ended == [("a", "piece"), ("a", "interrupted")]
    line.look(b"\x11")  # ends the hold
    read_key(line)
    assert gone(line)[-1] == "a"


def test_a_batch_of_which_nothing_went_out_may_still_be_put_behind():
    line = bench(a=3)
    line.drop("a", "b")
    line.room = 0
    line.look(b"\x11")
    line.pull()
    line.room = 1 << 30
    line.tell(PutFirst("b", 5))
    line.plug()
    read_key(line)
    assert gone(line) == ["b"]


# --- a start from before the drop ------------------------------------------------------------------------------------------
def test_the_record_of_a_sending_says_by_how_much_its_start_came_before_the_drop():
    line = bench()
    read_key(line)
    line.run(20.0)
    line.drop("a")
    line.run(5.0)
    line.drop("b")
    read_key(line)
    assert [round(job.heard.early_s) for job in line.given_of(End)] == [25, 0]


def test_a_control_that_was_reset_before_the_drop_gets_nothing():
    line = bench()
    read_key(line)
    line.look(b"\x13")
    line.drop("a")
    line.run(5.0)
    assert line.written == b""


# --- what is told --------------------------------------------------------------------------------------------------------
def test_what_comes_back_or_is_signed_has_the_next_one_looked_at_anew():
    line = bench()
    line.drop("a")
    assert line.core.sender.queue.first().checked.outlook == Outlook()
    line.look(b"%\nO0001\nM30\n%\n")
    line.run(10.0)
    assert (len(line.given_of(Keep)), len(line.given_of(Weigh))) == (1, 1)
    assert line.core.sender.queue.first().checked.outlook == Outlook(7, 6)
    line.tell(Ask(Wish.WEIGH))
    assert len(line.given_of(Weigh)) == 2


class Model:
    """Which file may go, as people would reckon it from what they did: the oracle of the property below."""

    def __init__(self, line):
        self.line, self.order, self.hours, self.behind, self.pieces, self.begun = line, [], {}, set(), {}, 0

    def put_first(self, name):
        self.order = [name, *(other for other in self.order if other != name)]

    def gave(self, job):
        """What the machine did, in its order."""
        send = self.line.machine.send
        match job:
            case Begin(name):
                self.begun += 1
                assert name == self.order[0]
                if send.start_on is not StartOn.GO and not self.pieces.get(name):
                    assert name not in self.behind
                    assert self.hours[name] - min(self.hours[other] for other in self.order) <= send.stale_h
            case End(name) if job.outcome.result == "sent":
                batch = job.checked.batch
                self.pieces[name] = self.pieces.get(name, 0) + 1
                if self.pieces[name] == batch.of:
                    self.order.remove(name)
                    self.behind |= set(self.order) if send.drip_feed and not batch.sha256 else set()
            case End(name) | Dismiss(name):
                self.order.remove(name)


@pytest.mark.parametrize("seed", range(25))
def test_no_file_goes_out_that_is_not_the_one_whose_turn_it_is(seed):
    """Whatever is dropped, edited, taken, asked and pressed in whatever order."""
    rng = random.Random(seed)
    line = bench(drip_feed=rng.random() < 0.4, start=rng.choice([StartOn.DC1, StartOn.CTS, StartOn.GO]))
    line.chars, queue, model, dropped, seen = 40, line.core.sender.queue, Model(line), 0, 0
    for _ in range(400):
        name = rng.choice(queue.waiting) if queue.waiting else ""
        match rng.choice(["drop", "take", "edit", "next", "next", "key", "key", "key", "run", "run", "go", "withdraw"]):
            case "drop":
                dropped += 1
                new, hours = f"{dropped:03}", rng.choice([0, 1, 50])
                if rng.random() < 0.3:
                    line.batches[new] = Batch(f"sha of {new}", rng.randrange(1, 4))
                model.order.append(new)
                model.hours[new] = hours
                line.tell(Listed((aged(new, hours),)))
            case "take" if name:
                line.tell(Listed(gone=(name,)))
            case "edit" if name:
                model.hours[name] = 0
                line.tell(Listed((dataclasses.replace(aged(name, 0), size=rng.randrange(99)),)))
            case "next" if name:
                with contextlib.suppress(NotDoneError):
                    line.tell(PutFirst(name, 8760 * HOUR_NS))
                    model.put_first(name)
                    model.hours[name] = 0
                    model.behind.discard(name)
            case "go" | "withdraw" as word:
                with contextlib.suppress(NotDoneError):
                    line.tell(Ask(Wish.GO) if word == "go" else Ask(Wish.WITHDRAW, name))
            case "key":
                line.look(b"\x11" if line.machine.send.start_on is StartOn.DC1 else b"", modem=OFF)
                line.look(modem=ON)
            case "run":
                line.run(rng.choice([0.01, 2.0]), modem=ON)
        line.look()
        for job in line.given[seen:]:
            model.gave(job)
        seen = len(line.given)
    assert model.begun > 3
