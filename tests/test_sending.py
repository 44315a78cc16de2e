"""The sending machine on a fake clock: every phase × event, the bound after a stop, and the rate."""

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sending_line import CHAR_S, DC1, DC3, DC3_PARITY, machine, run_to_end, step

from dncd import defaults
from dncd.choices import Flow
from dncd.line.outgoing import Shape
from dncd.line.sending import Phase, Sending
from dncd.values import Frame, LineSettings, Result, SendSettings

LINE = LineSettings("x", baud=9600, frame=Frame.parse("7E1"))


def test_runs_at_the_rate_of_the_line():
    sending = machine(12_000)
    end = run_to_end(sending)
    assert sending.outcome.result is Result.SENT
    assert end == pytest.approx(12_000 * CHAR_S, rel=1e-9)
    assert sending.outcome.chars == 12_000


def test_a_loop_that_is_short_of_time_is_given_no_smaller_pieces():
    """Else what it cannot do in time becomes more to do, and all its lines are later still."""
    sending, now, pieces = machine(12_000), 0.0, list[int]()
    for turn in range(200):
        part = sending.allowed(now, behind=turn >= 10)
        sending.wrote(len(part), len(part), now)
        pieces.append(len(part))
        now = sending.clock.busy_until + 0.002 if turn < 20 else sending.next_due()  # late, and then in time again
    assert set(pieces[1:20]) == {8}
    assert set(pieces[21:]) == {6}, "what late wake-ups had asked for before goes at once"


def running():
    sending = machine()
    step(sending, 0.0)
    return sending, 0.001


def held():
    sending, now = running()
    sending.feed(DC3, now)
    return sending, now


def ending():
    sending = machine(8)
    step(sending, 0.0)
    return sending, 0.001


def over():
    sending, _now = ending()
    sending.tick(1.0)
    return sending, 1.0


PHASES = {Phase.RUNNING: running, Phase.HELD: held, Phase.ENDING: ending, Phase.OVER: over}
EVENTS = {
    "dc3": lambda s, now: s.feed(DC3, now),
    "dc3 with parity": lambda s, now: s.feed(DC3_PARITY, now),
    "dc1": lambda s, now: s.feed(DC1, now),
    "other": lambda s, now: s.feed(b"\x06Z", now),
    "stall": lambda s, now: s.tick(now + 601),
    "stop": lambda s, now: s.stop("why", now),
    "tick": lambda s, now: s.tick(now),
}
NEXT = {
    (Phase.RUNNING, "dc3"): Phase.HELD,
    (Phase.RUNNING, "dc3 with parity"): Phase.HELD,
    (Phase.RUNNING, "stall"): Phase.OVER,
    (Phase.RUNNING, "stop"): Phase.OVER,
    (Phase.HELD, "dc1"): Phase.RUNNING,
    (Phase.HELD, "stall"): Phase.OVER,
    (Phase.HELD, "stop"): Phase.OVER,
    (Phase.ENDING, "stall"): Phase.OVER,  # the line has long sent the last character
    (Phase.ENDING, "stop"): Phase.OVER,
}


@pytest.mark.parametrize("event", EVENTS)
@pytest.mark.parametrize("phase", PHASES)
def test_every_phase_and_event(phase, event):
    sending, now = PHASES[phase]()
    assert sending.phase is phase
    EVENTS[event](sending, now)
    assert sending.phase is NEXT.get((phase, event), phase)
    if sending.phase is Phase.OVER:
        expected = (
            Result.SENT if phase is Phase.OVER or (phase, event) == (Phase.ENDING, "stall") else Result.INTERRUPTED
        )
        assert sending.outcome.result is expected
        assert sending.allowed(now + 1000) == b""
    if phase is Phase.HELD and sending.phase is Phase.HELD:
        assert sending.allowed(now + 1000) == b""


def test_a_stop_before_the_mark_has_left_is_a_hold_that_is_remembered():
    sending, now = ending()
    sending.feed(DC3, now)
    sending.tick(1.0)
    assert sending.outcome.result is Result.SENT
    assert sending.outcome.hold_until == math.inf
    sending, now = ending()
    sending.feed(DC3 + DC1, now)
    sending.tick(1.0)
    assert sending.outcome.hold_until == -math.inf
    assert sending.outcome.holds == 1


def test_a_stop_after_the_mark_is_reader_off_and_the_trailer_ends_there():
    sending = Sending(LINE, SendSettings(), 100, 0.0, Shape(19, 20, b"\n"))
    sending.supply(b"A" * 100)
    now = 0.0
    while sending.handed_over < 40:
        step(sending, now)
        now = max(now, sending.next_due())
    sending.feed(DC3_PARITY, now)
    run_to_end(sending, now)
    assert sending.outcome.result is Result.SENT
    assert (sending.outcome.holds, sending.outcome.hold_until) == (0, now + defaults.HOLD_AFTER_END_S)
    assert sending.outcome.reader_off_at == now
    assert 20 <= sending.outcome.chars < 60


def test_drip_feed_waits_for_ever():
    sending = machine(drip_feed=True)
    step(sending, 0.0)
    sending.feed(DC3, 0.5)
    assert sending.next_due() is None
    sending.tick(3601.0)
    assert sending.phase is Phase.HELD
    assert sending.held_for(3600.5) == 3600.0
    sending.feed(DC1, 3600.5)
    run_to_end(sending, 3600.5)
    assert sending.outcome.result is Result.SENT
    assert sending.outcome.held_s == pytest.approx(3600.0)


def test_flow_none_hears_no_stop_and_hardware_flow_no_dc3():
    for flow in (Flow.NONE, Flow.RTS_CTS, Flow.DTR_DSR):
        sending = machine(flow=flow)
        sending.feed(DC3, 0.0)
        assert sending.phase is Phase.RUNNING
    sending = machine(flow=Flow.RTS_CTS)
    sending.gate(False, 0.0)
    assert sending.phase is Phase.HELD
    sending.gate(True, 1.0)
    assert sending.phase is Phase.RUNNING


def test_full_port_is_asked_again_and_stalls():
    sending = machine(stall_s=5.0)
    assert len(sending.allowed(0.0)) == 8
    sending.wrote(3, 8, 0.0)
    assert sending.allowed(0.001) == b""
    assert sending.next_due() > 0.001
    now = 0.0
    while sending.outcome is None:
        now = max(now + 0.001, sending.next_due())
        step(sending, now, took=0)
    assert sending.outcome.result is Result.INTERRUPTED
    assert "took no characters" in sending.outcome.reason
    assert sending.outcome.chars == 3


def test_pieces_of_the_image_go_out_in_order():
    line = LineSettings("x", baud=115200, frame=Frame.parse("8N1"), ahead_chars=32)
    image = bytes(range(256)) * 400
    sending = Sending(line, SendSettings(), len(image), 0.0)
    out, fed, now = bytearray(), 0, 0.0
    while sending.outcome is None:
        while sending.wants_supply():
            sending.supply(image[fed : fed + 10_001])
            fed += 10_001
        part = sending.allowed(now)
        if part:
            out += part
            sending.wrote(len(part), len(part), now)
        sending.tick(now)
        now = max(now, sending.next_due() or now)
    assert bytes(out) == image


@settings(max_examples=150, deadline=None)
@given(
    ahead=st.integers(1, 40),
    late=st.lists(st.floats(0, 0.05), min_size=1, max_size=30),
    stops=st.lists(st.tuples(st.integers(0, 300), st.floats(0.0001, 0.2)), max_size=6),
    takes=st.lists(st.integers(0, 40), min_size=1, max_size=10),
)
def test_never_more_than_ahead_after_a_stop(ahead, late, stops, takes):
    """A simulated line at nominal rate: whatever wake-ups and ports do, what follows a stop is bounded."""
    sending = machine(300, ahead=ahead)
    now, handed, busy_until = 0.0, 0, 0.0  # the line: a character leaves every CHAR_S
    stop_at = sorted(dict(stops).items())
    stopped: tuple[float, int] | None = None  # until when, and how many had left when the stop could be read
    for k in range(20_000):
        left = handed - max(0, math.ceil((busy_until - now) / CHAR_S - 1e-6))
        if stopped is None and stop_at and left >= stop_at[0][0]:
            stopped = (now + stop_at.pop(0)[1], left)
            sending.feed(DC3, now)
        elif stopped is not None and now >= stopped[0]:
            assert left - stopped[1] <= ahead
            stopped = None
            sending.feed(DC1, now)
        if part := sending.allowed(now):
            took = min(len(part), takes[k % len(takes)]) if k < 200 else len(part)
            if took:
                busy_until = max(busy_until, now) + took * CHAR_S
                handed += took
            sending.wrote(took, len(part), now)
        if stopped is not None:
            assert handed - stopped[1] <= ahead
        sending.tick(now)
        if sending.outcome:
            break
        now += CHAR_S / 3 + (late[k % len(late)] if k % 7 == 0 else 0)
    assert sending.outcome is not None
    assert sending.outcome.result is Result.SENT
    assert sending.outcome.chars == handed == 300


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=6), st.floats(0, 3)), max_size=40))
def test_no_input_crashes_it(chunks):
    sending, now = machine(50), 0.0
    for data, wait in chunks:
        sending.feed(data, now)
        step(sending, now)
        now += wait
    assert sending.handed_over <= 50


def paced_run(send: SendSettings, image: bytes, shape: Shape | None = None) -> list[tuple[float, bytes]]:
    """Hands the image over on a fake clock; gives when each character left the line, with the character."""
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), ahead_chars=8)
    sending, now, left = Sending(line, send, len(image), 0.0, shape), 0.0, []
    sending.supply(image)
    while sending.outcome is None:
        if part := sending.allowed(now):
            start = max(now, sending.clock.busy_until)
            left += [(start + (i + 1) * line.char_s, part[i : i + 1]) for i in range(len(part))]
            sending.wrote(len(part), len(part), now)
        sending.tick(now)
        due = sending.next_due()
        now = max(now + 1e-5, due if due is not None else now)
    return left


def test_a_pause_follows_every_character():
    left = paced_run(SendSettings(after_char_s=0.02), b"%\nO1\n%\n")
    assert b"".join(char for _, char in left) == b"%\nO1\n%\n"
    gaps = [later - earlier for (earlier, _), (later, _) in itertools.pairwise(left)]
    assert min(gaps) >= 0.02 + 10 / 9600 - 1e-9  # ten bits a character at 9600 baud (serial arithmetic)
    assert max(gaps) < 0.02 + 10 / 9600 + 1e-3


@pytest.mark.parametrize("ends", [b"\n", b"\r\n", b"\n\r\r"])
@pytest.mark.parametrize("pieces", [1, 3, 1000])
def test_a_pause_follows_every_block_end_and_nothing_else(ends, pieces):
    image = ends.join([b"%", b"O1", b"", b"N10G01X1.5Z-2.25", b"%", b""])
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), ahead_chars=8)
    sending = Sending(line, SendSettings(after_block_s=0.5), len(image), 0.0, Shape(len(image), len(image), ends))
    left, now, at = [], 0.0, 0
    while sending.outcome is None:
        if sending.wants_supply():
            sending.supply(image[at : at + pieces])
            at += pieces
        if part := sending.allowed(now):
            start = max(now, sending.clock.busy_until)
            left += [(start + (i + 1) * line.char_s, part[i]) for i in range(len(part))]
            sending.wrote(len(part), len(part), now)
        sending.tick(now)
        due = sending.next_due()
        now = now + 1e-4 if due is None or at < len(image) else max(now + 1e-5, due)
    assert bytes(char for _, char in left) == image
    sent = b""
    for (earlier, char), (later, _) in itertools.pairwise(left):
        sent += bytes([char])
        assert (later - earlier > 0.5) == sent.endswith(ends), sent


def test_a_device_server_that_suspends_is_a_hold_and_go_comes_only_when_neither_holds():
    sending, now = running()
    sending.suspend(True, now)
    assert (sending.phase, sending.holds, sending.allowed(now + 5)) == (Phase.HELD, 1, b"")
    sending.feed(DC3, now + 1)
    sending.suspend(False, now + 2)
    assert sending.phase is Phase.HELD, "the control holds it still"
    sending.suspend(True, now + 3)
    sending.feed(DC1, now + 4)
    assert sending.phase is Phase.HELD, "the server holds it still"
    sending.suspend(False, now + 5)
    assert (sending.phase, sending.holds, sending.held_s) == (Phase.RUNNING, 1, 5.0)


def test_a_suspension_that_lasts_ends_it_and_leaves_no_hold_of_the_control_open():
    sending = machine(stall_s=5.0)
    sending.suspend(True, 0.0)
    sending.tick(5.0)
    assert sending.outcome.reason == "the device server held the line for longer than stall_s = 5 s"
    assert sending.outcome.hold_until == -math.inf


@pytest.mark.parametrize(
    ("said", "at"),
    [
        ((), 0),
        ((3,), 0),
        ((400,), 400),
        ((400, 600), 400),
        ((200, 400, 600), 0),
    ],
    ids=["never", "said again while it waited", "READ anew", "twice", "a control's way"],
)
def test_a_start_in_the_middle_that_ends_no_hold_is_remembered(said, at):
    """After RESET, which says nothing on the line, and READ a control reads the rest alone: DC1 without a DC3 before."""
    sending, now, left = machine(), 0.0, list(said)
    while not sending.outcome:
        step(sending, now)
        if left and sending.handed_over >= left[0]:
            left.pop(0)
            sending.feed(DC1, now)
        now = max(now, sending.next_due() or now)
    assert sending.outcome.result is Result.SENT
    assert at - 8 <= sending.outcome.read_anew_at <= at + 8


def test_a_start_that_ends_a_hold_is_no_start_in_the_middle():
    sending, now = machine(), 0.0
    while sending.handed_over < 400:
        step(sending, now)
        now = max(now, sending.next_due())
    sending.feed(DC3, now)
    sending.feed(DC1 + DC1, now + 1.0)  # some say it twice
    run_to_end(sending, now + 1.0)
    assert (sending.outcome.holds, sending.outcome.read_anew_at) == (1, 0)
