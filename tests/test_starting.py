"""What starts a program, and what only looks like a start (contract 2)."""

import math

import pytest

from dncd import defaults
from dncd.choices import Flow, StartOn
from dncd.line.codes import ReaderCode
from dncd.line.starting import Starts, StartWay
from dncd.values import Modem, SendSettings, Signal

DC1, DC3 = ReaderCode.DC1, ReaderCode.DC3


def dc1(**send):
    return Starts(SendSettings(start_on=StartOn.DC1, **send))


def test_a_dc1_starts_one_program():
    starts = dc1()
    assert not starts.allows(0, 0)
    starts.said(DC1, 5)
    assert starts.allows(0, 5)
    starts.sending_began()
    starts.sending_ended(10, -math.inf)
    assert not starts.allows(0, 10)


def test_one_before_the_drop_counts_for_a_while():
    starts = dc1(dc1_stays_s=60)
    starts.said(DC1, 100)
    assert starts.allows(160, 170)
    assert not starts.allows(160.1, 170)


def test_dc3_takes_it_back():
    starts = dc1()
    starts.said(DC1, 1)
    starts.said(DC3, 2)
    assert not starts.allows(3, 3)
    starts.said(DC1, 4)
    assert starts.allows(3, 4)


def test_the_dc1_that_ends_a_hold_is_no_start():
    starts = dc1()
    starts.sending_began()
    starts.sending_ended(10, math.inf)
    starts.said(DC1, 300)  # however late
    assert not starts.allows(0, 300)
    starts.said(DC1, 301)
    assert starts.allows(0, 301)


def test_a_stop_in_answer_to_the_last_characters_is_a_hold():
    starts = dc1()
    starts.sending_began()
    starts.sending_ended(10, -math.inf)
    starts.said(DC3, 10 + defaults.TAIL_S / 2)
    starts.said(DC1, 11)
    assert not starts.allows(0, 11)
    starts.sending_ended(20, -math.inf)
    starts.said(DC3, 20.01)
    starts.said(DC1, 20.02 + defaults.HOLD_AFTER_END_S)  # no memory drains that slowly: somebody pressed READ
    assert starts.allows(0, 30)


def test_what_only_ended_a_hold_is_known_until_the_next_start():
    starts = dc1()
    starts.sending_ended(10)
    starts.said(DC3, 10.01)
    starts.said(DC1, 10.01 + defaults.HOLD_AFTER_END_S)
    assert (starts.allows(0, 13), starts.spent_at) == (False, 10.01 + defaults.HOLD_AFTER_END_S)
    starts.said(DC1, 14)
    assert (starts.allows(0, 14), starts.spent_at) == (True, None)
    line = Starts(SendSettings(start_on=StartOn.CTS), flow=Flow.RTS_CTS)
    line.sending_ended(10, 11)
    line.modem(Modem(cts=Signal.OFF), 10.01)
    line.modem(Modem(cts=Signal.ON), 10.5)
    assert (line.allows(0, 10.5), line.spent_at) == (False, 10.5)


def test_reader_off_after_the_program_closes_the_hold():
    starts = dc1()
    starts.sending_ended(10, math.inf)
    starts.said(DC3, 12)
    starts.said(DC1, 60)
    assert starts.allows(0, 60)


def test_dc1_then_dc3_just_after_an_end_is_taken_back():
    starts = dc1()
    starts.sending_ended(10, -math.inf)
    starts.said(DC1, 10.01)
    starts.said(DC3, 10.02)
    assert not starts.allows(10, 10.5)
    starts.said(DC1, 11)
    assert starts.allows(10, 11)


@pytest.mark.parametrize("start_on", [StartOn.CTS, StartOn.DSR])
def test_a_modem_line_starts_one_program_each_time_it_comes_on(start_on):
    starts = Starts(SendSettings(start_on=start_on))

    def on(signal):
        other = Signal.OFF
        cts, dsr = (signal, other) if start_on is StartOn.CTS else (other, signal)
        starts.modem(Modem(cts, dsr, Signal.UNKNOWN), 0)

    on(Signal.OFF)
    assert not starts.allows(0, 0)
    on(Signal.ON)
    assert starts.allows(0, 0)
    starts.sending_began()
    on(Signal.ON)
    assert not starts.allows(0, 1)
    on(Signal.OFF)
    on(Signal.ON)
    assert starts.allows(0, 2)


LINES = [
    # hold open at the end, seconds after the end at which the line goes off, and seconds until it is on: is it a start?
    (True, 0.0, 0.5, False),
    (True, 0.0, 300.0, False),  # the DC1 of a hold is no start however late, and nor is this
    (False, 0.01, 0.5, False),  # the answer to the last characters
    (False, 0.01, 10.0, True),  # reader off, and READ pressed again
    (False, 1.0, 0.5, True),
]


@pytest.mark.parametrize(("hold_open", "off_after", "on_after", "starts_it"), LINES)
@pytest.mark.parametrize("flow", list(Flow))
def test_the_line_that_ends_a_hold_is_no_start(flow, hold_open, off_after, on_after, starts_it):
    starts = Starts(SendSettings(start_on=StartOn.CTS), flow=flow)
    on, off = Modem(cts=Signal.ON), Modem(cts=Signal.OFF)
    starts.modem(on, 0)
    starts.sending_began()
    starts.sending_ended(10, math.inf if hold_open else -math.inf)
    starts.modem(on, 10)
    starts.modem(off, 10 + off_after)
    starts.modem(on, 10 + off_after + on_after)
    assert starts.allows(0, 400) is (starts_it or flow is not Flow.RTS_CTS)
    starts.modem(off, 500)
    starts.modem(on, 501)
    assert starts.allows(0, 501)


def test_go_and_now():
    starts = Starts(SendSettings(start_on=StartOn.GO))
    assert not starts.allows(0, 0)
    starts.go()
    assert starts.allows(0, 0)
    starts.sending_began()
    assert not starts.allows(0, 0)
    assert Starts(SendSettings(start_on=StartOn.NOW)).allows(0, 0)


@pytest.mark.parametrize("start_on", list(StartOn))
def test_every_start_says_what_it_waits_for(start_on):
    assert len(StartWay(SendSettings(start_on=start_on)).wish()) > 5


def test_a_control_that_was_reset_after_read_gets_nothing():
    """Its CTS goes off though DC1 is the start: its reader is off."""
    on, off = Modem(cts=Signal.ON), Modem(cts=Signal.OFF)
    starts = Starts(SendSettings(start_on=StartOn.DC1), flow=Flow.RTS_CTS)
    starts.said(DC1, 1)
    starts.modem(off, 1)  # it comes on after it
    assert starts.allows(5, 5)
    starts.modem(on, 2)
    assert starts.allows(5, 5)
    starts.modem(off, 3)
    assert not starts.allows(5, 5)
    starts.said(DC1, 6)
    assert starts.allows(5, 6)


def test_how_long_before_the_drop_a_start_came_is_known_where_no_line_can_tell_of_a_reset():
    starts = dc1()
    starts.said(DC1, 10)
    assert (starts.early_s(40), starts.early_s(5)) == (30, 0)
    starts = Starts(SendSettings(start_on=StartOn.DC1), flow=Flow.RTS_CTS)
    starts.said(DC1, 10)
    assert starts.early_s(40) == 0
