"""The Kermit machines without a line: packets, terms, every loss and damage at seeded places, seven bits."""

import random

import pytest

from dncd.choices import TapeCode
from dncd.line import kermit_packets as packets
from dncd.line.kermit import Receiver, Sender
from dncd.line.kermit_packets import Packet, Reader, Terms
from dncd.line.packet_machine import Ended, Ending, Patience, Received, Repeated, Started, Wish
from dncd.line.packet_rules import Phase
from dncd.tape.codes import Coder
from dncd.values import Frame, IsoBytes

EIGHT, SEVEN = Frame.parse("8N1"), Frame.parse("7E1")
TEXT = b"%\r\n" + b"".join(b"N%d G01 X%d.5 (&~#)\r\n" % (n, n) for n in range(10, 900, 10)) + b"%\r\n"
ALL = bytes(range(256)) * 3 + b"\0" * 200 + b"\xff" * 5


def sender(data, frame=EIGHT, **more):
    machine = Sender(frame, "O0001.NC", 0.0, **more)
    machine.supply(data, 0.0)
    machine.finish(0.0)
    return machine


class Line:
    """Two machines and a line at 960 characters a second. spoil(whole packet or answer) → what arrives."""

    def __init__(self, here, there, spoil=lambda data: data):
        self.here, self.there, self.spoil, self.now, self.events, self.said = here, there, spoil, 0.0, [], []

    def run(self):
        while self.now < 1e4 and self.here.phase is not Phase.OVER:
            out, back = self.here.outgoing(), self.there.outgoing()
            if not out and not back:
                dues = [due for due in (self.here.next_due(), self.there.next_due()) if due is not None]
                self.now = max(self.now, min(dues))
            self.now += (len(out) + len(back)) / 960
            if out:
                self.here.written(self.now)
            self.events += self.there.feed(self.spoil(out), self.now) if out else []
            self.said += self.here.feed(self.spoil(back), self.now) if back else []
            self.said += self.here.tick(self.now)
            self.events += self.there.tick(self.now)
        return b"".join(event.data for event in self.events if isinstance(event, Received))


# --- packets ---------------------------------------------------------------------------------------------------------


def test_packets_are_as_they_were_published():
    """The manual's example of a no to packet 0 (type 1), and the catalogued check value of the CRC (0x2189)."""
    assert packets.wire(Packet("N", 0), 1) == b"\x01# N3"
    crc = packets.check_chars(b"123456789", 3)
    assert (crc[0] - 32) << 12 | (crc[1] - 32) << 6 | crc[2] - 32 == 0x2189
    total = sum(b"123456789")
    assert packets.check_chars(b"123456789", 2) == bytes([32 + (total >> 6), 32 + (total & 63)])


@pytest.mark.parametrize("check", [1, 2, 3])
def test_no_single_bit_error_passes_for_the_packet(check):
    whole = packets.wire(Packet("D", 7, b"N10 G01 X1.5#M#J"), check)
    for place in range(1, len(whole)):
        for bit in range(7):
            hit = bytearray(whole)
            hit[place] ^= 1 << bit
            found = [packets.read(raw, check) for raw in Reader().feed(bytes(hit))]
            assert [packet for packet in found if packet is not None and packet.kind not in "SN"] == []


@pytest.mark.parametrize("eighth", [-1, ord("&")])
@pytest.mark.parametrize("repeat", [-1, ord("~")])
@pytest.mark.parametrize("data", [ALL, TEXT, b"aaa", b"~~~~&&&&####"])
def test_what_is_coded_is_decoded(data, eighth, repeat):
    terms, out, left = Terms(eighth=eighth, repeat=repeat), b"", data
    while left:
        used, piece = packets.coded(left, 40, terms)
        assert 0 < len(piece) <= 40
        assert not any(char & 0x7F < 32 or char & 0x7F == 127 for char in piece)
        assert eighth == -1 or max(piece) < 0x80
        out, left = out + packets.decoded(piece, terms), left[used:]
    assert out == data


def test_a_reader_finds_packets_among_noise_and_however_they_are_cut():
    good = [packets.wire(Packet("D", n, b"abc"), 3) for n in range(3)]
    stream = b"login: \x01\x01 \x01~~" + good[0] + b"\r\n" + good[1][:5] + good[1] + b"\x01\x20" + good[2] + b"x"
    for size in (1, 2, 3, 7, len(stream)):
        reader = Reader()
        found = [raw for at in range(0, len(stream), size) for raw in reader.feed(stream[at : at + size])]
        assert [packet for raw in found if (packet := packets.read(raw, 3))] == [
            Packet("D", n, b"abc") for n in range(3)
        ]


@pytest.mark.parametrize(
    ("ours", "theirs", "terms"),
    [
        (packets.offer(False, 3), b"", Terms()),
        (packets.offer(False, 3), packets.offer(False, 3), Terms(94, repeat=ord("~"), check=3)),
        (packets.offer(False, 3), packets.offer(False, 2), Terms(94, repeat=ord("~"), check=1)),
        (packets.offer(False, 1), packets.offer(True, 1), Terms(94, eighth=ord("&"), repeat=ord("~"))),
        (packets.offer(True, 3), b"z* @-#N1 ", Terms(90, wait_s=10.0)),
        (packets.offer(False, 3), b"H%#A*$Y3~", Terms(40, 5.0, b"\1\1\1", b"\n", ord("$"), -1, ord("~"), 3)),
    ],
)
def test_terms_are_what_both_can_do(ours, theirs, terms):
    assert packets.agree(ours, theirs) == terms


# --- whole transfers -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("check", [1, 2, 3])
@pytest.mark.parametrize("data", [TEXT, ALL, b"x"])
def test_a_program_arrives_whole_and_by_its_name(data, check):
    line = Line(sender(data, check=check), Receiver(EIGHT))
    assert line.run() == data
    assert line.events[0] == Started("O0001.NC")
    assert line.said[-1] == line.events[-1] == Ended(Ending.DONE, "")
    assert line.here.chars == len(data)


def test_seven_bits_with_parity_carry_the_image_of_such_a_line():
    """The packets have even parity, made here; the image has its own, which is the same before and behind the packets."""
    image = Coder(TapeCode.ISO, SEVEN).encode(IsoBytes(TEXT))
    odd = []
    line = Line(
        sender(image, SEVEN), Receiver(SEVEN), lambda data: odd.extend(c for c in data if c.bit_count() % 2) or data
    )
    assert line.run() == image
    assert odd == []


@pytest.mark.parametrize("patience", list(Patience))
@pytest.mark.parametrize("chance", [0.02, 0.1, 0.3])
def test_lost_and_damaged_packets_lose_and_double_nothing(chance, patience):
    """100 runs with seeded faults: a packet or answer is lost, cut, hit in one bit, or comes twice."""
    done = 0
    for seed in range(100):
        dice = random.Random(seed)

        def spoil(data, dice=dice):
            if dice.random() > chance:
                return data
            hit, place = bytearray(data), dice.randrange(len(data))
            hit[place] ^= 1 << dice.randrange(8)
            return dice.choice([b"", data[:place], bytes(hit), bytes(hit), data + data, data[place:]])

        data = dice.randbytes(300) + TEXT[: 300 + seed]
        line = Line(sender(data, check=3, patience=patience), Receiver(EIGHT), spoil)
        got = line.run()
        assert line.now < 1e4, "no end"
        ends = [event for event in line.said if isinstance(event, Ended)]
        assert len(ends) == 1
        assert data.startswith(got)
        if ends[0].ending is Ending.DONE:
            done += 1
            assert got == data
            assert [event for event in line.events if isinstance(event, Ended)][:1] == [Ended(Ending.DONE, "")]
        else:
            assert ends[0].reason
    assert done >= (95 if chance < 0.3 else 5)


def test_every_single_packet_may_be_lost_or_hit_once():
    """Each crossing in turn, both ways."""
    for kind in ("lost", "hit"):
        for wanted in range(40):
            seen = [0]

            def spoil(data, kind=kind, wanted=wanted, seen=seen):
                seen[0] += 1
                if seen[0] - 1 != wanted:
                    return data
                return b"" if kind == "lost" else data[:-3] + bytes([data[-3] ^ 4]) + data[-2:]

            line = Line(sender(TEXT), Receiver(EIGHT), spoil)
            assert line.run() == TEXT
            assert line.said[-1] == Ended(Ending.DONE, "")
            assert seen[0] > wanted


# --- a control's ways ------------------------------------------------------------------------------------------------


def say(kind, number, data=b"", check=1):
    return packets.wire(Packet(kind, number, data), check) + b"\r"


def test_a_receiver_keeps_still_and_hears_a_wish():
    machine = Receiver(EIGHT)
    assert machine.next_due() is None
    assert machine.feed(say("N", 0), 1.0) == [Wish()]
    assert machine.feed(b"login: " + say("N", 3) + say("E", 0, b"x"), 2.0) == []
    assert (machine.outgoing(), machine.next_due()) == (b"", None)
    machine.ask(3.0)
    machine.tick(3.0)
    assert machine.outgoing() == say("N", 0)


def test_several_files_come_one_after_the_other_and_the_last_yes_is_said_again():
    machine, now = Receiver(EIGHT), 1.0
    events, number = machine.feed(say("S", 0, b"~* @-#N1 "), now), 1
    for name in (b"C:#\\ONE.NC"[:2] + b"\\ONE.NC", b"TWO"):
        for kind, data in (("F", name), ("A", b".#U8"), ("D", b"%#M#Jx"), ("D", b"%"), ("Z", b"")):
            events += machine.feed(say(kind, number, data), now)
            number += 1
    machine.outgoing()
    for _ in range(2):
        events += machine.feed(say("B", number), now)
        assert machine.outgoing() == say("Y", number)
    assert [e for e in events if not isinstance(e, Received)] == [
        Started("ONE.NC"),
        Ended(Ending.DONE, ""),
        Started("TWO"),
        Ended(Ending.DONE, ""),
    ]
    assert b"".join(e.data for e in events if isinstance(e, Received)) == b"%\r\nx%" * 2
    assert machine.feed(say("S", 0, b"~* @-#N1 "), now) == []
    assert machine.phase is Phase.HEADER


@pytest.mark.parametrize(
    ("last", "reason"),
    [
        (("Z", 3, b"D"), "the control took it back"),
        (("E", 3, b"disk full"), "the other side gave up (disk full)"),
        (("S", 0, b"~* @-#N1 "), "the control began anew"),
    ],
)
def test_a_program_that_does_not_come_to_its_end_is_none(last, reason):
    machine = Receiver(EIGHT)
    for kind, number, data in (("S", 0, b"~* @-#N1 "), ("F", 1, b"A"), ("D", 2, b"x")):
        machine.feed(say(kind, number, data), 1.0)
    (ended,) = machine.feed(say(*last), 2.0)
    assert (ended.ending is not Ending.DONE, ended.reason) == (True, reason)


def test_an_echo_of_our_own_answers_is_no_packet():
    machine = Receiver(EIGHT)
    machine.feed(say("S", 0, b"~* @-#N1 "), 1.0)
    said = machine.outgoing()
    assert machine.feed(said, 1.1) == []
    assert machine.outgoing() == b""


def test_a_receiver_that_gives_up_says_so_and_why():
    machine, events = Receiver(EIGHT), []
    machine.feed(say("S", 0, b"~* @-#N1 ") + say("F", 1, b"A") + say("D", 2, b"x"), 1.0)
    while machine.phase is not Phase.OVER:
        machine.outgoing()
        events += machine.tick(machine.next_due())
    assert [type(event) for event in events] == [Repeated] * 9 + [Ended]
    assert events[-1].reason == "packet 3 did not come whole in 10 tries"
    assert machine.outgoing().startswith(b"\x01")


def test_a_sender_offers_until_it_is_answered_or_its_time_is_over():
    machine, offers = sender(TEXT, start_s=100.0), 0
    while machine.phase is not Phase.OVER:
        events = machine.tick(machine.next_due())
        offers += machine.outgoing().count(b" S~")
    assert offers == 10
    assert events == [Ended(Ending.FAILED, "the receiver did not answer in time")]


def test_a_patient_sender_lets_the_control_hold_its_answer():
    machine = sender(TEXT, patience=Patience.WAIT)
    machine.tick(0.0)
    machine.feed(say("Y", 0, b"~* @-#N1 ") + say("Y", 1), 1.0)
    assert (machine.phase, machine.answer_due, machine.next_due()) == (Phase.REPLY, True, None)
    machine.feed(say("Y", 2, b"X"), 2.0)
    assert machine.phase is Phase.OVER
    assert packets.read(Reader().feed(machine.outgoing())[-1], 1).kind == "E"
