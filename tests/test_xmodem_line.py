"""The sending and receiving ends that a station uses on an XMODEM line, joined by a simulated line on a fake clock."""

import random

import pytest

from dncd import defaults
from dncd.choices import Protocol, StartOn
from dncd.line.outgoing import Shape
from dncd.line.packet_protocols import Offer
from dncd.line.packet_receiving import PacketReceiving
from dncd.line.packet_sending import PacketSending
from dncd.line.receiving import Began, CaptureEnd, Caught, Ended, Wished
from dncd.line.starting import Starts
from dncd.values import Frame, LineSettings, Result, SendSettings

KINDS = (Protocol.XMODEM, Protocol.XMODEM_CRC, Protocol.XMODEM_1K, Protocol.YMODEM)
IMAGE = b"%\n" + b"".join(b"N%d G01 X%d.5\n" % (n, n) for n in range(10, 3000, 10)) + b"%\n"


def line(kind):
    return LineSettings("x", baud=9600, frame=Frame.parse("8N1"), protocol=kind)


def sender(kind, image=IMAGE, now=0.0, wish=b"", **send):
    end = PacketSending(
        line(kind),
        SendSettings(**send),
        Offer("0001.nc", len(image)),
        now,
        Shape(len(image), len(image), b"\n"),
        wish=wish,
    )
    end.supply(image)
    return end


class Link:
    """Two ends and what flies between them; characters take their time at 9600 baud."""

    def __init__(self, out, back, spoil=lambda _: _):
        self.out, self.back, self.spoil, self.now, self.events = out, back, spoil, 0.0, []

    def run(self, until_s=600.0):
        to_back, to_out = [], []
        while self.now < until_s and self.out.outcome is None:
            if part := self.out.allowed(self.now):
                self.out.wrote(len(part), len(part), self.now)
                to_back.append((self.out.clock.busy_until, self.spoil(part)))
            self.out.tick(self.now)
            self.events += self.back.tick(self.now)
            if said := self.back.outgoing():
                to_out.append((self.now + 0.001, said))
            due = [t for t, _ in to_back + to_out]
            due += [d for d in (self.out.next_due(), self.back.next_due()) if d is not None]
            self.now = max(self.now + 1e-4, min(due, default=self.now + 0.1))
            while to_back and to_back[0][0] <= self.now:
                self.events += self.back.feed(to_back.pop(0)[1], self.now)
            while to_out and to_out[0][0] <= self.now:
                self.out.feed(to_out.pop(0)[1], self.now)
            if any(isinstance(e, Ended) for e in self.events):
                self.back.recorded()
        return b"".join(e.data for e in self.events if isinstance(e, Caught))


@pytest.mark.parametrize("kind", KINDS)
def test_a_program_arrives_whole(kind):
    link = Link(sender(kind), PacketReceiving(line(kind), 0.0))
    assert link.run() == IMAGE
    assert link.out.outcome.result is Result.SENT
    assert link.out.outcome.chars == len(IMAGE)
    assert [type(e) for e in link.events if not isinstance(e, Caught)] == [Began, Ended]
    assert link.events[-1].why is CaptureEnd.PACKETS
    assert link.events[-1].name == ("0001.nc" if kind is Protocol.YMODEM else "")


@pytest.mark.parametrize("kind", KINDS)
def test_damaged_packets_go_out_again_and_the_receipt_says_so(kind):
    chance, seen = random.Random(7), [0]

    def spoil(part):
        seen[0] += 1
        if seen[0] % 4:
            return part
        hit = bytearray(part)
        hit[chance.randrange(len(hit))] ^= 1 << chance.randrange(8)
        return bytes(hit)

    link = Link(sender(kind), PacketReceiving(line(kind), 0.0), spoil)
    assert link.run() == IMAGE
    assert link.out.outcome.result is Result.SENT
    assert "out again" in link.out.outcome.notes[0]


def test_a_control_that_holds_its_answer_for_an_hour_holds_the_line():
    out = sender(Protocol.XMODEM, drip_feed=True, wish=b"\x15")
    now = 0.0
    part = out.allowed(now)
    assert part[:3] == b"\x01\x01\xfe"
    out.wrote(len(part), len(part), now)
    while now < 3600:
        due = out.next_due()
        now = 3600.0 if due is None else max(due, now + 1e-3)
        out.tick(now)
        assert out.outcome is None
        assert out.allowed(now) == b""  # nothing is repeated into a control that cuts
    assert out.held_for(now) > 3590
    out.feed(b"\x06", now)
    assert out.handed_over == 128
    assert out.held_since is None
    assert out.allowed(now)[:3] == b"\x01\x02\xfd"


def test_a_receiver_that_never_asks_ends_it_at_stall_s():
    out = sender(Protocol.XMODEM, stall_s=30)
    out.tick(29.9)
    assert out.outcome is None
    out.tick(30.1)
    assert out.outcome.result is Result.INTERRUPTED
    assert "30 s" in out.outcome.reason


def test_a_stop_says_cancel_and_nothing_else():
    out = sender(Protocol.XMODEM, wish=b"\x15")
    part = out.allowed(0.0)
    out.wrote(40, len(part), 0.0)
    out.stop("withdrawn", 0.1)
    assert out.outcome.reason == "withdrawn"
    assert out.last_words() == b"\x18" * 8  # the rest of the packet is not sent any more
    assert out.allowed(0.1) == b""


def test_the_line_that_sends_is_not_asked():
    idle = PacketReceiving(line(Protocol.XMODEM), 0.0)
    idle.tick(0.0)
    assert idle.outgoing() == b"\x15"
    idle.rest()
    assert (idle.next_due(), idle.tick(100.0), idle.outgoing()) == (None, [], b"")
    idle.listen(100.0)
    idle.tick(100.0 + defaults.XMODEM_REST_S - 0.1)
    assert idle.outgoing() == b""
    idle.tick(100.0 + defaults.XMODEM_REST_S)
    assert idle.outgoing() == b"\x15"


def test_a_wish_is_told_and_stops_the_asking_for_a_while():
    idle = PacketReceiving(line(Protocol.XMODEM_CRC), 0.0)
    idle.tick(0.0)
    assert idle.outgoing() == b"C"
    (wished,) = idle.feed(b"C", 1.0)
    assert isinstance(wished, Wished)
    for now in range(2, 16):
        idle.tick(float(now))
        assert idle.outgoing() == b""
    idle.tick(16.1)
    assert idle.outgoing() == b"C"


def test_the_last_answer_waits_for_the_records():
    back = PacketReceiving(line(Protocol.XMODEM), 0.0)
    link = Link(sender(Protocol.XMODEM, b"%\nO1\n%\n"), back)
    back.recorded = lambda: None  # the records are slow
    link.run(8.0)
    assert link.out.outcome is None
    assert [e.why for e in link.events if isinstance(e, Ended)] == [CaptureEnd.PACKETS]
    PacketReceiving.recorded(back)
    link.run(30.0)
    assert link.out.outcome.result is Result.SENT


def test_a_slow_disk_keeps_the_answers_back():
    back = PacketReceiving(line(Protocol.XMODEM), 0.0)
    back.hold(True)
    back.tick(0.0)
    assert back.outgoing() == b""
    back.hold(False)
    assert back.outgoing() == b"\x15"


def test_the_port_that_goes_away_ends_the_capture_as_it_is():
    out, back = sender(Protocol.XMODEM), PacketReceiving(line(Protocol.XMODEM), 0.0)
    link = Link(out, back)
    link.run(3.0)
    (ended,) = back.stop(3.0)
    assert ended.why is CaptureEnd.STOPPED
    assert ended.chars == sum(len(e.data) for e in link.events if isinstance(e, Caught)) > 128


def test_a_wish_starts_one_program_and_only_while_it_is_fresh():
    starts = Starts(SendSettings(start_on=StartOn.NOW), Protocol.XMODEM)
    assert not starts.allows(0.0, 0.0)
    starts.wished(b"C", 10.0)
    assert starts.allows(0.0, 10.0 + defaults.XMODEM_WISH_S)
    assert not starts.allows(0.0, 10.1 + defaults.XMODEM_WISH_S)
    starts.wished(b"\x15", 20.0)
    assert starts.wish_at_hand(20.0) == b"\x15"
    starts.sending_began()
    assert not starts.allows(0.0, 20.0)
    starts.sending_ended(30.0)
    starts.wished(b"\x15", 30.5)  # an answer to the last packets, late
    assert not starts.allows(0.0, 30.5)
    starts.wished(b"\x15", 33.0)
    assert starts.allows(0.0, 33.0)


def test_a_go_stands_above_the_wish():
    starts = Starts(SendSettings(start_on=StartOn.GO), Protocol.XMODEM)
    starts.wished(b"C", 1.0)
    assert not starts.allows(0.0, 1.0)
    starts.go()
    assert starts.allows(0.0, 1.0)


@pytest.mark.parametrize("baud", [300, 600])
def test_a_packet_that_takes_longer_than_an_answer_is_not_repeated_before_it_has_left(baud):
    """1029 characters of ten bits are 34.3 s at 300 baud and 17.15 s at 600, both more than XMODEM_UNASKED_S."""
    line = LineSettings("x", baud=baud, frame=Frame.parse("8N1"), protocol=Protocol.XMODEM_1K)
    image = bytes(2048)
    out = PacketSending(
        line, SendSettings(), Offer("0001.nc", len(image)), 0.0, Shape(len(image), len(image), b"\n"), wish=b"C"
    )
    out.supply(image)
    assert len(out.allowed(0.0)) == 1029
    out.wrote(1029, 1029, 0.0)
    now = 0.0
    while now < 10290 / baud + 1:
        now = min(out.next_due(), 10290 / baud + 1)
        out.tick(now)
        assert out.allowed(now) == b""
    out.feed(b"\x06", now)
    assert out.handed_over == 1024
    assert out.repeats == []


def test_a_packet_that_hardware_flow_keeps_back_is_not_piled_up_and_ends_at_stall_s():
    out = sender(Protocol.XMODEM, stall_s=60, wish=b"\x15")
    out.gate(False, 0.1)
    for now in range(1, 60):
        out.tick(float(now))
    assert out.outcome is None
    out.gate(True, 59.5)
    assert len(out.allowed(59.5)) == 132
    out.gate(False, 59.6)
    out.tick(out.next_due())
    assert out.outcome.result is Result.INTERRUPTED
    assert "the control held the line for longer than stall_s = 60 s" in out.outcome.reason
    assert out.last_words().startswith(b"\x18\x18")


def test_an_echo_is_no_wish_but_a_control_that_asks_is_heard():
    """A loopback plug left on the port gives dncd's own C back."""
    idle = PacketReceiving(line(Protocol.XMODEM_CRC), 0.0)
    idle.tick(0.0)
    assert idle.outgoing() == b"C"
    assert idle.feed(b"C", 0.01) == []
    assert idle.outgoing() == b""
    (wished,) = idle.feed(b"C", 3.0)  # a receiver says the next one after 3 s (reference of 1988, 7.3)
    assert isinstance(wished, Wished)


def test_a_line_that_hardware_flow_closes_is_a_hold():
    out = sender(Protocol.XMODEM, wish=b"\x15")
    out.gate(True, 0.0)
    assert out.held_since is None
    out.gate(False, 1.0)
    assert (out.holds, out.held_since) == (1, 1.0)
    assert out.allowed(1.0) == b""
    out.gate(True, 4.0)
    assert out.held_s == 3.0
    assert out.allowed(4.0)[:1] == b"\x01"


def test_a_wish_soon_after_our_own_is_none_of_an_echo_where_the_next_does_not_come_back():
    """A control may ask by chance just after dncd has: its program must not wait until it asks again."""
    idle = PacketReceiving(line(Protocol.XMODEM_CRC), 0.0)
    idle.tick(0.0)
    assert idle.outgoing() == b"C"
    assert idle.feed(b"C", 0.3) == []
    idle.tick(idle.next_due())
    assert idle.outgoing() == b"C"
    now = idle.next_due()
    (wished,) = idle.tick(now)
    assert isinstance(wished, Wished)
    assert (wished.wish, now < 2.0) == (b"C", True)
    assert idle.next_due() > now + 10, "it is answered, so nothing is asked meanwhile"


def test_a_plug_gives_every_wish_back_and_never_starts_a_program():
    idle = PacketReceiving(line(Protocol.XMODEM_CRC), 0.0)
    now, asked = 0.0, 0
    while now < 300.0:
        events = idle.tick(now)
        if said := idle.outgoing():
            asked += 1
            events += idle.feed(said, now + 0.02)
        assert events == []
        now = max(now + 0.03, idle.next_due())
    assert asked > 20


@pytest.mark.parametrize("wish", [b"C", b"\x15"])
def test_a_control_that_falls_silent_ends_it_at_stall_s(wish):
    kind = Protocol.XMODEM_1K if wish == b"C" else Protocol.XMODEM
    out, now, packets = sender(kind, stall_s=20, wish=wish), 0.0, 0
    left_at = 0.0
    while out.outcome is None:
        if part := out.allowed(now):
            out.wrote(len(part), len(part), now)
            packets += 1
            left_at = out.clock.busy_until if packets <= 3 else left_at
        now = out.next_due()
        out.tick(now)
        if packets < 3:
            out.feed(b"\x06", now + 0.01)
    assert out.outcome.result is Result.INTERRUPTED
    assert out.outcome.reason == "the control did not answer for longer than stall_s = 20 s"
    assert packets > 3, "it was repeated"
    assert now == pytest.approx(left_at + 20)
    assert out.last_words().startswith(b"\x18\x18")


def test_a_packet_is_kept_while_a_device_server_takes_nothing():
    out = sender(Protocol.XMODEM, wish=b"\x15")
    out.suspend(True, 1.0)
    out.gate(False, 1.5)
    out.suspend(False, 2.0)
    assert (out.allowed(2.0), out.holds, out.held_since) == (b"", 1, 1.0)
    out.gate(True, 4.0)
    assert out.held_s == 3.0
    assert out.allowed(4.0)[:1] == b"\x01"
