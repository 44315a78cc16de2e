"""The line's clock against serial arithmetic (serial_timing.json, marked verified)."""

import json
from fractions import Fraction
from pathlib import Path

import pytest

from dncd.line.outgoing import LineClock
from dncd.values import Frame, LineSettings

CASES = json.loads((Path(__file__).parent / "vectors" / "serial_timing.json").read_text())["cases"]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c['baud']}-{c['data']}{c['parity']}{c['stop']}")
def test_characters_a_second(case):
    frame = Frame.parse(f"{case['data']}{case['parity']}{case['stop']}")
    assert frame.bits == case["bits_per_char"]
    char_s = LineSettings("x", baud=case["baud"], frame=frame).char_s
    assert 1 / char_s == pytest.approx(float(Fraction(case["chars_per_s_exact"])), rel=1e-12)
    clock = LineClock(char_s)
    clock.wrote(1000, 5.0)
    assert clock.busy_until - 5.0 == pytest.approx(case["seconds_for_1000_chars"], abs=1e-4)


def test_late_wake_up_does_not_run_ahead():
    clock = LineClock(0.001)
    clock.wrote(8, 10.0)
    assert clock.in_front(10.0) == 8
    clock.wrote(8, 10.5)  # the line was idle for most of half a second: that time is lost, never made up
    assert clock.in_front(10.5) == 8
    assert clock.in_front(10.5045) == 4
    assert clock.in_front(11.0) == 0


def test_port_that_still_holds_more_slows_the_clock():
    clock = LineClock(0.001)
    clock.wrote(4, 0.0)
    clock.correct(9, 0.0)
    assert clock.in_front(0.0) == 9
    clock.correct(1, 0.001)  # a port that holds fewer says nothing about its shift register: never faster
    assert clock.in_front(0.001) == 8
