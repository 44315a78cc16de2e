"""The receiving machine: what begins a capture, what ends it, and that no cutting of the bytes changes it."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from receiving_line import CHAR_S, make, tidy, wire

from dncd.choices import BlockEnd, EndsOn, TapeCode
from dncd.line.codes import ReaderCode
from dncd.line.receiving import CaptureEnd, Ended, Phase


def fed(data, cuts=(), **how):
    receiving, _coder = make(**how)
    events, at = [], 0
    for cut in (*cuts, len(data)):
        events += receiving.feed(data[at:cut], cut * CHAR_S)
        at = cut
    return tidy(events + receiving.tick(len(data) * CHAR_S + 10)), receiving


PROGRAM = b"%\nO0001\nN10 G00 X1.\nM30\n%\n"


def test_from_dc2_through_the_block_end_after_the_mark():
    data = b"\x12" + wire(b"\0" * 5 + PROGRAM + b"\0" * 5) + b"\x14"
    events, receiving = fed(data)
    assert events == [
        ("began",),
        ("caught", data[: 1 + 5 + len(PROGRAM)]),
        ("ended", EndsOn.MARK, 6 + len(PROGRAM)),
    ]
    assert receiving.phase is Phase.IDLE


@pytest.mark.parametrize("seed", range(20))
def test_any_cutting_gives_the_same(seed):
    rng = random.Random(seed)
    data = b"\n\0" + wire(b"LEADER\n" + PROGRAM + b"\r\n\0\0" + PROGRAM) + b"\x14\x11\x93"
    whole, _ = fed(data)
    assert [e[0] for e in whole] == ["began", "caught", "ended", "began", "caught", "ended", "said", "said"]
    for cuts in (range(1, len(data)), sorted(rng.sample(range(1, len(data)), 9))):
        assert fed(data, cuts)[0] == whole
    assert fed(data + b"\0\n")[0] == whole


def test_fill_and_codes_on_an_idle_line_begin_nothing():
    events, _ = fed(wire(b"\0\0\n\r\x14\x7f\x1a\x04") + b"\x11\x93\x13\x91")
    assert events == [("said", c) for c in (ReaderCode.DC1, ReaderCode.DC3, ReaderCode.DC3, ReaderCode.DC1)]


def test_eia_digit_three_is_no_code():
    data = wire(b"%\nO3333\nX3.\n%\n", "8N1", TapeCode.EIA)
    events, _ = fed(data, code=TapeCode.EIA, frame="8N1")
    assert events == [("began",), ("caught", data), ("ended", EndsOn.MARK, len(data))]
    assert fed(b"\x93\x11", code=TapeCode.EIA, frame="8N1")[0] == [("said", ReaderCode.DC3), ("said", ReaderCode.DC1)]


@pytest.mark.parametrize(
    ("ends_on", "tail", "why"),
    [
        (EndsOn.MARK, wire(b"%\n"), EndsOn.MARK),
        (EndsOn.MARK, b"\x14", EndsOn.DC4),
        (EndsOn.MARK, b"", EndsOn.SILENCE),
        (EndsOn.DC4, wire(b"%\n") + b"\x14", EndsOn.DC4),
        (EndsOn.DC4, wire(b"%\n"), EndsOn.SILENCE),
        (EndsOn.SUB, wire(b"\x1a"), EndsOn.SUB),
        (EndsOn.SUB, b"\x14", EndsOn.DC4),
        (EndsOn.EOT, wire(b"\x04"), EndsOn.EOT),
        (EndsOn.SILENCE, wire(b"%\n\x1a"), EndsOn.SILENCE),
    ],
)
def test_every_end(ends_on, tail, why):
    data = wire(b"%\nO0001\nM30\n") + tail
    events, _ = fed(data, ends_on=ends_on)
    assert events == [("began",), ("caught", data), ("ended", why, len(data))]


def test_block_ends_of_several_characters_belong_to_the_mark_line():
    data = wire(b"%\n\r\rO1\n\r\r%\n\r\r")
    events, _ = fed(data, block_end=BlockEnd("LF CR CR"))
    assert events[1:] == [("caught", data), ("ended", EndsOn.MARK, len(data))]
    events, _ = fed(data[:-2] + b"\x14", block_end=BlockEnd("LF CR CR"))
    assert events[-1] == ("ended", EndsOn.MARK, len(data) - 2 + 1) or events[-1][1] is EndsOn.MARK


def test_one_flipped_bit_makes_no_code_and_no_mark():
    """In a frame with parity no flipped bit of any character may end or hide anything."""
    good = wire(PROGRAM)
    for index in range(len(good)):
        for bit in range(8):
            data = bytearray(good)
            data[index] ^= 1 << bit
            receiving, _ = make()
            events = tidy(receiving.feed(bytes(data), 0.0) + receiving.tick(100.0))
            caught = b"".join(e[1] for e in events if e[0] == "caught")
            assert bytes(data).startswith(caught)
            assert len(caught) > index, (index, bit)  # the damaged character is in the capture, for all to see
            assert not [e for e in events if e[0] == "said"]


def test_bytes_that_the_port_marked_are_no_marks():
    receiving, _ = make(frame="8N1")
    events = tidy(receiving.feed(PROGRAM, 0.0, bad=(len(PROGRAM) - 2,)))
    assert events[-1][0] == "caught"
    assert receiving.phase is Phase.INSIDE


def test_noise_before_the_opening_mark_is_leader():
    data = b"\x31\x32\x01" + wire(PROGRAM)  # three characters of wrong parity
    events, _ = fed(data)
    assert events == [("began",), ("caught", data), ("ended", EndsOn.MARK, len(data))]
    assert fed(data, range(1, len(data)))[0] == events


def test_too_long_ends():
    receiving, _ = make(longest=10)
    events = tidy(receiving.feed(wire(b"%\n" + b"A" * 30), 0.0))
    assert ("ended", CaptureEnd.TOO_LONG, 10) in events


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200), st.lists(st.integers(0, 200), max_size=5), st.sampled_from(list(EndsOn)), st.booleans())
def test_no_input_crashes_it_and_nothing_caught_is_lost(data, cuts, ends_on, eia):
    how = {"code": TapeCode.EIA, "frame": "8N1"} if eia else {}
    cuts = sorted(c for c in cuts if c < len(data))
    whole, _ = fed(data, ends_on=ends_on, **how)
    assert fed(data, cuts, ends_on=ends_on, **how)[0] == whole
    caught = b"".join(e[1] for e in whole if e[0] == "caught")
    rest = iter(data)
    assert all(byte in rest for byte in caught)  # a subsequence, in order


@pytest.mark.parametrize("between", [b"", bytes(20)])
def test_a_short_program_that_was_hit_many_times_takes_no_other_one_with_it(between):
    """Of a dump without a pause: what is little but damage ends at its mark as long as it is no longer than a few blocks."""
    first = bytearray(wire(b"%\nO0001\nN10 G00 X1.\nN20 G01 Z2.\nM30\n%\n"))
    for at in range(8, 26):
        first[at] ^= 1
    second = wire(("%\nO0002\n" + "".join(f"N{n} G01 X{n}.\n" for n in range(10, 400, 10)) + "M30\n%\n").encode())
    events, _ = fed(bytes(first) + between + second + between + wire(PROGRAM))
    ended = [event[2] for event in events if event[0] == "ended"]
    assert ended == [len(first), len(second), len(PROGRAM)]


def test_noise_without_a_pause_is_told_all_the_same():
    """A punch at a wrong rate is one capture; a line that never falls silent is none, and somebody must hear of it."""
    noise = (bytes(char ^ 0x80 for char in wire(b"A" * 80)) + wire(b"\n%\n")) * 3_000
    receiving, _ = make()
    events = [
        event for at in range(0, len(noise), 4096) for event in receiving.feed(noise[at : at + 4096], at * CHAR_S)
    ]
    ended = [event.chars for event in events if isinstance(event, Ended)]
    assert ended
    assert 100_000 <= ended[0] < 110_000
