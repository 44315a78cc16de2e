"""Every state of the receiving and sending machines with every event, as their tables say; and cut at any place.

The tables here are written from the modules' own prose, row by row; a pair that is not named must change nothing.
"""

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from receiving_line import CHAR_S, make, tidy, wire
from sending_line import DC1, DC3, machine, run_to_end, step

from dncd.choices import EndsOn, Flow
from dncd.line.receiving import CaptureEnd, Ended, Phase
from dncd.line.sending import Phase as Sends
from dncd.values import Result

# --- receiving -----------------------------------------------------------------------------------------------------

BEFORE = {
    Phase.IDLE: b"",
    Phase.OPENING: wire(b"LEADER\n"),
    Phase.INSIDE: wire(b"%\nO0001\n"),
    Phase.CLOSING: wire(b"%\nO0001\n%"),
}
BYTES = {
    "dc1": b"\x11",
    "dc2": b"\x12",
    "dc3": b"\x93",
    "dc4": b"\x14",
    "mark": wire(b"%"),
    "mark in a block": wire(b"X%"),
    "text": wire(b"G00"),
    "block end": wire(b"\n"),
    "nul": b"\0",
    "del": wire(b"\x7f"),
    "sub": wire(b"\x1a"),
    "eot": wire(b"\x04"),
    "wrong parity": b"\x31",
}
TIMES = ("short silence", "silence", "stop")
EVENTS = (*BYTES, *TIMES)

MOVES: dict[tuple[Phase, str], tuple[Phase, CaptureEnd | None]] = {
    (Phase.IDLE, "dc2"): (Phase.OPENING, None),
    (Phase.IDLE, "mark"): (Phase.INSIDE, None),
    (Phase.IDLE, "mark in a block"): (Phase.OPENING, None),
    (Phase.IDLE, "text"): (Phase.OPENING, None),
    (Phase.IDLE, "wrong parity"): (Phase.OPENING, None),
    (Phase.OPENING, "mark"): (Phase.INSIDE, None),
    (Phase.OPENING, "dc4"): (Phase.IDLE, EndsOn.DC4),
    (Phase.OPENING, "silence"): (Phase.IDLE, EndsOn.SILENCE),
    (Phase.OPENING, "stop"): (Phase.IDLE, CaptureEnd.STOPPED),
    (Phase.INSIDE, "dc4"): (Phase.IDLE, EndsOn.DC4),
    (Phase.INSIDE, "silence"): (Phase.IDLE, EndsOn.SILENCE),
    (Phase.INSIDE, "stop"): (Phase.IDLE, CaptureEnd.STOPPED),
    # behind the closing mark all but reader and punch codes and the rest of its line ends the capture; what began a new one
    # on an idle line does so here as well
    (Phase.CLOSING, "dc4"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "mark"): (Phase.INSIDE, EndsOn.MARK),
    (Phase.CLOSING, "mark in a block"): (Phase.INSIDE, EndsOn.MARK),
    (Phase.CLOSING, "block end"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "nul"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "del"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "sub"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "eot"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "wrong parity"): (Phase.IDLE, EndsOn.MARK),  # a damaged block end: it belongs to the capture
    (Phase.CLOSING, "short silence"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "silence"): (Phase.IDLE, EndsOn.MARK),
    (Phase.CLOSING, "stop"): (Phase.IDLE, EndsOn.MARK),
}
BY_SETTING = {
    (Phase.INSIDE, "mark", EndsOn.MARK): (Phase.CLOSING, None),
    (Phase.OPENING, "dc4", EndsOn.MARK): (Phase.OPENING, None),  # a column of the lettering
    **{
        (phase, sign, ends_on): (Phase.IDLE, why)
        for phase in (Phase.OPENING, Phase.INSIDE)
        for sign, ends_on, why in (("sub", EndsOn.SUB, EndsOn.SUB), ("eot", EndsOn.EOT, EndsOn.EOT))
    },
}
ROWS = [row for row in itertools.product(Phase, EVENTS, EndsOn) if row[0] is not Phase.CLOSING or row[2] is EndsOn.MARK]


@pytest.mark.parametrize(("phase", "event", "ends_on"), ROWS)
def test_every_phase_of_receiving_with_every_event(phase: Phase, event: str, ends_on: EndsOn) -> None:
    expected = BY_SETTING.get((phase, event, ends_on), MOVES.get((phase, event), (phase, None)))
    for bytewise in (False, True):
        receiving, _ = make(ends_on=ends_on)
        events, now = [], 0.0
        for piece in (BEFORE[phase], BYTES.get(event, b"")):
            for part in [bytes([byte]) for byte in piece] if bytewise else [piece]:
                events += receiving.feed(part, now)
            if piece is BEFORE[phase]:
                assert receiving.phase is phase
        if event in TIMES:
            now = {"short silence": 0.1, "silence": 2.0, "stop": 0.0}[event]
            events += receiving.stop(now) if event == "stop" else receiving.tick(now)
        ended = [found.why for found in events if isinstance(found, Ended)]
        assert (receiving.phase, ended) == (expected[0], [expected[1]] if expected[1] else [])
        events += receiving.stop(now) if receiving.phase is Phase.CLOSING else ()
        if event in BYTES and phase is not Phase.IDLE:  # nothing of an open capture is thrown away
            caught = b"".join(found[1] for found in tidy(events) if found[0] == "caught")
            kept = BYTES[event] if expected[1] is not EndsOn.MARK or event in ("wrong parity", "block end") else b""
            assert caught.startswith(BEFORE[phase] + kept)


def test_no_row_names_what_cannot_be() -> None:
    assert {event for _, event in MOVES} | {event for _, event, _ in BY_SETTING} <= set(EVENTS)


@pytest.mark.parametrize("phase", [Phase.OPENING, Phase.INSIDE])
def test_too_long_ends_wherever_it_is(phase: Phase) -> None:
    receiving, _ = make(longest=len(BEFORE[phase]) + 2)
    events = receiving.feed(BEFORE[phase] + wire(b"G00 X1"), CHAR_S)
    assert [found.why for found in events if isinstance(found, Ended)] == [CaptureEnd.TOO_LONG]


# --- sending under hardware flow -------------------------------------------------------------------------------------

GATED = {
    (Sends.RUNNING, "off"): Sends.HELD,
    (Sends.HELD, "on"): Sends.RUNNING,
    (Sends.RUNNING, "stall"): Sends.OVER,
    (Sends.HELD, "stall"): Sends.OVER,
    (Sends.ENDING, "stall"): Sends.OVER,
    (Sends.RUNNING, "stop"): Sends.OVER,
    (Sends.HELD, "stop"): Sends.OVER,
    (Sends.ENDING, "stop"): Sends.OVER,
}
HEARD = {
    "off": lambda sending, now: sending.gate(False, now),
    "on": lambda sending, now: sending.gate(True, now),
    "dc3": lambda sending, now: sending.feed(DC3, now),
    "dc1": lambda sending, now: sending.feed(DC1, now),
    "other": lambda sending, now: sending.feed(b"\x06Z", now),
    "tick": lambda sending, now: sending.tick(now),
    "stall": lambda sending, now: sending.tick(now + 601),
    "stop": lambda sending, now: sending.stop("why", now),
}


def at(phase: Sends, flow: Flow):
    sending = machine(8 if phase in (Sends.ENDING, Sends.OVER) else 1000, flow=flow)
    step(sending, 0.0)
    if phase is Sends.HELD:
        sending.gate(False, 0.001)
    elif phase is Sends.OVER:
        sending.tick(1.0)
    return sending, 1.0 if phase is Sends.OVER else 0.001


@pytest.mark.parametrize("flow", [Flow.RTS_CTS, Flow.DTR_DSR])
@pytest.mark.parametrize("event", HEARD)
@pytest.mark.parametrize("phase", list(Sends))
def test_every_phase_of_sending_with_every_event_under_hardware_flow(phase: Sends, event: str, flow: Flow) -> None:
    sending, now = at(phase, flow)
    assert sending.phase is phase
    HEARD[event](sending, now)
    assert sending.phase is GATED.get((phase, event), phase)
    if sending.phase is Sends.HELD:
        assert sending.allowed(now + 1000) == b""
        assert sending.holds == 1
    if sending.phase is Sends.OVER and phase is not Sends.OVER:
        sent = (phase, event) == (Sends.ENDING, "stall")
        assert sending.outcome.result is (Result.SENT if sent else Result.INTERRUPTED)


@pytest.mark.parametrize("flow", [Flow.RTS_CTS, Flow.DTR_DSR])
def test_a_line_off_in_the_ending_is_an_open_hold(flow: Flow) -> None:
    sending, now = at(Sends.ENDING, flow)
    sending.gate(False, now)
    sending.gate(False, now + 0.001)  # looked at again: the same hold
    run_to_end(sending, now)
    assert (sending.outcome.result, sending.outcome.holds, sending.outcome.hold_until) == (Result.SENT, 1, math.inf)


# --- any cutting -----------------------------------------------------------------------------------------------------

SAID = st.lists(st.sampled_from([DC1, DC3, b"\x91", b"\x93", b"\x12", b"\x14", b"A", b"\0", b"\xff"]), max_size=20)


@settings(max_examples=200, deadline=None)
@given(said=SAID.map(b"".join), cuts=st.lists(st.integers(0, 20), max_size=6), flow=st.sampled_from(list(Flow)))
def test_what_a_control_says_means_the_same_however_it_is_cut(said: bytes, cuts: list[int], flow: Flow) -> None:
    seen = []
    for places in ([], range(1, len(said)), sorted(cut for cut in cuts if cut < len(said))):
        sending = machine(flow=flow)
        step(sending, 0.0)
        for start, end in itertools.pairwise([0, *places, len(said)]):
            sending.feed(said[start:end], 0.001)
        seen.append((sending.phase, sending.holds, sending.held_since, bytes(sending.strays)))
    assert seen[0] == seen[1] == seen[2]
    if flow is Flow.XON_XOFF:  # the last word counts
        words = [byte & 0x7F for byte in said if byte & 0x7F in (0x11, 0x13)]
        assert (seen[0][0] is Sends.HELD) == (words[-1:] == [0x13])
    elif flow is not Flow.ASKED:  # there a DC1 asks for a block, and a DC3 holds too
        assert seen[0][0] is Sends.RUNNING


@settings(max_examples=100, deadline=None)
@given(
    ahead=st.integers(1, 40),
    stops=st.lists(st.tuples(st.integers(0, 300), st.floats(0.0001, 0.2)), max_size=6),
    late=st.lists(st.floats(0, 0.03), min_size=1, max_size=20),
)
def test_never_more_than_ahead_after_a_line_went_off(
    ahead: int, stops: list[tuple[int, float]], late: list[float]
) -> None:
    """As the control's line sees it: what has left by the time at which CTS can be read off, and what leaves after."""
    char_s = 10 / 9600
    sending = machine(300, flow=Flow.RTS_CTS, ahead=ahead)
    now, handed, busy_until, off_until, left_at_off = 0.0, 0, 0.0, 0.0, 0
    waiting = sorted(dict(stops).items())
    for turn in range(20_000):
        left = handed - max(0, -(-(busy_until - now) // char_s))
        off = now < off_until
        if not off and waiting and left >= waiting[0][0]:
            off_until, left_at_off, off = now + waiting.pop(0)[1], left, True
        sending.gate(not off, now)
        if part := sending.allowed(now):
            assert not off
            busy_until = max(busy_until, now) + len(part) * char_s
            handed += len(part)
            sending.wrote(len(part), len(part), now)
        if off:
            assert handed - left_at_off <= ahead
        sending.tick(now)
        if sending.outcome:
            break
        now += char_s / 3 + (late[turn % len(late)] if turn % 5 == 0 else 0)
    assert sending.outcome.result is Result.SENT
    assert handed == 300
