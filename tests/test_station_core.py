"""The machine of one line, without a thread, a file or a clock: its tables, every event in every state, and its days."""

import itertools
import random
import sys
from dataclasses import replace

import pytest
from line_bench import GONE, LineBench, entry, program, settings

from dncd import defaults
from dncd.choices import Flow, Protocol, Request, StartOn
from dncd.errors import NotDoneError, PortGoneError
from dncd.outside.folder_looks import Complete
from dncd.ports.port import Reading
from dncd.station.events import (
    Append,
    Ask,
    Begin,
    Dismiss,
    Do,
    End,
    Holds,
    Judge,
    Keep,
    Lines,
    Listed,
    Lost,
    NextPiece,
    Opened,
    OpenFailed,
    PutAway,
    Read,
    Return,
    Scope,
    Suspended,
    TakeIn,
    Tick,
    Verdict,
    Wish,
)
from dncd.station.queue import AT_ONCE
from dncd.station.results import Begun, Gone, Outdated
from dncd.station.sender import Unrecorded
from dncd.station.states import NEXT, FileState, LineUse, Mode, PortState, Standing, moved
from dncd.values import Counters, Modem, ReceiveSettings, SeatSettings, Signal

OFF, ON = Modem(cts=Signal.OFF, dsr=Signal.OFF), Modem(cts=Signal.ON, dsr=Signal.ON)


# --- the tables ----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("kind", [PortState, LineUse, FileState, Mode], ids=lambda kind: kind.__name__)
def test_a_change_that_the_table_does_not_have_is_refused(kind):
    for old, new in itertools.product(kind, kind):
        if new in NEXT[old]:
            assert moved(old, new) is new
        else:
            with pytest.raises(RuntimeError, match=f"from {old.value} to {new.value}"):
                moved(old, new)


@pytest.mark.parametrize("kind", [PortState, LineUse, FileState, Mode], ids=lambda kind: kind.__name__)
def test_each_state_can_be_reached_and_but_for_the_last_left(kind):
    first = next(iter(kind))
    seen, todo = {first}, [first]
    while todo:
        todo += [state for state in NEXT[todo.pop()] if state not in seen and not seen.add(state)]
    assert seen == set(kind)
    assert [state.value for state in kind if not NEXT[state]] in ([], ["closed"], ["gone"])


def test_a_standing_changes_by_its_one_function_alone():
    standing = Standing()
    standing.move(PortState.OPENING)
    standing.move(Mode.RETIRING)
    assert (standing.port, standing.mode, standing.serving) == (PortState.OPENING, Mode.RETIRING, False)
    with pytest.raises(RuntimeError):
        standing.move(LineUse.SENDING)


# --- every event in every state --------------------------------------------------------------------------------------------
def absent(bench):
    bench.tell(OpenFailed(GONE))


def idle(bench):
    bench.plug()


def waiting(bench):
    bench.plug()
    bench.drop("a", "b")
    bench.work(2)


def intake(bench):
    bench.plug()
    bench.drop("a", "b")


def start_comes(bench):
    waiting(bench)
    bench.look(b"\x11")


def sending(bench):
    start_comes(bench)
    bench.work()
    bench.run(0.01)


def held(bench):
    sending(bench)
    bench.look(b"\x13")


def ending(bench):
    sending(bench)
    bench.run(2.0)


def capturing(bench):
    bench.plug()
    bench.look(b"%\nO0001\n")


def capture_on_its_way(bench):
    capturing(bench)
    bench.look(b"M30\n%\n")
    bench.run(1.0)


def unseated(bench):
    idle(bench)
    bench.tell(Ask(Wish.UNSEAT, "nobody said how the box is turned"))


def lent(bench):
    waiting(bench)
    bench.tell(Ask(Wish.LEND, "somebody"))


def retiring(bench):
    sending(bench)
    bench.tell(Ask(Wish.RETIRE, "new settings"))


def stopping(bench):
    held(bench)
    bench.tell(Ask(Wish.STOP, "the service was stopped"))


def closed(bench):
    waiting(bench)
    bench.tell(Ask(Wish.SHUT))


SITUATIONS = {
    absent: "no-port",
    idle: "listening",
    waiting: "waiting",
    intake: "listening",
    start_comes: "sending",
    sending: "sending",
    held: "held",
    ending: "waiting",
    capturing: "receiving",
    capture_on_its_way: "listening",
    lent: "lent",
    unseated: "no-port",
    retiring: "sending",
    stopping: "waiting",
    closed: "no-port",
}

EVENTS = [
    Opened("x", ("a note",), {"CTS": "CTS only follows our RTS; take the jumper out"}),
    OpenFailed(GONE),
    Lost(GONE),
    Read(Reading(b"\x11")),
    Read(Reading(b"\x13")),
    Read(Reading(b"%\nO0007\nM30\n%\n", (3,), Counters(parity=1), Counters(parity=1))),
    Lines(OFF),
    Lines(ON),
    Holds(7),
    Tick(settled=False),
    Listed((entry("a", 2), entry("c", complete=Complete.NO)), ("b",), "the folder is read-only"),
    Ask(Wish.GO),
    Ask(Wish.WITHDRAW),
    Ask(Wish.WITHDRAW, "a"),
    Ask(Wish.WITHDRAW, "nobody"),
    Ask(Wish.PROGRAM),
    Ask(Wish.LEND, "another"),
    Ask(Wish.UNSEAT, "the box is turned to the mill"),
    Ask(Wish.BACK),
    Ask(Wish.RETIRE, "new settings"),
    Ask(Wish.SERVE),
    Ask(Wish.STOP, "the service was stopped"),
    Ask(Wish.SHUT),
]


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.__name__)
@pytest.mark.parametrize("how", ["done", "fails"])
def test_every_event_in_every_state(situation, how):
    """Nothing is raised but the answer to somebody who asks for what cannot be done; nothing is sent unasked; and every
    job that was given comes to an end, after which the machine is at rest."""
    for event in EVENTS:
        bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
        situation(bench)
        assert bench.state == SITUATIONS[situation], situation
        if isinstance(event, Opened) and bench.is_open:
            continue  # whoever drives it has one port at a time
        try:
            bench.is_open = bench.is_open or isinstance(event, Opened)
            bench.tell(event)
            bench.look()
        except NotDoneError:
            assert event.wish in {Wish.GO, Wish.WITHDRAW, Wish.PROGRAM, Wish.LEND, Wish.UNSEAT}
        if how == "fails" and bench.jobs:
            bench.fail()
        for _ in range(100):
            bench.work(20)
            bench.run(61.0)
            if not bench.jobs:
                break
        assert not bench.jobs, event
        assert bench.core.standing.line in (LineUse.IDLE, LineUse.CAPTURING), event
        assert len(bench.ended) == len({name for name, _ in bench.ended}), (event, bench.ended)
        assert len(bench.written) <= 2 * bench.chars, event


@pytest.mark.parametrize("seed", [*range(4), *(pytest.param(n, marks=pytest.mark.slow) for n in range(4, 30))])
def test_days_at_random(seed):
    """Whatever comes in whatever order: each file ends once, what goes out goes out whole and in order, and at rest nothing
    is left behind."""
    rng = random.Random(seed)
    flow, start = rng.choice([Flow.XON_XOFF, Flow.RTS_CTS]), rng.choice(list(StartOn))
    bench = LineBench(settings(start=start, flow=flow), do_at_once=False, chars=40)
    bench.held_in_file = rng.random() < 0.3
    names, closed = (f"{n:03}" for n in itertools.count()), False
    words = [
        "plug",
        "pull",
        "drop",
        "edit",
        "take",
        "punch",
        "dc1",
        "dc3",
        "modem",
        "run",
        "work",
        "work",
        "work",
        "fail",
        "go",
        "withdraw",
        "room",
    ]
    for _ in range(300):
        match rng.choice(words):
            case "plug" if not bench.is_open:
                bench.plug()
            case "pull":
                bench.pull()
            case "drop":
                bench.drop(*itertools.islice(names, rng.randrange(1, 3)))
            case "edit" if bench.core.sender.queue.waiting:
                bench.drop(entry(rng.choice(bench.core.sender.queue.waiting), rng.randrange(2, 1000)))
            case "take" if bench.core.sender.queue.waiting:
                bench.tell(Listed(gone=(rng.choice(bench.core.sender.queue.waiting),)))
            case "punch":
                bench.look(b"%\nO0007\nM30\n%\n" if bench.is_open else b"")
            case "dc1" | "dc3" as code if bench.is_open:
                bench.look(b"\x11" if code == "dc1" else b"\x13")
            case "modem" if bench.is_open:
                bench.look(modem=rng.choice([ON, OFF]))
            case "run":
                bench.run(rng.choice([0.01, 0.2, 5.0]))
            case "work":
                bench.work(rng.randrange(1, 4))
            case "fail" if bench.jobs:
                bench.fail()
            case "go" | "withdraw" as word:
                try:
                    bench.tell(Ask(Wish.GO) if word == "go" else Ask(Wish.WITHDRAW))
                except NotDoneError:
                    closed = closed or word == "go"
            case "room":
                bench.room = rng.choice([0, 3, 1 << 30])
    bench.tell(Ask(Wish.STOP, "the service was stopped"))
    bench.look()
    for _ in range(200):
        bench.work(20)
        bench.run(31.0)
    assert not bench.core.busy
    assert len(bench.ended) == len({name for name, _ in bench.ended})
    sent = [name for name, result in bench.ended if result == "sent"]
    rest = bytes(bench.written)
    for name in sent:
        assert program(name, 40) in rest
    bench.tell(Ask(Wish.SHUT))
    assert not bench.is_open


# --- days ------------------------------------------------------------------------------------------------------------------
def test_a_program_goes_out_when_its_start_comes():
    bench = LineBench(settings(start=StartOn.DC1))
    bench.plug()
    bench.drop("a")
    bench.run(5.0)
    assert (bench.state, bytes(bench.written)) == ("waiting", b"")
    bench.look(b"\x11")
    bench.run(5.0)
    assert bytes(bench.written) == program("a")
    assert bench.ended == [("a", "sent")]
    assert bench.state == "listening"


def test_a_sending_takes_one_job_each_for_intake_start_and_end():
    bench = LineBench()
    bench.plug()
    bench.drop("a")
    bench.run(5.0)
    assert [type(job) for job in bench.given] == [TakeIn, Begin, End]


def test_no_character_goes_before_the_records_know_of_it():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    bench.run(5.0)
    assert [type(job) for job in bench.jobs] == [Begin]
    assert (bench.state, bytes(bench.written)) == ("sending", b"")
    bench.work()
    bench.run(5.0)
    assert bytes(bench.written) == program("a")


def test_a_hold_stops_it_within_ahead_and_a_go_lets_it_on():
    bench = LineBench(chars=500)
    bench.plug()
    bench.drop("a")
    bench.run(0.1)
    before = len(bench.written)
    bench.look(b"\x13")
    bench.run(3.0)
    assert bench.state == "held"
    assert len(bench.written) == before
    bench.look(b"\x11")
    bench.run(5.0)
    assert bytes(bench.written) == program("a", 500)


def test_files_go_in_order_and_only_the_first_has_an_image():
    bench = LineBench(settings(start=StartOn.DC1))
    bench.plug()
    bench.drop("a", "b", "c")
    assert [(job.name, job.scope) for job in bench.given_of(TakeIn)] == [
        ("a", Scope.IMAGE),
        ("b", Scope.CHECK),
        ("c", Scope.CHECK),
    ]
    for _ in "abc":
        bench.run(3.0)
        bench.look(b"\x11")
    bench.run(3.0)
    assert bench.ended == [("a", "sent"), ("b", "sent"), ("c", "sent")]


def test_a_large_image_comes_in_pieces_from_its_file():
    bench = LineBench(settings(baud=115200), chars=150_000)
    bench.held_in_file = True
    bench.plug()
    bench.drop("a")
    bench.run(15.0)
    assert [job.at for job in bench.given_of(NextPiece)] == [0, 65_536, 131_072]
    assert bytes(bench.written) == program("a", 150_000)


def test_an_image_that_cannot_be_read_ends_the_sending_with_the_reason():
    bench = LineBench(do_at_once=False)
    bench.held_in_file = True
    bench.plug()
    bench.drop("a")
    bench.work(2)
    bench.fail(OSError(5, "I/O error"))
    (end,) = bench.given_of(End)
    assert "could not be read" in end.outcome.reason


def test_a_refused_file_ends_and_the_next_has_its_turn():
    bench = LineBench(settings(start=StartOn.DC1))
    bench.refuse = {"a"}
    bench.plug()
    bench.drop("a", "b")
    bench.run(3.0)
    assert bench.ended == [("a", "refused")]
    assert bench.core.sender.queue.waiting == ("b",)


def outdated_at_its_start(*names):
    """The operator has pressed READ, and the records know something that the check of the first file did not."""
    bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
    bench.plug()
    bench.drop(*names)
    bench.work(len(names))
    bench.look(b"\x11")
    done, bench.result = bench.result, lambda _: Outdated()
    bench.work()
    bench.result = done
    return bench


def test_what_came_since_the_check_has_the_file_taken_in_anew_and_its_start_stands():
    bench = outdated_at_its_start("a")
    (begin,) = bench.given_of(Begin)
    assert [job.prepared for job in bench.given_of(PutAway)] == [begin.prepared]
    bench.work(4)
    bench.run(3.0)
    assert bytes(bench.written) == program("a", bench.chars)


def test_a_file_refused_when_it_is_taken_in_anew_starts_no_other():
    bench = outdated_at_its_start("a", "b")
    bench.refuse.add("a")
    for _ in range(9):
        bench.work()
        bench.run(1.0)
    assert (bench.ended, bytes(bench.written)) == ([("a", "refused")], b"")
    bench.look(b"\x11")
    bench.work(2)
    bench.run(3.0)
    assert bytes(bench.written) == program("b", bench.chars)


@pytest.mark.parametrize(
    ("start", "waits_s"), [(StartOn.DC1, defaults.READER_OFF_S), (StartOn.NOW, 0), (StartOn.GO, 0)]
)
def test_an_ending_waits_for_the_reader_off_only_where_the_control_started_the_program(start, waits_s):
    bench = LineBench(settings(start=start))
    bench.plug()
    bench.drop("a")
    if start is StartOn.GO:
        bench.tell(Ask(Wish.GO))
    bench.look(b"\x11" if start is StartOn.DC1 else b"")
    while bench.core.standing.line is not LineUse.ENDING and not bench.ended:
        bench.run(0.01)
    over_at = bench.now
    while not bench.ended:
        bench.run(0.01)
    (end,) = bench.given_of(End)
    assert bench.now - over_at == pytest.approx(waits_s, abs=0.011)
    assert end.heard.awaited is (waits_s > 0)


@pytest.mark.parametrize("cut_short", ["reader off", "stop"])
def test_a_reader_off_that_came_or_was_waited_for_no_longer_is_not_missed(cut_short):
    bench = LineBench(settings(start=StartOn.DC1))
    bench.plug()
    bench.drop("a")
    bench.look(b"\x11")
    while bench.core.standing.line is not LineUse.ENDING:
        bench.run(0.01)
    bench.look(b"\x13") if cut_short == "reader off" else bench.tell(Ask(Wish.STOP, "the service was stopped"))
    (end,) = bench.given_of(End)
    assert end.heard.awaited is False
    assert (end.outcome.reader_off_at is not None) is (cut_short == "reader off")


@pytest.mark.parametrize("what", ["reader off", "a loan"])
def test_a_start_that_is_taken_back_while_the_file_is_taken_in_anew_starts_nothing(what):
    bench = outdated_at_its_start("a")
    if what == "a loan":
        bench.tell(Ask(Wish.LEND, "somebody"))
        bench.tell(Ask(Wish.BACK))
        bench.plug()
    else:
        bench.look(b"\x13")
    for _ in range(5):
        bench.work()
        bench.run(1.0)
    assert (bench.given_of(Begin)[1:], bytes(bench.written)) == ([], b"")


def test_who_takes_a_program_back_while_the_records_are_asked_is_heeded_though_it_is_outdated():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    bench.tell(Ask(Wish.WITHDRAW, "a"))
    bench.result = lambda _: Outdated()
    bench.work()
    (end,) = bench.given_of(Dismiss)
    assert (end.verdict, bytes(bench.written)) == (Verdict.WITHDRAWN, b"")


def test_a_file_that_changes_is_taken_in_anew_and_what_was_made_of_it_removed():
    bench = LineBench(settings(start=StartOn.DC1))
    bench.plug()
    bench.drop("a")
    bench.drop(entry("a", 2, Complete.NO))
    assert len(bench.given_of(PutAway)) == 1
    bench.run(5.0)
    assert len(bench.given_of(TakeIn)) == 1, "it is not complete"
    bench.drop(entry("a", 2))
    bench.look(b"\x11")
    bench.run(5.0)
    assert bench.ended == [("a", "sent")]


def test_a_result_for_a_file_that_changed_meanwhile_is_not_taken():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.drop(entry("a", 2))
    old, new = list(bench.jobs)
    assert (old.look, new.look) == (1, 2)
    bench.work()
    assert isinstance(bench.jobs[-1], PutAway)
    bench.work(5)
    bench.run(3.0)
    assert len(bench.given_of(Begin)) == 1


def test_a_file_that_cannot_be_read_is_tried_again_and_said_once():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    for _ in range(3):
        bench.fail()
        bench.run(2.1)
    assert [what for event, what in bench.warnings if event == "records"] == ["a could not be read: I/O error"]
    bench.do_at_once = True
    bench.work()
    bench.run(5.0)
    assert bench.ended == [("a", "sent")]
    assert bench.core.account.troubles == []


def test_a_file_taken_away_before_its_turn_is_withdrawn_and_one_never_checked_is_no_ending():
    bench = LineBench(settings(start=StartOn.DC1))
    bench.plug()
    bench.drop("a")
    bench.tell(Listed(gone=("a",)))
    bench.look()
    assert bench.ended == [("a", "taken away")]
    bench.do_at_once = False
    bench.drop("b")
    bench.tell(Listed(gone=("b",)))
    bench.look()
    bench.work(5)
    assert bench.ended == [("a", "taken away")]


def test_a_new_drop_under_the_name_of_what_is_being_sent_is_the_next():
    bench = LineBench(settings(start=StartOn.DC1), chars=1000)
    bench.plug()
    bench.drop("a")
    bench.look(b"\x11")
    bench.run(0.2)
    bench.ending = lambda name, result: __import__("dncd.station.results").station.results.FileEnding(
        name, result, fields={"event": result, "seq": 1}
    )
    bench.drop(entry("a", 2))
    bench.run(5.0)
    assert bench.ended == [("a", "sent")]
    assert bench.core.sender.queue.waiting == ("a",)


def test_a_start_that_the_records_do_not_take_is_tried_again_a_second_later():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    bench.fail()
    bench.run(0.9)
    assert not bench.jobs
    bench.run(0.2)
    assert [type(job) for job in bench.jobs] == [Begin]
    assert bench.warnings[0][1].startswith("a could not be begun, so nothing was sent")


@pytest.mark.parametrize(("start", "word"), [(StartOn.DC1, b"\x11"), (StartOn.GO, b"")])
def test_a_start_that_the_records_did_not_take_stands(start, word):
    bench = LineBench(settings(start=start), do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    if start is StartOn.GO:
        bench.tell(Ask(Wish.GO))
    bench.look(word)
    bench.fail()
    bench.run(1.1)
    bench.work()
    bench.run(3.0)
    assert bytes(bench.written) == program("a")


def test_who_takes_a_program_back_while_the_records_are_asked_is_heeded_though_they_fail():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    bench.tell(Ask(Wish.WITHDRAW, "a"))
    bench.fail()
    bench.run(5.0)
    bench.work(9)
    assert (bench.ended, bytes(bench.written)) == ([("a", "withdrawn")], b"")


def test_who_takes_a_file_back_that_was_just_saved_again_is_told_that_it_was_not():
    bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
    bench.plug()
    bench.drop("a", "b")
    bench.work(2)
    bench.drop(entry("a", 2, Complete.NO))
    with pytest.raises(NotDoneError, match="a is just being checked, or was saved again"):
        bench.tell(Ask(Wish.WITHDRAW, "a"))
    bench.drop(entry("a", 2))
    bench.work(9)
    bench.tell(Ask(Wish.WITHDRAW, "a"))
    bench.work()
    assert bench.ended == [("a", "withdrawn")]


def test_an_ending_that_the_disk_does_not_take_is_tried_ever_slower_and_only_then_is_the_line_free():
    bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
    bench.plug()
    bench.drop("a", "b")
    bench.look(b"\x11")
    bench.work(3)
    bench.run(2.0)
    bench.work()
    assert isinstance(bench.jobs[0], End)
    waits = []
    for _ in range(7):
        bench.fail()
        began = bench.now
        while not bench.jobs:
            bench.run(0.5)
        waits.append(bench.now - began)
        assert len(bench.given_of(Begin)) == 1
    assert waits == [1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0]
    bench.work()
    bench.look(b"\x11")
    bench.work(2)
    assert len(bench.given_of(Begin)) == 2


def test_an_ending_is_tried_for_ever_also_after_a_night_without_a_disk():
    unrecorded, job = Unrecorded(), Return("a", Begun(None))
    unrecorded.add(job)
    for _ in range(1100):
        unrecorded.failed(job, 0.0)
    assert list(unrecorded.again(30.0)) == [Do(job)]


# --- a port that comes and goes --------------------------------------------------------------------------------------------
def test_a_port_that_opens_and_closes_at_once_uses_no_file_up_and_is_tried_ever_less():
    bench = LineBench()
    bench.drop("a", "b")
    bench.tell(OpenFailed(GONE))
    waits = []
    for _ in range(12):
        began = bench.now
        while bench.core.standing.port is not PortState.OPENING:
            bench.run(0.25)
        waits.append(bench.now - began)
        bench.room = 0  # it is gone before it took a character
        bench.plug()
        bench.run(0.05)
        bench.pull()
    assert bench.ended == []
    assert bench.core.sender.queue.waiting == ("a", "b")
    assert waits[:5] == pytest.approx([0.5, 1.0, 2.0, 4.0, 8.0])
    assert waits[-1] == pytest.approx(10.0)
    assert len(bench.given_of(Return)) == 12
    assert [event for event, _ in bench.warnings] == ["no port"] * len(bench.warnings)
    bench.room = 1 << 30
    bench.plug()
    bench.run(6.0)
    assert bench.ended == [("a", "sent"), ("b", "sent")]
    bench.pull()
    began = bench.now
    while bench.core.standing.port is not PortState.OPENING:
        bench.run(0.25)
    assert bench.now - began == pytest.approx(0.5), "it had stayed open for a while"


def test_what_went_out_of_a_program_before_the_port_went_is_told_and_never_sent_again_by_itself():
    bench = LineBench(chars=1000)
    bench.plug()
    bench.drop("a")
    bench.run(0.2)
    bench.pull()
    assert bench.ended == [("a", "interrupted")]
    (end,) = bench.given_of(End)
    assert 0 < end.heard.written == end.outcome.chars < 1000


def test_a_port_that_goes_while_the_records_are_asked_starts_nothing():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    bench.pull()
    bench.work()
    assert isinstance(bench.jobs[0], Return)
    bench.work()
    assert (bytes(bench.written), bench.ended, bench.core.sender.queue.waiting) == (b"", [], ("a",))


@pytest.mark.parametrize("flow", [Flow.RTS_CTS, Flow.DTR_DSR])
def test_a_machine_that_is_switched_off_uses_no_program_up(flow):
    bench = LineBench(settings(flow=flow, stall_s=20.0))
    bench.plug()
    bench.look(modem=OFF)
    bench.drop("a")
    bench.look(modem=OFF)
    bench.run(600.0, modem=OFF, within=200_000)
    assert bench.ended == []
    assert bytes(bench.written) == b""
    bench.run(5.0, modem=ON)
    assert bench.ended == [("a", "sent")]
    assert bytes(bench.written) == program("a")


def test_a_control_that_holds_in_the_middle_for_longer_than_stall_s_still_ends_it():
    bench = LineBench(settings(flow=Flow.RTS_CTS, stall_s=20.0), chars=1000)
    bench.plug()
    bench.look(modem=ON)
    bench.drop("a")
    bench.run(0.2, modem=ON)
    bench.run(21.0, modem=OFF)
    assert bench.ended == [("a", "interrupted")]


def test_who_takes_a_program_back_is_answered_though_nothing_went_out():
    bench = LineBench(settings(flow=Flow.RTS_CTS))
    bench.plug()
    bench.look(modem=OFF)
    bench.drop("a")
    bench.run(0.1, modem=OFF)
    bench.tell(Ask(Wish.WITHDRAW))
    bench.look(modem=OFF)
    assert bench.answers == ["a"]
    assert bench.ended == [("a", "interrupted")]
    (end,) = bench.given_of(End)
    assert end.heard.written == 0


def test_a_loan_takes_the_port_and_no_start_outlives_it():
    bench = LineBench(settings(start=StartOn.DC1))
    bench.plug()
    bench.drop("a")
    bench.look(b"\x11\x13")
    bench.tell(Ask(Wish.LEND, "somebody"))
    assert not bench.is_open
    with pytest.raises(NotDoneError, match="lent to somebody"):
        bench.tell(Ask(Wish.LEND, "another"))
    bench.tell(Ask(Wish.BACK))
    assert bench.opens == 1
    bench.plug()
    bench.run(5.0)
    assert (bench.state, bench.ended) == ("waiting", [])


def test_only_a_start_since_it_was_seated_counts_and_the_box_is_told_first():
    bench = LineBench(replace(settings(start=StartOn.DC1), seat=SeatSettings("bay-2", code="\x02A")))
    bench.tell(Ask(Wish.SERVE))
    bench.drop("a")
    bench.run(5.0)
    assert (bench.opens, bench.core.port.unseated) == (0, "nobody has said yet how bay-2 is turned")
    for ask in (Ask(Wish.GO), Ask(Wish.LEND, "somebody")):
        with pytest.raises(NotDoneError, match="not seated: nobody has said"):
            bench.tell(ask)
    bench.tell(Ask(Wish.UNSEAT, "bay-2 is turned to the mill"))
    assert (bench.core.port.unseated, list(bench.core.sender.queue.waiting)) == ("bay-2 is turned to the mill", ["a"])
    bench.tell(Ask(Wish.BACK))
    assert (bench.opens, bytes(bench.words)) == (1, b"")
    bench.plug()
    assert bytes(bench.words) == b"\x02A"
    bench.run(5.0)
    assert (bench.state, bench.ended) == ("waiting", [])
    bench.look(b"\x11")
    bench.run(5.0)
    assert [result for _, result in bench.ended] == ["sent"]
    bench.pull()
    bench.run(1.0)
    bench.plug()  # the box may have lost its power, too
    assert bytes(bench.words) == b"\x02A" * 2


@pytest.mark.parametrize("away", [Ask(Wish.LEND, "somebody"), Ask(Wish.UNSEAT, "the box is turned to the mill")])
@pytest.mark.parametrize("situation", [start_comes, sending, held, capturing])
def test_a_line_in_use_is_not_lent(situation, away):
    bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
    situation(bench)
    with pytest.raises(NotDoneError, match="the service is using the line"):
        bench.tell(away)
    assert bench.is_open


@pytest.mark.parametrize("wish", [Wish.LEND, Wish.GO, Wish.PROGRAM])
@pytest.mark.parametrize(("situation", "said"), [(sending, "sending"), (held, "sending, held by the control")])
def test_whoever_asks_for_a_line_in_use_is_told_the_same(situation, said, wish):
    asks = settings(start=StartOn.DC1, receive=ReceiveSettings(request=Request.DC1))
    bench = LineBench(asks, do_at_once=False)
    situation(bench)
    with pytest.raises(NotDoneError) as refused:
        bench.tell(Ask(wish, "somebody"))
    assert refused.value.what == f"the service is using the line: it is {said}"


def test_a_port_that_comes_while_new_settings_wait_is_closed_again():
    bench = LineBench()
    bench.tell(Ask(Wish.SERVE))
    bench.look()
    assert bench.opens == 1
    bench.tell(Ask(Wish.RETIRE, "new settings"))
    bench.plug()
    assert not bench.is_open
    bench.tell(Ask(Wish.SERVE))
    bench.look()
    assert bench.opens == 2


# --- words -----------------------------------------------------------------------------------------------------------------
def test_words_go_ahead_of_a_program_and_none_is_lost():
    bench = LineBench(settings(start=StartOn.NOW, receive=ReceiveSettings(request=Request.DC1_DC3)))
    bench.plug()
    bench.room = 0
    bench.look(b"\x12%\nO0001\nM30\n%\n")
    bench.run(2.0)
    bench.drop("a")
    bench.run(0.5)
    assert bytes(bench.words) == bytes(bench.written) == b""
    bench.room = 1
    bench.run(0.1)
    assert (bytes(bench.words), bytes(bench.written)) == (b"\x11", b"")
    bench.room = 1 << 30
    bench.run(5.0)
    assert (bytes(bench.words), bytes(bench.written)) == (b"\x11\x13", program("a"))


def test_last_words_of_packets_wait_for_a_port_that_takes_nothing():
    bench = LineBench(settings(start=StartOn.GO, protocol=Protocol.XMODEM))
    bench.plug()
    bench.drop("a")
    bench.tell(Ask(Wish.GO))
    bench.look()
    bench.look(b"\x15")
    assert len(bench.written) > 0
    bench.words.clear()
    bench.room = 0
    bench.tell(Ask(Wish.WITHDRAW))
    bench.run(0.5)
    assert bench.ended == [("a", "interrupted")]
    bench.room = 1 << 30
    bench.run(0.1)
    assert bytes(bench.words[:2]) == b"\x18\x18"


# --- captures --------------------------------------------------------------------------------------------------------------
def test_a_capture_goes_to_its_file_and_then_on_record():
    bench = LineBench()
    bench.plug()
    bench.look(b"%\nO0001\n")
    bench.run(0.1)
    bench.look(b"M30\n%\n")
    bench.run(2.0)
    assert b"".join(job.data for job in bench.given_of(Append)) == b"%\nO0001\nM30\n%\n"
    assert [job.plan.wire_chars for job in bench.given_of(Keep)] == [14]
    assert not bench.core.busy


def test_nothing_is_sent_until_what_came_is_on_record():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.look(b"%\nO0001\nM30\n%\n")
    bench.work()
    bench.run(2.0)
    assert not bench.given_of(Begin)
    bench.work(5)
    assert len(bench.given_of(Begin)) == 1


def test_what_a_control_punches_behind_a_program_is_no_part_of_it_though_dncd_looks_late():
    """A busy computer finds the last characters gone and the first of a punch there in one look."""
    bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.look(b"\x11")
    bench.work(2)
    while len(bench.written) < bench.chars:
        bench.run(0.001)
    bench.now += 1.0  # nobody looked meanwhile
    bench.look(b"%\nO0001\nM30\n%\n")
    bench.run(1.0)
    assert [type(job) for job in bench.jobs] == [Append, End]
    assert b"".join(job.data for job in bench.given_of(Append)) == b"%\nO0001\nM30\n%\n"


@pytest.mark.parametrize("flow", [Flow.XON_XOFF, Flow.RTS_CTS])
@pytest.mark.parametrize("begun", [False, True])
def test_what_a_control_punches_while_a_program_waits_for_it_is_caught_and_the_program_waits_on(flow, begun):
    """Nothing of the program has gone: the control holds, or the records have not begun it."""
    bench = LineBench(settings(flow=flow), do_at_once=False)
    bench.plug()
    bench.look(modem=OFF)
    bench.room = 0
    bench.drop("a")
    bench.work(1 + begun)
    bench.look(b"\x13" if flow is Flow.XON_XOFF else b"")
    bench.run(1.0)
    bench.room = 1 << 30
    bench.look(b"%\nO0007\n")
    bench.look(b"M30\n%\n")
    for _ in range(9):
        bench.work(5)
        bench.run(0.5)
    assert b"".join(job.data for job in bench.given_of(Append)) == b"%\nO0007\nM30\n%\n"
    assert len(bench.given_of(Keep)) == 1
    assert (bench.ended, len(bench.given_of(Return))) == ([("a", "sent")] if flow is Flow.XON_XOFF else [], 1)
    bench.look(b"\x11", modem=ON)
    bench.run(5.0)
    bench.work(9)
    assert bench.ended == [("a", "sent")]
    assert bytes(bench.written) == program("a")


@pytest.mark.parametrize("start", [StartOn.DC1, StartOn.CTS])
def test_a_start_right_after_such_a_punch_is_one(start):
    bench = LineBench(settings(start=start, flow=Flow.RTS_CTS))
    bench.plug()
    bench.look(modem=OFF)
    bench.drop("a")
    bench.room = 0
    bench.look(b"\x11", modem=ON)
    bench.look(modem=OFF)
    bench.room = 1 << 30
    bench.look(b"%\nO0007\nM30\n%\n")
    bench.run(1.0)
    assert (len(bench.given_of(Keep)), bench.ended) == (1, [])
    bench.look(modem=ON)
    bench.look(b"\x11")
    bench.run(5.0)
    assert bench.ended == [("a", "sent")]


def test_a_control_may_punch_while_the_end_of_a_sending_is_written():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work(2)
    bench.run(2.0)
    assert isinstance(bench.jobs[0], End)
    bench.look(b"%\nO0001\n")
    assert (bench.state, bench.core.standing.line) == ("receiving", LineUse.ENDING)
    bench.work()
    assert bench.core.standing.line is LineUse.CAPTURING


def test_what_came_after_a_sending_is_judged_by_what_is_on_record_of_it():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work(2)
    bench.run(2.0)
    bench.look(b"%\nO0001\nM30\n%\n")
    bench.run(1.0)
    ending = bench.jobs.popleft()
    assert isinstance(ending, End)
    bench.work(2)
    bench.run(1.0)
    assert bench.given_of(Append)
    assert not bench.given_of(Judge), "all of it is in its file, but the sending is not on record"
    bench.jobs.append(ending)
    bench.work(3)
    assert len(bench.given_of(Keep)) == 1


# --- the short way -----------------------------------------------------------------------------------------------------
def test_what_a_device_server_suspends_is_held_and_nothing_goes_meanwhile():
    bench = LineBench(chars=1000)
    bench.plug()
    bench.drop("a")
    bench.run(0.2)
    bench.tell(Suspended(Signal.ON))
    gone = len(bench.written)
    bench.run(3.0)
    assert (bench.state, len(bench.written)) == ("held", gone)
    bench.tell(Suspended(Signal.OFF))
    bench.run(5.0)
    assert bench.ended == [("a", "sent")]
    (end,) = bench.given_of(End)
    assert (end.outcome.holds, round(end.outcome.held_s, 1)) == (1, 3.0)


@pytest.mark.parametrize("held_in_file", [False, True])
def test_the_short_way_hands_over_the_same_characters_at_the_same_times(held_in_file):
    """Whatever mixture of whole looks and short ones: the program, the rate and the bound are those of whole looks."""

    def day(short):
        bench = LineBench(chars=70_000 if held_in_file else 3000)
        bench.held_in_file = held_in_file
        bench.plug()
        bench.drop("a")
        handed, rng = [], random.Random(7)
        while not bench.ended:
            bench.now = max(bench.core.next_due(bench.now), bench.now + 1e-6)
            part = bench.core.pump(bench.now) if short and rng.random() < 0.9 else b""
            if part:
                bench.written += part
                bench.core.pumped(len(part), len(part), bench.now)
            else:
                bench.look()
            handed.append((round(bench.now, 5), len(bench.written)))
        return bytes(bench.written), handed[-1], {chars: at for at, chars in handed}

    (whole, end, times), (short, short_end, short_times) = day(short=False), day(short=True)
    assert short == whole == program("a", 70_000 if held_in_file else 3000)
    assert short_end == end
    assert all(at <= short_times[chars] + 1e-3 for chars, at in times.items() if chars in short_times)


def test_the_short_way_gives_nothing_when_anything_else_is_to_be_done():
    bench = LineBench(chars=1000)
    assert bench.core.pump(0.0) == b""
    bench.plug()
    bench.drop("a")
    bench.run(0.2)
    bench.now = bench.core.next_due(bench.now)
    assert bench.core.pump(bench.now)
    bench.tell(Read(Reading(b"\x13")))
    assert bench.core.pump(bench.now) == b"", "the control holds"
    bench.tell(Read(Reading(b"\x11")))
    bench.tell(Listed())
    assert bench.core.pump(bench.now) == b"", "a whole look comes first after what is told"


# --- many files ------------------------------------------------------------------------------------------------------------
def calls_of(work):
    """How many functions of Python are called while `work` runs."""
    count = 0

    def seen(_frame, event, _arg):
        nonlocal count
        count += event == "call"

    sys.setprofile(seen)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


def test_a_round_costs_the_same_however_many_files_wait():
    """20,000 files wait; a look at the line and its status touches none of them."""

    def costs(files):
        bench = LineBench(settings(start=StartOn.DC1))
        bench.plug()
        bench.drop(*(f"{n:05}" for n in range(files)))
        bench.run(1.0)
        assert len(bench.core.sender.queue.waiting) == files
        return calls_of(lambda: (bench.look(), bench.core.next_due(bench.now), bench.core.state))

    assert costs(20_000) == costs(2)


def test_a_pump_in_the_middle_of_a_sending_calls_few_functions():
    bench = LineBench(chars=1000)
    bench.plug()
    bench.drop("a")
    bench.run(0.2)
    bench.now = bench.core.next_due(bench.now)
    costs = calls_of(lambda: bench.core.pumped(len(bench.core.pump(bench.now)), 1, bench.now))
    assert costs <= 11, "its own lambda among them; a whole look makes some 60"


def test_no_look_takes_a_large_drop_in_at_once():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop(*(f"{n:05}" for n in range(5000)))
    assert len(bench.given) == AT_ONCE
    costs = []
    for _ in range(400):
        costs.append(calls_of(lambda: (bench.work(), bench.core.next_due(bench.now))))
    assert max(costs) < 5000, "of one look"
    assert len(bench.given_of(TakeIn)) >= AT_ONCE + 399
    assert len({job.name for job in bench.given_of(TakeIn)}) == len(bench.given_of(TakeIn))


def test_what_is_said_of_a_file_that_is_gone_is_gone():
    bench = LineBench(do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.result = lambda _: Gone("it was changed while it was read")
    bench.work()
    bench.run(2.1)
    assert len(bench.given_of(TakeIn)) == 2
    assert bench.core.sender.queue.waiting == ()


def test_a_fault_of_a_port_that_nobody_thought_of_loses_it_and_it_is_tried_again():
    bench = LineBench()
    bench.plug()
    bench.tell(Lost(PortGoneError("a fault of dncd itself (ValueError)", "mill", "Report it")))
    bench.run(0.6)
    assert bench.opens == 1


@pytest.mark.parametrize("noise", [b"\x80", b"\xfe", b"Z"])
def test_a_go_is_not_lost_to_a_noise_of_a_control_that_is_switched_on(noise):
    bench = LineBench(settings(start=StartOn.GO, flow=Flow.RTS_CTS))
    bench.plug()
    bench.look(modem=OFF)
    bench.room = 0
    bench.drop("a")
    bench.tell(Ask(Wish.GO))
    bench.run(1.0)
    bench.look(noise, modem=OFF)
    bench.run(8.0)
    bench.room = 1 << 30
    bench.look(modem=ON)
    bench.run(8.0)
    assert bench.ended == [("a", "sent")]


@pytest.mark.parametrize("behind", [b"\r\n>", b"\r\nREADY\r\n"])
def test_a_control_that_says_more_behind_its_dc1_gets_its_program(behind):
    bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    bench.look(b"\x11")
    bench.look(behind)
    for _ in range(9):
        bench.work(5)
        bench.run(2.0)
    assert bench.ended == [("a", "sent")]


def test_a_punch_whose_mark_was_hit_is_caught_from_its_first_character_while_a_program_waits():
    bench = LineBench(settings(flow=Flow.RTS_CTS), do_at_once=False)
    bench.plug()
    bench.look(modem=OFF)
    bench.room = 0
    bench.drop("a")
    bench.work(2)
    bench.run(1.0)
    bench.room = 1 << 30
    punch = b"$\nO0007\n" + b"".join(b"N%d G01 X%d.5\n" % (n, n) for n in range(10, 60, 10)) + b"M30\n%\n"
    for at in range(0, len(punch), 8):
        bench.look(punch[at : at + 8])
    for _ in range(9):
        bench.work(5)
        bench.run(0.5)
    assert b"".join(job.data for job in bench.given_of(Append)) == punch


def test_losses_of_the_port_are_told_by_the_next_sending_alone():
    bench = LineBench(settings(start=StartOn.NOW))
    for _ in range(3):
        bench.plug()
        bench.pull()
    bench.plug()
    bench.drop("a")
    bench.run(60.0)
    bench.drop("b")
    bench.run(60.0)
    assert [end.heard.port_losses for end in bench.given_of(End)] == [3, 0]


@pytest.mark.parametrize("how", ["lost", "punch"])
def test_who_takes_back_what_is_just_going_back_to_wait_is_told_to_say_it_again(how):
    bench = LineBench(settings(start=StartOn.DC1), do_at_once=False)
    bench.plug()
    bench.drop("a")
    bench.work()
    bench.look(b"\x11")
    if how == "lost":
        bench.tell(Lost(GONE))
    else:
        bench.look(b"%\nO0007\nM30\n%\n")
    with pytest.raises(NotDoneError, match="going back to wait"):
        bench.tell(Ask(Wish.WITHDRAW, "a"))
    for _ in range(9):
        bench.work(9)
        bench.run(1.0)
    bench.tell(Ask(Wish.WITHDRAW, "a"))
    bench.work(9)
    assert (bytes(bench.written), bench.given_of(Dismiss)[0].verdict) == (b"", Verdict.WITHDRAWN)
