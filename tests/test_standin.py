"""The stand-in control against arithmetic, published vectors and a host of plain os calls."""

import json
import os
import socket
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from standin_host import Hand, Host, even, pieces_in

from dncd.choices import TapeCode
from dncd.standin.build import Build, Dc3
from dncd.standin.control import Mode, StandIn
from dncd.standin.line_end import LineEnd
from dncd.standin.program_memory import Alarm, Stored
from dncd.standin.tape_punch import FlippedBit, LostChar
from dncd.standin.tape_reader import ReaderBuffer
from dncd.standin.yard import Yard
from dncd.values import Frame, TapeSettings

VECTORS = Path(__file__).parent / "vectors"
TIMING = json.loads((VECTORS / "serial_timing.json").read_text("utf-8"))["cases"]  # verified: arithmetic
TAPE = json.loads((VECTORS / "tape_examples.json").read_text("utf-8"))  # verified but EIA % 0x0B: memory
TEXT = TAPE["text"]
BLOCKS = tuple(TEXT.split("\n")[1:-2])

ISO = Build(frame=Frame.parse("7E1"))
EIA = Build(frame=Frame.parse("8N1"), tape=TapeSettings(code=TapeCode.EIA))


@pytest.mark.parametrize("case", TIMING, ids=lambda c: f"{c['baud']}-{c['data']}{c['parity']}{c['stop']}")
def test_a_character_takes_its_bits_and_no_more_however_much_is_written_ahead(case):
    frame = Frame.parse(f"{case['data']}{case['parity']}{case['stop']}")
    assert frame.bits / case["baud"] == 1 / Fraction(case["chars_per_s_exact"])
    near, far = socket.socketpair()
    with near, far:
        line = LineEnd(far.fileno(), float(frame.bits / case["baud"]), 0.0)
        near.send(bytes(1000))
        second = case["chars_per_s"]
        came = 0
        for tenth in range(1, 11):
            came += sum(len(run.data) for run in line.carried(tenth / 10 + 1e-9))
            assert abs(came - min(1000, second * tenth / 10)) < 1.001
        came += sum(len(run.data) for run in line.carried(case["seconds_for_1000_chars"] + 1e-3))
        assert came == 1000


def test_an_idle_line_saves_up_no_time():
    near, far = socket.socketpair()
    with near, far:
        line = LineEnd(far.fileno(), 0.01, 0.0)
        assert line.carried(10.0) == []
        near.send(b"0123456789")
        assert line.carried(10.001) == []
        (run,) = line.carried(10.0251)
        assert (run.data, run.start) == (b"01", 10.0), "the first began after the last look that found nothing"


@pytest.mark.parametrize("step", [0.0005, 0.004, 0.05])
def test_what_does_not_fit_is_lost(step):
    """9600 baud into 500 char/s: what came in less the memory and what was read out, by arithmetic."""
    with Hand(Build(reads_per_s=500, dc3=Dc3.PLAIN)) as hand:
        hand.control.read_in()
        hand.host.send(even(b"%\n" + b"N" * 1998))
        hand.go(2000 / 960, step)
        figures = hand.control.figures()
        unread = 2000 - 512 - 500 * 2000 / 960
        forgiven = step * 960  # on the line before the control's DC3 could be read
        assert unread - forgiven - 3 <= figures.lost <= unread + 3
        assert figures.taken == 2000
        assert figures.holds == 1


@pytest.mark.parametrize("dc3", list(Dc3))
def test_it_says_dc3_at_the_high_mark_and_dc1_at_the_low(dc3):
    with Hand(Build(reads_per_s=500, dc3=dc3)) as hand:
        hand.control.read_in()
        assert hand.heard() == b"\x11"
        hand.host.send(even(b"%\n" + b"N" * 2000))
        filled = 400 / (960 - 500)
        hand.go(filled - 0.01, 0.0005)
        assert hand.heard() == b""
        hand.go(0.02, 0.0005)
        assert hand.heard() == bytes([dc3])
    with Hand(Build(reads_per_s=500, dc3=dc3)) as hand:
        hand.control.read_in()
        hand.host.send(even(b"%\n" + b"N" * 840))
        hand.go(842 / 960 + 0.01, 0.0005)
        assert hand.heard() == bytes([0x11, dc3])
        after = hand.control.figures().after_dc3[0]
        full = 842 - 500 * 842 / 960
        hand.go((full - 128) / 500 - 0.03, 0.0005)
        assert hand.heard() == b""
        hand.go(0.05, 0.0005)
        assert hand.heard() == b"\x11"
        assert hand.control.figures().after_dc3 == (after,)
        assert 0 < after < 12


def test_a_late_control_holds_nothing_against_a_host_that_stops_at_once():
    """The host runs 8 ahead of the line and stops the instant it can read DC3; the control looks only every 0.1 s."""
    with Hand(Build(reads_per_s=300, buffer_chars=256, high=200, low=64)) as hand:
        hand.control.read_in()
        wire = even(b"%\nO1\n" + b"N1 G01 X1.\n" * 300 + b"%\n")
        sent, free, held, look = 0, hand.now, False, hand.now + 0.1
        for _ in range(60_000):
            hand.now += 0.0005
            for byte in hand.heard():
                held = byte == 0x93 or (held and byte != 0x11)
            free = max(free, hand.now)
            while not held and sent < len(wire) and free - hand.now <= 7 / 960:
                sent += hand.host.send(wire[sent : sent + 1])
                free += 1 / 960
            if hand.now >= look:
                hand.control.step(hand.now)
                look += 0.1
            if hand.control.mode is Mode.OFF:
                break
        figures = hand.control.figures()
        assert figures.lost == 0
        assert figures.holds >= 3
        assert max(figures.after_dc3) <= 8
        assert hand.control.memory.programs["O1"].blocks == ("O1", *["N1 G01 X1."] * 300)


@pytest.mark.parametrize("part", [0.5, 0.95, 0.99])
def test_a_host_that_leaves_gaps_is_seen_to_leave_them(part):
    with Hand(ISO) as hand:
        began = hand.now
        for n in range(900):
            hand.host.send(b"N")
            hand.go(began + (n + 1) / 960 / part - hand.now, 0.0005)
        assert hand.control.figures().line_used(1 / 960) == pytest.approx(part, abs=0.004)


def test_a_host_that_does_not_stop_is_seen_not_to():
    with Hand(Build(reads_per_s=500)) as hand:
        hand.control.read_in()
        hand.host.send(even(b"%\n" + b"N" * 900))
        hand.go(902 / 960 + 0.01, 0.0005)
        carried_at_dc3 = 400 / (1 - 500 / 960)
        assert hand.control.figures().after_dc3 == (pytest.approx(902 - carried_at_dc3, abs=3),)


def test_marks_out_of_order_are_refused():
    with pytest.raises(ValueError, match="low 300"):
        ReaderBuffer(512, 200, 300, 100.0)


@pytest.mark.parametrize(("build", "wire"), [(ISO, "iso840_hex"), (EIA, "eia244_hex")], ids=["iso", "eia"])
def test_reads_and_punches_the_published_tape(build, wire):
    """One text in both codes, from vectors/tape_examples.json, through a pseudo-terminal at 9600 baud."""
    image = bytes.fromhex(TAPE[wire])
    control = StandIn(build)
    with Yard(control), Host(control.path) as host:
        control.read_in()
        assert host.read(b"\x11") == b"\x11"
        host.write(bytes(20) + image + bytes(5))
        assert host.read(b"\x93") == b"\x93", "reader off after the closing mark, as it says DC3 on a line with parity"
        assert control.wait_for(lambda: len(control.taken) == 25 + len(image), 120)
        assert control.memory.programs["O0001"] == Stored("O0001", "", BLOCKS)
        assert control.alarm is Alarm.NONE
        control.punch("O0001")
        assert host.read(b"\x14") == b"\x12" + image + b"\x14"


def test_the_clock_of_a_real_line():
    control = StandIn(ISO)
    with Yard(control), Host(control.path) as host:
        control.read_in()
        host.read(b"\x11")
        host.write(even(b"%\n" + b"N1\n" * 158 + b"%\n"))
        assert control.wait_for(lambda: len(control.taken) == 478, 120)
        figures = control.figures()
        assert figures.last - figures.first == pytest.approx(477 / 960, abs=0.002)
        assert figures.line_used(1 / 960) == pytest.approx(1.0, abs=0.002)
        assert 400 < figures.most_ahead <= 478


def test_an_operator_edits_and_punches_and_the_punch_obeys_the_host():
    blocks = ("O0004", *(f"N{n} G01 X{n}. F0.15" for n in range(10, 300, 10)), "M30")
    control = StandIn(Build(frame=Frame.parse("7E1"), baud=19200, tape=TapeSettings(leader_chars=6, trailer_chars=4)))
    pieces_in(control, {"O0004": blocks})
    with Yard(control), Host(control.path) as host:
        assert control.edit("O0004", "X40. F0.15", "X40. F0.10").blocks[4] == "N40 G01 X40. F0.10"
        with pytest.raises(ValueError, match="F9"):
            control.edit("O0004", "F9", "F8")
        with pytest.raises(KeyError):
            control.punch("O9999")
        control.punch("O0004")
        begun = host.read(even(b"N40"))
        host.write(b"\x93")
        run_on = host.quiet(0.1)
        assert control.mode is Mode.PUNCHING
        assert control.tape_punch.stops == 1
        assert host.quiet(0.1) == b""
        host.write(b"\x11")
        image = "%\n" + "".join(f"{b}\n" for b in (*blocks[:4], "N40 G01 X40. F0.10", *blocks[5:])) + "%\n"
        whole = b"\x12" + bytes(6) + even(image.encode()) + bytes(4) + b"\x14"
        assert begun + run_on + host.read(b"\x14") == whole
        assert control.wait_for(lambda: control.mode is Mode.OFF, 120)


@pytest.mark.parametrize("stop", [0x13, 0x93])
def test_the_punch_stops_within_its_characters(stop):
    """A control that sends stops within 10 characters of DC3 (two connection manuals); this one is built for 4."""
    with Hand(ISO) as hand:
        pieces_in(hand.control, {"O0001": ("O0001", *["N1 G01 X1."] * 40)})
        hand.control.punch("O0001")
        hand.go(0.1, 0.001)
        before = len(hand.heard())
        hand.host.send(bytes([stop]))
        hand.go(0.5, 0.001)
        assert len(hand.heard()) <= 4 + 2, "two more pass while the DC3 itself is on the line"
        assert hand.control.mode is Mode.PUNCHING
        hand.host.send(b"\x11")
        hand.go(0.5, 0.001)
        assert hand.heard().endswith(b"\x14")
        assert 90 < before <= 96


def test_noise_hits_the_one_character_that_it_names():
    image = bytes.fromhex(TAPE["iso840_hex"])
    with Hand(ISO) as hand:
        pieces_in(hand.control, {"O0001": BLOCKS})
        fault = TAPE["parity_faults"][0]
        hand.control.punch("O0001", FlippedBit(fault["bad_index"], 0))
        hand.go(0.1, 0.001)
        assert hand.heard()[1:-1] == bytes.fromhex(fault["hex"])
        hand.control.punch("O0001", LostChar(3), FlippedBit(5, 7))
        hand.go(0.1, 0.001)
        flipped = image[:5] + bytes([image[5] ^ 0x80]) + image[6:]
        assert hand.heard()[1:-1] == flipped[:3] + flipped[4:]


def test_a_punch_gives_no_more_than_the_line_carries():
    with Hand(ISO) as hand:
        pieces_in(hand.control, {"O0001": ("O0001", *["N1 G01 X1."] * 40)})
        hand.control.punch("O0001")
        came = [0]
        for step in (0.001, 0.002, 0.0007, 0.05, 0.001, 0.3, 0.001) * 4:
            hand.go(step, step)
            came.append(came[-1] + len(hand.heard()))
            assert came[-1] <= (hand.now - 100.0) * 960
        assert max(b - a for a, b in pairwise(came)) <= 4, "a late thread makes up for four characters and no more"


def test_what_stops_a_reading_is_shown_as_an_alarm():
    full = tuple(f"N{n} G01 X{n}." for n in range(10, 99))
    cases = [
        (b"%\nO0007\nN10 G00\nM30\n%\n", 9, Alarm.PARITY),
        (b"%\nO0007\n" + b"".join(b"N1 G01 X1.\n" for _ in range(90)) + b"%\n", -1, Alarm.MEMORY_FULL),
        (b"%\nN10 G00 X1.\nM30\n%\n", -1, Alarm.NO_NUMBER),
    ]
    for text, flip, alarm in cases:
        with Hand(
            Build(memory_m=5.0)
        ) as hand:  # 5 m of tape: 1,968 characters (vectors/tape_length.json: 393.7 a metre)
            pieces_in(hand.control, {"O0001": full})
            wire = bytearray(even(text))
            if flip >= 0:
                wire[flip] ^= 0x01
            hand.control.read_in()
            hand.host.send(wire)
            hand.go(2.0, 0.01)
            assert (hand.control.alarm, hand.control.mode) == (alarm, Mode.OFF)
            assert list(hand.control.memory.programs) == ["O0001"]
            assert hand.heard() == b"\x11\x93"
            hand.control.reset()
            assert hand.control.alarm is Alarm.NONE


def test_eighty_metres_of_tape():
    """vectors/tape_length.json: 80 m hold 31,496 characters (arithmetic)."""
    control = StandIn(Build(memory_m=80.0))
    assert control.memory.free_chars == 31_496
    control.close()


@pytest.mark.parametrize(
    ("text", "mark_line", "blocks"),
    [
        ("REMARK\n%\nO12\n\nM30\n%\nREST", "", ("O12", "", "M30")),
        ("%O12 RING\nN1 (100 % OF IT)\nM30\n%\n", "O12 RING", ("N1 (100 % OF IT)", "M30")),
        ("\n:12\nM30\n%", "", (":12", "M30")),
    ],
)
def test_the_label_is_skipped_and_a_mark_counts_at_the_start_of_a_block(text, mark_line, blocks):
    with Hand(ISO) as hand:
        hand.control.read_in()
        hand.host.send(even(text.encode()))
        hand.go(0.1, 0.001)
        assert hand.control.memory.programs == {"O12": Stored("O12", mark_line, blocks)}


def test_a_yard_serves_many_at_their_own_rates():
    builds = [Build(baud=baud) for baud in (2400, 4800, 9600, 19200)] * 6
    controls = [StandIn(build) for build in builds]
    with Yard(*controls):
        hosts = [Host(control.path) for control in controls]
        for control, host in zip(controls, hosts, strict=True):
            control.read_in()
            host.write(even(b"%\nO0001\n" + b"N10 G01 X1.\n" * int(control.build.baud / 24) + b"%\n")[:4000])
        for control in controls:
            want = int(control.build.baud / 20)
            assert control.wait_for(lambda control=control, want=want: len(control.taken) >= want, 120)
        for control in controls:
            assert control.figures().line_used(control.build.char_s) == pytest.approx(1.0, abs=0.01)
        for host in hosts:
            os.close(host.fd)
