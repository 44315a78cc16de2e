"""The XMODEM machines without a line: vectors, every phase with every event, all ways of feeding, a lossy line."""

import json
import math
import random
from pathlib import Path

import pytest
import strategies
from hypothesis import given
from hypothesis import strategies as st

from dncd.choices import Protocol
from dncd.line.packet_machine import Acknowledged, Ended, Ending, Patience, Received, Repeated, Started
from dncd.line.packet_rules import RECEIVING, SENDING, Cause, Phase
from dncd.line.xmodem import Check, Receiver, Sender, check_bytes, packet

VECTORS = Path(__file__).parent / "vectors"
# Source: XMODEM/YMODEM reference of 1988, chapters 7 and 8; packets computed with fastcrc, crccheck, crcmod (verified).
XMODEM = json.loads((VECTORS / "xmodem.json").read_text())
CHECKS = json.loads((VECTORS / "checks.json").read_text())
BYTES = XMODEM["bytes"]
SOH, STX, EOT, ACK, NAK, CAN, SUB, C = (
    bytes([BYTES[name]]) for name in ("SOH", "STX", "EOT", "ACK", "NAK", "CAN", "SUB_pad", "C")
)
NUMBERS = XMODEM["numbers"]
KINDS = [Protocol.XMODEM, Protocol.XMODEM_CRC, Protocol.XMODEM_1K]
DATA = random.Random(7).randbytes(300)


def sender(kind=Protocol.XMODEM_CRC, data=DATA, **more):
    machine = Sender(kind, 0.0, **more)
    machine.supply(data, 0.0)
    machine.finish(0.0)
    return machine


def receiver(kind=Protocol.XMODEM_CRC):
    machine = Receiver(kind, 0.0)
    machine.outgoing()
    return machine


def due(machine):
    """Moves the clock to the due time; what happened, and what time it is."""
    now = machine.next_due()
    assert now is not None
    return machine.tick(now), now


# --- vectors ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("example", XMODEM["examples"], ids=lambda e: e["id"])
def test_packets_are_those_of_the_vectors(example):
    data, size, number = bytes.fromhex(example["payload_hex"]), example["block_size"], example["block_no"]
    for key, check in (("checksum_packet_hex", Check.SUM), ("crc_packet_hex", Check.CRC)):
        if example[key] is not None:
            assert packet(number, data, size, check) == bytes.fromhex(example[key])


def test_the_crc_is_the_catalogued_one():
    """checks.json: CRC catalogue row, fastcrc, crccheck, crcmod (verified)."""
    row = CHECKS["crc16_xmodem"]
    assert check_bytes(row["check_input_ascii"].encode(), Check.CRC).hex() == row["check"][2:].lower()
    assert check_bytes(bytes(128), Check.CRC).hex() == CHECKS["crc16_128_zero"][2:].lower()
    assert check_bytes(SUB * 128, Check.CRC).hex() == CHECKS["crc16_128_0x1A"][2:].lower()


def test_the_exchange_of_the_vectors_as_receiver_and_as_sender():
    steps = [(who, bytes.fromhex(data)) for who, data in XMODEM["exchange_checksum_hex"]["steps"]]
    program = bytes.fromhex(XMODEM["examples"][1]["payload_hex"])
    here, there = Receiver(Protocol.XMODEM, 0.0), sender(Protocol.XMODEM, program)
    got, now = b"", 0.0
    for who, data in steps:
        now += 0.5
        if who == "rx":
            if not (said := here.outgoing()):
                events, now = due(here)
                said = here.outgoing()
                assert events == [Ended(Ending.DONE, "")]
            assert said == data
            there.feed(data, now)
        else:
            assert there.outgoing() == data
            got += b"".join(e.data for e in here.feed(data, now) if isinstance(e, Received))
    assert got.rstrip(SUB) == program
    assert there.phase is here.phase is Phase.OVER
    assert there.chars == len(program)


# --- the receiver's wishes and times ---------------------------------------------------------------------------------


def test_a_receiver_asks_for_crc_then_for_checksum_then_gives_up():
    machine, said, times = Receiver(Protocol.XMODEM_CRC, 0.0), [], []
    events = []
    while machine.phase is Phase.START:
        said.append(machine.outgoing())
        events, now = due(machine)
        times.append(now)
    assert said == [C] * 3 + [NAK] * NUMBERS["retries"]
    waits = [b - a for a, b in zip([0.0, *times], times, strict=False)]
    assert waits == [NUMBERS["crc_start_wait_s"]] * 3 + [NUMBERS["receiver_timeout_s"]] * NUMBERS["retries"]
    assert [event.ending for event in events] == [Ending.FAILED]


def test_after_the_fall_back_either_check_is_understood():
    """A sender that took the first C sends CRC although the receiver now says NAK."""
    for check in Check:
        machine, now, events = receiver(), 0.0, []
        while machine.check is Check.CRC:
            now = due(machine)[1]
        assert machine.outgoing()[-1:] == NAK
        for _ in range(3):
            now += 0.1
            events += machine.feed(packet(1, DATA[:128], 128, check), now)
            if machine.phase is Phase.PURGING:
                now = due(machine)[1]
        assert Started() in events
        assert [e for e in events if isinstance(e, Received)] == [Received(DATA[:128])]


def test_a_packet_that_stops_half_way_is_asked_for_again_after_a_second():
    machine = receiver()
    machine.feed(packet(1, DATA[:128], 128, Check.CRC)[:70], 5.0)
    assert machine.next_due() == 5.0 + NUMBERS["inter_char_timeout_s"]
    assert due(machine)[0] == [Repeated("packet 1 did not come whole")]
    assert machine.outgoing() == NAK


def test_a_damaged_packet_is_asked_for_again_once_the_line_is_quiet():
    machine = receiver()
    bad = bytearray(packet(1, DATA[:128], 128, Check.CRC))
    bad[50] ^= 4
    assert machine.feed(bytes(bad), 1.0) == []
    machine.feed(b"rest", 1.5)
    assert machine.outgoing() == b""
    assert machine.next_due() == 2.5
    due(machine)
    assert machine.outgoing() == NAK


def test_ten_damaged_packets_end_the_transfer():
    machine, now, said = receiver(), 1.0, b""
    machine.feed(packet(1, DATA[:128], 128, Check.CRC), now)
    events = []
    while machine.phase is not Phase.OVER:
        events += machine.feed(packet(2, DATA[:128], 128, Check.SUM) + b"\0", now + 0.5)
        more, now = due(machine)
        events += more
        said += machine.outgoing()
    assert events[-1] == Ended(Ending.FAILED, "packet 2 did not come whole in 10 tries")
    assert said == ACK + NAK * 9 + CAN * 8


def test_a_repeated_packet_is_acknowledged_and_not_delivered():
    machine = receiver()
    first = packet(1, DATA[:128], 128, Check.CRC)
    assert machine.feed(first, 1.0)[-1] == Received(DATA[:128])
    machine.outgoing()
    assert machine.feed(first, 2.0) == []
    assert machine.outgoing() == ACK
    assert machine.feed(packet(2, DATA[128:256], 128, Check.CRC), 3.0) == [Received(DATA[128:256])]


@pytest.mark.parametrize(("taken", "number"), [(0, 0), (0, 2), (2, 0), (2, 1), (2, 4), (2, 255)])
def test_any_other_number_is_fatal(taken, number):
    """Number 0 before any packet is no repetition: another protocol of the family begins with it."""
    machine = receiver()
    for n in range(1, taken + 1):
        machine.feed(packet(n, DATA[:128], 128, Check.CRC), 1.0)
    machine.outgoing()
    events = machine.feed(packet(number, DATA[:128], 128, Check.CRC), 2.0)
    assert events == [Ended(Ending.FAILED, f"packet {number} came where {taken + 1} was due")]
    assert machine.outgoing() == CAN * 8


def test_numbers_go_on_from_255_to_0():
    machine, there, now = receiver(), sender(data=DATA[:128] * 300), 0.0
    there.feed(C, 0.0)
    got = 0
    while there.phase is Phase.REPLY:
        now += 1.0
        got += sum(isinstance(event, Received) for event in machine.feed(there.outgoing(), now))
        there.feed(machine.outgoing(), now)
    assert got == 300
    assert there.outgoing() == EOT


def test_an_eot_is_the_end_only_if_the_line_stays_quiet():
    machine = receiver()
    first = packet(1, DATA[:128], 128, Check.CRC)
    machine.feed(first, 1.0)
    machine.outgoing()
    machine.feed(EOT + packet(2, DATA[:128], 128, Check.CRC)[1:], 2.0)  # SOH hit on the way
    assert due(machine)[0] == [Repeated("packet 2 did not come whole")]
    assert machine.outgoing() == NAK
    machine.feed(EOT, 5.0)
    assert (machine.outgoing(), machine.next_due()) == (b"", 5.0 + NUMBERS["inter_char_timeout_s"])
    assert due(machine)[0] == [Ended(Ending.DONE, "")]
    assert machine.outgoing() == ACK
    machine.feed(EOT, 15.0)  # our ACK was lost
    assert machine.outgoing() == ACK


def test_the_cans_of_a_sender_count_after_half_a_packet_too():
    machine = receiver()
    machine.feed(b"\x01\x09\x09" + b"junk" + CAN * 5 + b"\x08" * 5, 1.0)
    assert [event.ending for event in due(machine)[0]] == [Ending.ABORTED]


def test_a_babbling_peer_cannot_hold_the_line():
    machine, now, events = receiver(), 0.0, []
    machine.feed(packet(1, DATA[:128], 128, Check.CRC), now)
    while machine.phase is not Phase.OVER and now < 1000:
        now += 0.5
        events += machine.feed(b"BABBLE ", now)
        events += machine.tick(now)
    assert events[-1].ending is Ending.FAILED
    assert now < 10 * (NUMBERS["receiver_timeout_s"] + 2)


# --- the sender ------------------------------------------------------------------------------------------------------


def test_a_sender_waits_a_minute_for_the_start_or_as_long_as_it_is_told():
    machine = sender()
    assert machine.next_due() == NUMBERS["sender_first_wait_s"]
    assert [event.ending for event in due(machine)[0]] == [Ending.FAILED]
    assert sender(start_s=math.inf).next_due() is None


def test_checksum_only_waits_for_nak():
    machine = sender(Protocol.XMODEM)
    assert machine.feed(C, 1.0) == []
    assert machine.feed(NAK, 4.0) == [Started()]
    assert machine.outgoing() == packet(1, DATA[:128], 128, Check.SUM)


def test_large_packets_and_small_ones_for_the_rest():
    """Up to seven small packets carry the rest; a longer rest goes in a large one (reference of 1988)."""
    for length, sizes in ((2048, [1024, 1024]), (1024 + 897, [1024, 1024]), (1024 + 896, [1024] + [128] * 7)):
        machine, now, seen, chars = sender(Protocol.XMODEM_1K, b"x" * length), 1.0, [], 0
        machine.feed(C, now)
        while machine.phase is Phase.REPLY:
            seen.append(len(machine.outgoing()) - 5)
            now += 1
            chars += sum(event.chars for event in machine.feed(ACK, now) if isinstance(event, Acknowledged))
        assert (seen, chars) == (sizes, length)


def test_1k_falls_to_small_packets_with_checksum():
    machine = sender(Protocol.XMODEM_1K, b"x" * 2000)
    machine.feed(NAK, 1.0)
    assert machine.outgoing() == packet(1, b"x" * 128, 128, Check.SUM)


def test_an_answer_from_before_the_packet_was_written_is_none():
    machine = sender()
    machine.feed(C * 5, 1.0)
    assert machine.outgoing() == packet(1, DATA[:128], 128, Check.CRC)
    machine.feed(C, 1.0)
    machine.written(1.4)
    machine.feed(ACK, 1.4)
    assert machine.phase is Phase.REPLY
    assert machine.chars == 0
    assert machine.next_due() > 1.4 + NUMBERS["receiver_timeout_s"], "the receiver asks first"
    assert machine.feed(ACK, 1.5) == [Acknowledged(128)]


def test_a_late_answer_does_not_put_both_sides_out_of_step():
    """The packet is repeated unasked, then both copies are acknowledged: the second ACK is not for the next packet."""
    machine = sender()
    machine.feed(C, 1.0)
    first = machine.outgoing()
    now = due(machine)[1]
    assert machine.outgoing() == first
    assert machine.feed(ACK, now + 0.1) == [Acknowledged(128)]
    assert machine.feed(ACK, now + 0.3) == []
    assert machine.outgoing() == b""
    due(machine)
    assert machine.outgoing() == packet(2, DATA[128:256], 128, Check.CRC)


def test_a_patient_sender_lets_the_control_hold_its_ack_for_an_hour():
    machine = sender(patience=Patience.WAIT)
    machine.feed(C, 1.0)
    machine.outgoing()
    assert machine.next_due() is None
    assert machine.tick(3601.0) == []
    assert machine.feed(ACK, 3602.0) == [Acknowledged(128)]


@pytest.mark.parametrize("data", [DATA, b""], ids=["a packet", "EOT"])
@pytest.mark.parametrize("how", [NAK, b""], ids=["NAK", "silence"])
def test_ten_tries_end_a_sending(data, how):
    machine, now, events = sender(data=data), 1.0, list[object]()
    machine.feed(C, now)
    while machine.phase is not Phase.OVER:
        if how:
            now += 1.0
            events += machine.feed(how, now)
        else:
            more, now = due(machine)
            events += more
    assert [type(event) for event in events] == [Repeated] * 9 + [Ended]
    assert events[-1].ending is Ending.FAILED
    assert machine.outgoing().endswith(CAN * 8)


def test_eot_is_repeated_until_it_is_acknowledged():
    machine = sender(data=b"")
    machine.feed(C, 1.0)
    assert machine.outgoing() == EOT
    machine.feed(NAK, 2.0)
    assert machine.outgoing() == EOT
    due(machine)
    assert machine.outgoing() == EOT
    assert machine.feed(ACK, 30.0) == [Ended(Ending.DONE, "")]


def test_a_sender_is_supplied_as_it_goes():
    machine, now = Sender(Protocol.XMODEM_CRC, 0.0), 1.0
    assert machine.wanted == 2048
    machine.feed(C, now)
    assert (machine.phase, machine.outgoing(), machine.next_due()) == (Phase.DATA, b"", None)
    machine.supply(DATA[:100], now)
    assert (machine.outgoing(), machine.wanted) == (b"", 1948)
    machine.supply(DATA[100:200], now)
    assert machine.outgoing() == packet(1, DATA[:128], 128, Check.CRC)
    machine.feed(ACK, 2.0)
    assert machine.phase is Phase.DATA
    machine.finish(3.0)
    assert machine.outgoing() == packet(2, DATA[128:200], 128, Check.CRC)
    assert machine.wanted == 0


@pytest.mark.parametrize("make", [sender, receiver])
def test_one_can_is_nothing_two_are_an_abort(make):
    machine = make()
    machine.feed(CAN, 1.0)
    machine.feed(b"x" + CAN + b"x" + CAN, 2.0)
    assert machine.phase is Phase.START
    assert [event.ending for event in machine.feed(CAN, 3.0)] == [Ending.ABORTED]
    assert machine.next_due() is None


@pytest.mark.parametrize("make", [sender, receiver])
def test_cancel_says_can_and_is_told_once(make):
    machine = make()
    assert machine.cancel(1.0) == [Ended(Ending.CANCELLED, "cancelled here")]
    assert machine.outgoing() == CAN * 8
    assert machine.cancel(2.0) == []
    assert machine.outgoing() == b""


@pytest.mark.parametrize("machine", [Sender, Receiver])
def test_plain_is_no_kind_of_packet(machine):
    with pytest.raises(ValueError, match="packets"):
        machine(Protocol.PLAIN, 0.0)


# --- every phase with every event ------------------------------------------------------------------------------------

SAID = {
    Cause.ACK: ACK,
    Cause.NAK: NAK,
    Cause.C: C,
    Cause.SOH: SOH,
    Cause.STX: STX,
    Cause.EOT: EOT,
    Cause.CANCEL: CAN * 2,
    Cause.OTHER: b"x",
}
COMING = {
    Cause.GOOD: packet(2, DATA[:128], 128, Check.CRC),
    Cause.AGAIN: packet(1, DATA[:128], 128, Check.CRC),
    Cause.BAD: b"\x01\x02\xfd" + bytes(129) + b"\x07",
    Cause.STRAY: packet(9, DATA[:128], 128, Check.CRC),
}


def sender_in(phase):
    machine = Sender(Protocol.XMODEM_CRC, 0.0)
    if phase is Phase.START:
        return machine, 0.0
    if phase is not Phase.DATA:
        machine.supply(b"" if phase is Phase.EOT else DATA, 0.0)
        machine.finish(0.0)
    machine.feed(C, 1.0)
    now = 1.0
    if phase is Phase.SETTLING:
        now = due(machine)[1] + 0.1
        machine.feed(ACK, now)
    if phase is Phase.OVER:
        machine.cancel(now)
    return machine, now


def receiver_in(phase):
    machine = receiver()
    if phase is not Phase.START:
        machine.feed(packet(1, DATA[:128], 128, Check.CRC), 1.0)
    machine.feed({Phase.INSIDE: SOH, Phase.PURGING: b"x", Phase.EOT: EOT, Phase.OVER: EOT}.get(phase, b""), 1.0)
    if phase is Phase.OVER:
        due(machine)
    return machine, 3.0 if phase is Phase.OVER else 1.0


def happens(machine, heard, now):
    """The event; what of it the machine gave."""
    if heard is Cause.SILENCE:
        return machine.tick(machine.next_due() if machine.next_due() is not None else now + 1e6)
    if heard is Cause.SUPPLY:
        return machine.supply(DATA, now + 0.1)
    return machine.feed(SAID[heard] if heard in SAID else COMING[heard][1:], now + 0.1)


@pytest.mark.parametrize("heard", [*SAID, Cause.SILENCE, Cause.SUPPLY])
@pytest.mark.parametrize("phase", [Phase.START, Phase.DATA, Phase.REPLY, Phase.SETTLING, Phase.EOT, Phase.OVER])
def test_every_phase_of_a_sender_with_every_event(phase, heard):
    machine, now = sender_in(phase)
    assert machine.phase is phase
    machine.outgoing()
    events = happens(machine, heard, now)
    _, after = SENDING.get((phase, heard), (None, {phase}))
    assert machine.phase in after
    if (phase, heard) not in SENDING:
        assert (events, machine.outgoing()) == ([], b"")
    assert (machine.phase is Phase.OVER) == (phase is Phase.OVER or any(isinstance(e, Ended) for e in events))


@pytest.mark.parametrize("heard", [*SAID, Cause.SILENCE, *COMING])
@pytest.mark.parametrize("phase", [Phase.START, Phase.NEXT, Phase.INSIDE, Phase.PURGING, Phase.EOT, Phase.OVER])
def test_every_phase_of_a_receiver_with_every_event(phase, heard):
    machine, now = receiver_in(phase)
    assert machine.phase is phase
    if heard in COMING and phase is not Phase.INSIDE:
        assert (phase, heard) not in RECEIVING, "only a packet that began can come whole"
        return
    if (phase, heard) == (
        Phase.PURGING,
        Cause.CANCEL,
    ):  # counts once the line is quiet: a packet's rest may hold two CAN
        machine.feed(CAN * 2, now + 0.1)
        events = due(machine)[0]
    else:
        machine.outgoing()
        events = happens(machine, heard, now)
    if (phase, heard) == (Phase.INSIDE, Cause.CANCEL):  # inside a packet two CAN are a number and a wrong complement
        heard = Cause.BAD
    _, after = RECEIVING.get((phase, heard), (None, {phase}))
    assert machine.phase in after
    if (phase, heard) not in RECEIVING:
        assert (events, machine.outgoing()) == ([], b"")
    assert (machine.phase is Phase.OVER) == (phase is Phase.OVER or any(isinstance(e, Ended) for e in events))


# --- all ways of feeding ---------------------------------------------------------------------------------------------


def cut_at_random(data, seed):
    places = sorted(random.Random(seed).choices(range(len(data) + 1), k=9))
    return [data[a:b] for a, b in zip([0, *places], [*places, len(data)], strict=True)]


WAYS = {
    "whole": lambda data: [data],
    "bytewise": lambda data: [data[i : i + 1] for i in range(len(data))],
    **{f"cut {seed}": lambda data, seed=seed: cut_at_random(data, seed) for seed in range(4)},
}
SPEECHES = {
    "good": [packet(1, DATA[:128], 128, Check.CRC), packet(2, DATA[128:256], 128, Check.CRC), EOT],
    "damaged": [packet(1, DATA[:128], 128, Check.CRC)[:-1] + b"\0tail", packet(1, DATA[:128], 128, Check.CRC), EOT],
    "twice": [packet(1, DATA[:128], 128, Check.CRC) * 2, b"noise" + CAN, CAN + b"\x08"],
    "large": [packet(1, DATA * 3, 1024, Check.CRC), EOT],
    "aborted": [packet(1, DATA[:128], 128, Check.CRC) + CAN * 3 + b"more"],
    "not ours": [b"\x02\x01\x03", b"%\nO0001\nM30\n%\n" * 20, EOT],
}


def heard_by_receiver(speeches, way, trailing):
    machine, now, events, said = receiver(), 0.0, [], []
    for speech in speeches:
        now += 0.2
        for part in way(speech + trailing):
            events += machine.feed(part, now)
        while machine.next_due() is not None and machine.next_due() < now + 1.5:
            more, now = due(machine)
            events += more
        said.append(machine.outgoing())
    return events, said, machine.phase, machine.next_due()


@pytest.mark.parametrize("trailing", [b"", b"\0", b"trailing"])
@pytest.mark.parametrize("speech", SPEECHES)
def test_a_receiver_hears_the_same_however_it_is_fed(speech, trailing):
    heard = {name: heard_by_receiver(SPEECHES[speech], way, trailing) for name, way in WAYS.items()}
    assert all(other == heard["whole"] for other in heard.values())
    if not trailing:
        assert any(isinstance(event, Received) for event in heard["whole"][0]) == (speech != "not ours")


@pytest.mark.parametrize("trailing", [b"", ACK, b"trailing"])
def test_a_sender_hears_the_same_however_it_is_fed(trailing):
    def run(way):
        machine, now, events, said = sender(), 0.0, [], []
        for speech in (b"hello" + C * 3, ACK * 2, NAK + CAN + NAK, b"x" + ACK, ACK, ACK):
            now += 0.5
            for part in way(speech + trailing):
                events += machine.feed(part, now)
            said.append(machine.outgoing())
        return events, said, machine.phase

    ran = [run(way) for way in WAYS.values()]
    assert all(other == ran[0] for other in ran)
    assert ran[0][0][-1] == Ended(Ending.DONE, "")


@given(st.data(), st.binary(max_size=400), st.sampled_from(KINDS))
def test_no_input_crashes_a_machine_and_any_cutting_gives_the_same(data, noise, kind):
    noise = data.draw(st.sampled_from([b"", C, NAK, packet(1, DATA[:128], 128, Check.CRC)])) + noise
    parts = data.draw(strategies.cuts(noise))
    for make in (sender, receiver):
        whole, cut = make(kind), make(kind)
        events = whole.feed(noise, 1.0)
        assert [event for part in parts for event in cut.feed(part, 1.0)] == events
        assert (cut.outgoing(), cut.phase, cut.next_due()) == (whole.outgoing(), whole.phase, whole.next_due())
        for _ in range(20):  # time alone brings every machine to its end or leaves it waiting for nobody but the peer
            if whole.next_due() is None:
                break
            whole.tick(whole.next_due())
        assert whole.next_due() is None or whole.phase is not Phase.OVER


# --- a lossy line ----------------------------------------------------------------------------------------------------


class LossyLine:
    """Two machines, a line at 960 characters a second, and faults: on each crossing, bytes are hit or lost."""

    def __init__(self, here, there, seed, hits):
        self.here, self.there, self.now = here, there, 0.0
        self.random, self.hits = random.Random(seed), hits
        self.got = b""

    def cross(self, data):
        out = bytearray()
        for byte in data:
            chance = self.random.random()
            if chance < self.hits / 2:
                out.append(byte ^ 1 << self.random.randrange(8))
            elif chance > self.hits:
                out.append(byte)
        return bytes(out)

    def run(self):
        while self.now < 1e5 and not (self.here.phase is Phase.OVER and self.there.phase is Phase.OVER):
            out, back = self.here.outgoing(), self.there.outgoing()
            if not out and not back:
                dues = [d for d in (self.here.next_due(), self.there.next_due()) if d is not None]
                if not dues:
                    return
                self.now = max(self.now, min(dues))
            self.now += (len(out) + len(back)) / 960
            if out:
                self.here.written(self.now)
            self.take(self.there.feed(self.cross(out), self.now))
            self.now += 0.005
            self.here.feed(self.cross(back), self.now)
            self.here.tick(self.now)
            self.take(self.there.tick(self.now))

    def take(self, events):
        self.got += b"".join(event.data for event in events if isinstance(event, Received))


@pytest.mark.parametrize("hits", [0.0, 0.0005, 0.002])
@pytest.mark.parametrize("kind", [Protocol.XMODEM_CRC, Protocol.XMODEM_1K, Protocol.YMODEM])
@pytest.mark.parametrize("patience", list(Patience))
def test_a_lossy_line_never_gives_a_wrong_program(kind, patience, hits):
    """100 runs with seeded faults: a transfer that says done on the sending side has brought every character, once."""
    done = 0
    for seed in range(100):
        data = random.Random(seed).randbytes(2000 + seed) + b"\n"
        line = LossyLine(sender(kind, data, patience=patience, name="0001.nc"), Receiver(kind, 0.0), seed, hits)
        line.run()
        assert line.now < 1e5, "no end"
        assert line.got.startswith(data[: len(line.got)]) or line.got.rstrip(SUB) == data
        if line.here.chars == len(data) and line.here.phase is Phase.OVER:
            done += 1
            assert line.got.rstrip(SUB) == data
    # A packet of 1029 characters with two hits to expect in it often needs more than ten tries.
    assert done >= (40 if hits == 0.002 and kind is not Protocol.XMODEM_CRC else 100)


# --- YMODEM ----------------------------------------------------------------------------------------------------------


def header(name, size=b""):
    return packet(0, (name + b"\0" + size).ljust(128, b"\0"), 128, Check.CRC)


def test_ymodem_names_the_program_and_says_that_the_batch_is_over():
    """Packet 0 holds name, NUL and size; after the EOT one without a name (reference of 1988, YMODEM batch; memory)."""
    machine = sender(Protocol.YMODEM, DATA[:100], name="0001.nc", chars=100)
    steps = [(C, header(b"0001.nc", b"100")), (ACK, b""), (C, packet(1, DATA[:100], 128, Check.CRC))]
    steps += [(ACK, EOT), (NAK, EOT), (ACK, b""), (C, header(b""))]
    for now, (said, answer) in enumerate(steps, 1):
        machine.feed(said, float(now))
        assert machine.outgoing() == answer
    assert machine.feed(ACK, 20.0) == [Ended(Ending.DONE, "")]


@pytest.mark.parametrize("last", [b"", CAN * 2, C], ids=["silence", "cancelled", "asks for ever"])
def test_a_program_whose_eot_is_acknowledged_is_sent_whatever_comes_of_the_batch(last):
    machine, now, events = sender(Protocol.YMODEM, b"", name="0001.nc"), 0.0, []
    for said in (C, ACK, C, ACK):
        now += 1.0
        machine.feed(said, now)
    while machine.phase is not Phase.OVER:
        now += 1.0
        events += machine.feed(last, now) if last else due(machine)[0]
    assert events == [Ended(Ending.DONE, "")]


def test_a_header_that_comes_again_is_answered_again():
    machine = receiver(Protocol.YMODEM)
    for now in (1.0, 2.0):
        assert machine.feed(header(b"C:\\NC\\FLANGE.MPF", b"128 0 0"), now) == []
        assert machine.outgoing() == ACK + C
    assert machine.feed(packet(1, DATA[:128], 128, Check.CRC), 3.0) == [Started("FLANGE.MPF"), Received(DATA[:128])]


def test_a_header_without_a_name_ends_a_batch():
    machine = receiver(Protocol.YMODEM)
    assert machine.feed(header(b""), 1.0) == [Ended(Ending.DONE, "")]
    assert machine.outgoing() == ACK
