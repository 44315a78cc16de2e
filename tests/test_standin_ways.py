"""The ways of a stand-in control: start and end codes, holds by a line, slow interfaces, packets, noise, a network port."""

import random
import select
import time
from contextlib import closing

import pytest
from standin_host import Hand, Host, even, pieces_in
from standin_server import ServerPlug
from waveform import receive_waveform, send_waveform

from dncd.choices import EndsOn, Flow, MarkAt, ModemLine, Protocol, StartOn, TapeCode
from dncd.line.outgoing import Shape
from dncd.line.packet_machine import Ended, Ending, Received
from dncd.line.packet_protocols import Offer
from dncd.line.packet_receiving import PacketReceiving
from dncd.line.packet_sending import PacketSending
from dncd.line.receiving import Caught, Wished
from dncd.line.receiving import Ended as CaptureEnded
from dncd.line.xmodem import Receiver, Sender
from dncd.ports.opening import open_port
from dncd.standin.build import Build, CodeForm, Dc3, PunchOn, PunchWays, ReaderOff, ReaderWays
from dncd.standin.control import Mode, StandIn
from dncd.standin.line_end import LineNoise, RateGap, reread
from dncd.standin.plug import NullModem, Rates
from dncd.standin.program_memory import Alarm
from dncd.standin.tape_punch import LostChar
from dncd.standin.yard import Yard
from dncd.values import Frame, LineSettings, Result, SendSettings, Signal, TapeSettings

BLOCKS = ("O0007", "N10 G00 X1.", "M30")
TEXT = b"O0007\nN10 G00 X1.\nM30\n"
ISO = Frame.parse("7E1")
DEADLINE_S = 120.0


def punched(build: Build, said: bytes = b"", seconds: float = 1.0) -> bytes:
    with Hand(build) as hand:
        pieces_in(hand.control, {"O0007": BLOCKS})
        hand.control.punch("O0007")
        hand.go(0.2, 0.01)
        hand.host.send(said)
        hand.go(seconds, 0.01)
        return hand.heard()


@pytest.mark.parametrize("form", list(CodeForm))
@pytest.mark.parametrize(
    ("end", "last"),
    [(EndsOn.DC4, 0x14), (EndsOn.SUB, 0x1A), (EndsOn.EOT, 0x04), (EndsOn.MARK, 0), (EndsOn.SILENCE, 0)],
)
@pytest.mark.parametrize("on", list(PunchOn))
def test_punch_codes_with_and_without_their_eighth_bit(form, end, last, on):
    """Codes: control_chars.csv (verified); the eighth bit by counting holes here."""
    eighth = {
        CodeForm.EVEN: lambda code: even(bytes([code])),
        CodeForm.ODD: lambda code: bytes([even(bytes([code]))[0] ^ 0x80]),
        CodeForm.CLEAR: lambda code: bytes([code]),
        CodeForm.SET: lambda code: bytes([code | 0x80]),
    }[form]
    build = Build(frame=ISO, codes=form, punch=PunchWays(on=on, end=end))
    first = eighth(0x12) if on is PunchOn.DC2 else b""
    assert punched(build) == first + even(b"%\n" + TEXT + b"%\n") + (eighth(last) if last else b"")


@pytest.mark.parametrize(
    ("mark_at", "image"),
    [
        (MarkAt.BOTH, b"%\n" + TEXT + b"%\n"),
        (MarkAt.START, b"%\n" + TEXT),
        (MarkAt.END, TEXT + b"%\n"),
        (MarkAt.NONE, TEXT),
    ],
)
def test_the_punch_has_the_marks_that_it_was_built_with(mark_at, image):
    ways = PunchWays(on=PunchOn.NOTHING, end=EndsOn.SILENCE)
    assert punched(Build(frame=ISO, tape=TapeSettings(mark_at=mark_at), punch=ways)) == even(image)


def test_a_punch_that_waits_for_the_host():
    build = Build(frame=ISO, punch=PunchWays(waits_for=0x11))
    assert punched(build) == b"\x12", "it says that it would"
    assert punched(build, b"\x13\x92") == b"\x12", "another code is not the one"
    for said in (b"\x11", b"\x91"):
        assert punched(build, said).endswith(b"\x14")


def test_all_programs_come_between_one_pair_of_marks():
    with Hand(Build(frame=ISO)) as hand:
        with pytest.raises(KeyError):
            hand.control.punch_all()
        pieces_in(hand.control, {"O0007": BLOCKS, "O0008": ("O0008", "M30")})
        hand.control.punch_all()
        hand.go(1.0, 0.01)
        assert hand.heard() == b"\x12" + even(b"%\n" + TEXT + b"O0008\nM30\n%\n") + b"\x14"


READING = [
    (EndsOn.MARK, b"%\n" + TEXT + b"%\n"),
    (EndsOn.DC4, b"%\n" + TEXT + b"%\n\x14"),
    (EndsOn.SUB, b"%\n" + TEXT + b"%\n\x1a"),
    (EndsOn.SUB, b"%\n" + TEXT + b"\x1a"),
    (EndsOn.EOT, b"%\n" + TEXT + b"%\n\x04"),
    (EndsOn.SILENCE, b"%\n" + TEXT),
]


@pytest.mark.parametrize(("ends_on", "wire"), READING)
@pytest.mark.parametrize("cut", [1, 3, 1000])
def test_what_ends_a_reading(ends_on, wire, cut):
    with Hand(Build(frame=ISO, reader=ReaderWays(ends_on=ends_on, silence_s=0.5))) as hand:
        hand.control.read_in()
        data = even(wire)
        for at in range(0, len(data), cut):
            hand.host.send(data[at : at + cut])
            hand.go(cut / 960 if cut < 1000 else 0.2, 0.001)
        if ends_on is not EndsOn.SILENCE:
            hand.go(0.05, 0.001)
        else:
            hand.go(0.3, 0.01)
            assert hand.control.mode is Mode.READING
            hand.go(0.3, 0.01)
        assert (hand.control.mode, hand.control.alarm) == (Mode.OFF, Alarm.NONE)
        assert hand.control.memory.programs["O0007"].blocks == BLOCKS
        assert hand.heard() == b"\x11\x93"


def test_a_control_without_marks_keeps_the_first_block():
    build = Build(
        frame=ISO, tape=TapeSettings(mark_at=MarkAt.NONE), reader=ReaderWays(ends_on=EndsOn.SILENCE, silence_s=0.1)
    )
    with Hand(build) as hand:
        hand.control.read_in()
        hand.host.send(even(TEXT))
        hand.go(0.5, 0.01)
        assert hand.control.memory.programs["O0007"].blocks == BLOCKS


@pytest.mark.parametrize("asks", list(StartOn))
@pytest.mark.parametrize("says_off", list(ReaderOff))
@pytest.mark.parametrize("dc3", list(Dc3))
def test_what_a_reader_says(asks, says_off, dc3):
    with Hand(Build(frame=ISO, dc3=dc3, codes=CodeForm.SET, reader=ReaderWays(asks=asks, says_off=says_off))) as hand:
        hand.control.read_in()
        hand.host.send(even(b"%\n" + TEXT + b"%\n"))
        hand.go(0.2, 0.01)
        on = b"\x91" if asks is StartOn.DC1 else b""
        assert hand.heard() == on + (bytes([dc3]) if says_off is ReaderOff.DC3 else b"")


def test_a_reader_that_waits_for_the_host_counts_nothing_before():
    with Hand(Build(frame=ISO, reader=ReaderWays(waits_for=b"\x12"))) as hand:
        hand.control.read_in()
        hand.host.send(even(b"%\nO0001\nM30\n%\n"))
        hand.go(0.2, 0.001)
        assert hand.control.mode is Mode.READING
        hand.host.send(b"\x12" + even(b"%\n" + TEXT + b"%\n"))
        hand.go(0.2, 0.001)
        assert list(hand.control.memory.programs) == ["O0007"]


@pytest.mark.parametrize(
    ("after_char_s", "after_block_s", "loses"), [(0.0, 0.1, True), (0.01, 0.0, True), (0.01, 0.1, False)]
)
def test_a_slow_interface_loses_what_comes_too_soon(after_char_s, after_block_s, loses):
    build = Build(
        frame=ISO,
        reader=ReaderWays(asks=StartOn.GO, holds_by=Flow.NONE, char_needs_s=0.008, block_needs_s=0.08),
    )
    with Hand(build) as hand:
        hand.control.read_in()
        for byte in even(b"%\n" + TEXT + b"%\n"):
            hand.host.send(bytes([byte]))
            hand.go(1 / 960 + after_char_s + (after_block_s if byte == 0x0A else 0.0), 0.0005)
        figures = hand.control.figures()
        assert (figures.lost > 0) is loses
        assert figures.holds == 0
        if not loses:
            assert hand.control.memory.programs["O0007"].blocks == BLOCKS


def test_a_control_that_cannot_hold_loses_what_does_not_fit():
    with Hand(Build(frame=ISO, reads_per_s=100, reader=ReaderWays(holds_by=Flow.NONE))) as hand:
        hand.control.read_in()
        hand.heard()
        hand.host.send(even(b"%\n" + b"N" * 998))
        hand.go(1000 / 960 + 0.01, 0.001)
        assert hand.heard() == b""
        assert hand.control.figures().lost == pytest.approx(1000 - 512 - 100 * 1000 / 960, abs=5)


PACKETS = [Protocol.XMODEM, Protocol.XMODEM_CRC, Protocol.XMODEM_1K]
LONG = b"O0007\n" + b"".join(b"N%d G01 X%d.\n" % (n, n) for n in range(300)) + b"M30\n"


def packet_build(protocol: Protocol) -> Build:
    return Build(baud=19200, frame=Frame.parse("8N1"), codes=CodeForm.CLEAR, protocol=protocol)


@pytest.mark.parametrize("protocol", PACKETS)
@pytest.mark.parametrize("per_million", [0, 1000])
def test_packets_both_ways(protocol, per_million):
    image = b"%\n" + LONG + b"%\n"
    with Hand(packet_build(protocol)) as hand:
        hand.control.line.noise.per_million = per_million
        sender = Sender(protocol, hand.now)
        hand.control.read_in()
        left, ended = image, []
        for _ in range(60_000):
            if not hand.control.packet_reader.on:
                break
            hand.go(0.002, 0.002)
            events = sender.feed(hand.heard(), hand.now)
            if (due := sender.next_due()) is not None and hand.now >= due:
                events += sender.tick(hand.now)
            if left and sender.wanted:
                piece, left = left[: sender.wanted], left[sender.wanted :]
                events += sender.supply(piece, hand.now)
                if not left:
                    events += sender.finish(hand.now)
            if out := sender.outgoing():
                hand.host.send(out)
                hand.go(len(out) / 1920, 0.002)
                sender.written(hand.now)
                events += sender.feed(hand.heard(), hand.now + 0.001)
            ended += [event for event in events if isinstance(event, Ended)]
        kept = hand.control.memory.programs["O0007"]
        assert hand.control.alarm is Alarm.NONE
        assert kept.text().encode() == LONG
        assert (hand.control.line.noise.hits > 0) is (per_million > 0)

        hand.control.line.noise.per_million = per_million
        hand.control.punch("O0007")
        receiver, got = Receiver(protocol, hand.now), b""
        for _ in range(60_000):
            if hand.control.mode is Mode.OFF:
                break
            if answer := receiver.outgoing():
                hand.host.send(answer)
            hand.go(0.002, 0.002)
            events = receiver.feed(hand.heard(), hand.now)
            if (due := receiver.next_due()) is not None and hand.now >= due:
                events += receiver.tick(hand.now)
            got += b"".join(event.data for event in events if isinstance(event, Received))
            ended += [event for event in events if isinstance(event, Ended)]
        assert got.rstrip(b"\x1a") == image
        assert ended[-1].ending is Ending.DONE
        assert hand.control.alarm is Alarm.NONE


@pytest.mark.parametrize("protocol", [Protocol.YMODEM, Protocol.KERMIT])
def test_a_station_and_a_stand_in_exchange_named_packets(protocol):
    """The ends that a station uses, against the control's; the operator's READ is the wish."""
    line = LineSettings("", 19200, Frame.parse("8N1"), protocol)
    image = b"%\n" + LONG + b"%\n"
    with Hand(packet_build(protocol)) as hand:
        idle, wished, events = PacketReceiving(line, hand.now), [], []
        hand.control.read_in()
        while not wished:
            hand.go(0.01, 0.01)
            wished = [event for event in idle.feed(hand.heard(), hand.now) if isinstance(event, Wished)]
        shape = Shape(len(image), len(image), b"\n")
        out = PacketSending(line, SendSettings(), Offer("0007.nc", len(image)), hand.now, shape, wish=wished[0].wish)
        out.supply(image)
        for _ in range(30_000):
            if out.outcome is not None:
                break
            if part := out.allowed(hand.now):
                hand.host.send(part)
                out.wrote(len(part), len(part), hand.now)
            hand.go(0.002, 0.002)
            out.feed(hand.heard(), hand.now)
            out.tick(hand.now)
        assert out.outcome.result is Result.SENT
        assert hand.control.memory.programs["O0007"].text().encode() == LONG
        idle = PacketReceiving(line, hand.now)
        hand.control.punch("O0007")
        for _ in range(30_000):
            if hand.control.mode is Mode.OFF:
                break
            if said := idle.outgoing():
                hand.host.send(said)
            hand.go(0.002, 0.002)
            events += [*idle.feed(hand.heard(), hand.now), *idle.tick(hand.now)]
            if any(isinstance(event, CaptureEnded) for event in events):
                idle.recorded()
        assert b"".join(event.data for event in events if isinstance(event, Caught)) == image
        assert [event.name.upper() for event in events if isinstance(event, CaptureEnded)] == ["O0007"]
        assert hand.control.alarm is Alarm.NONE


def test_a_host_that_cancels_raises_the_alarm():
    with Hand(packet_build(Protocol.XMODEM)) as hand:
        hand.control.read_in()
        hand.go(0.1, 0.01)
        assert hand.heard() == b"\x15"
        hand.host.send(b"\x18\x18")
        hand.go(0.1, 0.01)
        assert (hand.control.mode, hand.control.alarm) == (Mode.OFF, Alarm.LINE)
        hand.control.read_in()
        assert hand.control.alarm is Alarm.NONE
        hand.control.reset()
        hand.go(0.1, 0.01)
        assert hand.heard().endswith(b"\x18" * 8)
        pieces_in(hand.control, {"O0007": BLOCKS})
        with pytest.raises(ValueError, match="noise"):
            hand.control.punch("O0007", LostChar(1))


def test_line_noise_hits_as_often_as_it_says():
    noise = LineNoise(3)
    assert noise.spoil(b"N" * 1000) == b"N" * 1000
    noise.per_million = 10_000
    data = random.Random(1).randbytes(100_000)
    hit = [a ^ b for a, b in zip(data, noise.spoil(data), strict=True) if a != b]
    assert len(hit) == noise.hits == pytest.approx(1000, rel=0.15)
    assert all(bits.bit_count() == 1 for bits in hit)


def test_a_rate_gap_is_what_a_uart_hears():
    """4800 into 9600: each bit is read twice, so by hand a U (0x55) begins 0 0 1 1 0 0 1 1 0 0 ... (serial arithmetic)."""
    gap = RateGap(lambda: 4800.0, lambda: 9600.0)
    # line bits of U: start 0, data 1 0 1 0 1 0 1 0, stop 1; doubled: 00 11 00 11 00 11 00 11 00 11
    # first: start 0, data 0 1 1 0 0 1 1 0 (lowest first) = 0x66, then 0 for the stop bit: the next start bit, and so on
    heard = gap.heard(b"U", 0)
    assert heard[0] == 0b01100110
    assert len(heard) == 2
    assert RateGap(lambda: 0.0, lambda: 9600.0).heard(b"U", 0) == b"U"
    slow = RateGap(lambda: 9600.0, lambda: 300.0)
    assert slow.heard(b"U" * 10, 5) == b""
    assert len(slow.heard(b"U" * 10, 0)) <= 2


@pytest.mark.parametrize("step", [0.25, 0.5, 1.0, 2.5])
def test_a_wrong_rate_makes_what_a_uart_makes_of_the_waveform(step):
    """Against the waveform of the tests, which has its own checks; its clock has sixteen ticks a bit."""
    eight, chance = Frame.parse("8N1"), random.Random(7)
    for _ in range(200):
        data = chance.randbytes(12)
        wave = send_waveform(data, eight, 1.0)
        assert list(reread(data, step)) == [one.value for one in receive_waveform(wave, eight, 1 / step)]


def test_a_null_modem_sees_the_hosts_rate():
    plain, seen = NullModem(), NullModem(Rates.SEEN)
    with closing(plain), closing(seen):
        for baud in (4800, 9600, 38400):
            with (
                closing(open_port(LineSettings(seen.path, baud=baud))),
                closing(open_port(LineSettings(plain.path, baud=baud))),
            ):
                assert (seen.host_baud(), plain.host_baud()) == (baud, 0.0)


def test_a_wrong_rate_makes_other_characters():
    control = StandIn(Build(frame=ISO, baud=9600), plug=NullModem(Rates.SEEN))
    pieces_in(control, {"O0007": BLOCKS})
    image = b"\x12" + even(b"%\n" + TEXT + b"%\n") + b"\x14"
    with Yard(control), Host(control.path) as host:
        for baud, same in ((9600, True), (4800, False), (9600, True)):
            with closing(open_port(LineSettings(control.path, baud=baud))):
                control.punch("O0007")
                assert control.wait_for(lambda: control.mode is Mode.OFF, DEADLINE_S)
                assert (host.quiet(0.05) == image) is same


def test_a_loopback_plug_gives_back_what_comes():
    with Hand(Build(frame=ISO)) as hand:
        hand.control.loop()
        hand.host.send(bytes(range(256)))
        hand.go(1.0, 0.01)
        assert hand.heard() == bytes(range(256))
        hand.control.reset()
        hand.host.send(b"N")
        hand.go(0.1, 0.01)
        assert hand.heard() == b""


def test_a_loopback_plug_has_no_frame_and_no_rate_of_its_own():
    """256 characters of 8N1 at 9600 take 0.267 s through it; in the control's own 11 bits they would take 0.293 s."""
    with Hand(Build(frame=Frame.parse("7E2"), baud=9600)) as hand:
        hand.control.loop()
        hand.host.send(bytes(range(256)))
        hand.go(256 * 10 / 9600 + 0.005, 0.005)
        assert hand.heard() == bytes(range(256))
        hand.control.reset()
        assert hand.control.line.char_s == 11 / 9600


@pytest.mark.parametrize(("frame", "bits"), [("8N1", 10), ("8N2", 11), ("7E1", 10), ("7E2", 11)])
@pytest.mark.parametrize("baud", [4800, 9600])
def test_a_loopback_plug_on_a_terminal_paces_as_the_host_is_set(frame, bits, baud):
    """Serial arithmetic: vectors/serial_timing.json. What comes through at another rate than the control's is not spoilt."""
    plug = NullModem(Rates.SEEN)
    control = StandIn(Build(frame=Frame.parse("7E2"), baud=4800), plug=plug)
    with Yard(control), closing(open_port(LineSettings(control.path, baud=baud, frame=Frame.parse(frame)))) as port:
        control.loop()
        port.write(bytes(range(256)))
        got, end = b"", time.monotonic() + DEADLINE_S
        while len(got) < 256:
            assert time.monotonic() < end, got
            select.select([port.fileno()], [], [], 0.05)
            got += port.read().data
        assert got == bytes(range(256))
        assert control.line.char_s == bits / baud


def test_its_settings_can_be_changed_and_its_memory_stays():
    with Hand(Build(frame=ISO)) as hand:
        pieces_in(hand.control, {"O0007": BLOCKS})
        with pytest.raises(ValueError, match="8N1"):
            hand.control.set_up(Build(frame=ISO, tape=TapeSettings(code=TapeCode.EIA)))
        hand.control.set_up(Build(frame=Frame.parse("7O1"), codes=CodeForm.ODD, dc3=Dc3.PLAIN))
        hand.control.punch("O0007")
        hand.go(0.2, 0.01)
        odd = bytes(byte ^ 0x80 for byte in even(b"\x12%\n" + TEXT + b"%\n\x14"))
        assert hand.heard() == odd


class Client:
    """A port of dncd's own to a stand-in behind the network."""

    def __init__(self, path: str, baud: int = 9600) -> None:
        self.port = open_port(LineSettings(path, baud=baud, frame=Frame.parse("8N1")))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.port.close()

    def until(self, what, said: str) -> bytes:
        got, end = b"", time.monotonic() + DEADLINE_S
        while not what(got):
            assert time.monotonic() < end, f"not in time: {said}; got {got!r}"
            select.select([self.port.fileno()], [], [], 0.05)
            got += self.port.read().data
        return got


@pytest.mark.parametrize("telnet", [False, True])
def test_over_the_network_every_byte_value_passes_both_ways(telnet):
    control = StandIn(Build(frame=Frame.parse("8N1"), baud=115200), plug=ServerPlug(telnet=telnet))
    with Yard(control):
        for _ in range(2):  # a second connection takes the place of the first
            with Client(control.path, 115200) as client:
                control.loop()
                client.port.write(bytes(range(256)))
                assert client.until(lambda got: len(got) >= 256, "the echo") == bytes(range(256))


def test_over_rfc2217_the_control_holds_by_its_line_and_sees_the_rate():
    plug = ServerPlug()
    ways = ReaderWays(asks=StartOn.CTS, holds_by=Flow.RTS_CTS, says_off=ReaderOff.NOTHING)
    control = StandIn(
        Build(frame=ISO, baud=9600, reads_per_s=200, buffer_chars=128, high=96, low=32, reader=ways), plug=plug
    )
    plug.show(ModemLine.CTS, Signal.OFF)
    with Yard(control), Client(control.path) as client:
        port = client.port
        client.until(lambda _: port.modem().cts is Signal.OFF, "CTS is off before READ")
        assert plug.host_baud() == 9600
        control.read_in()
        client.until(lambda _: port.modem().cts is Signal.ON, "CTS comes on with READ")
        port.write(even(b"%\nO0007\n" + b"N1\n" * 40))
        client.until(lambda _: port.modem().cts is Signal.OFF, "CTS goes off at the high mark")
        client.until(lambda _: port.modem().cts is Signal.ON, "and comes on at the low mark")
        port.write(even(b"M30\n%\n"))
        assert control.wait_for(lambda: control.mode is Mode.OFF, DEADLINE_S)
        client.until(lambda _: port.modem().cts is Signal.OFF, "off after the program")
        assert len(control.memory.programs["O0007"].blocks) == 42
        assert control.figures().holds == 1
        control.loop()
        for rts in (Signal.OFF, Signal.ON, Signal.OFF):
            port.switch(ModemLine.RTS, rts)
            client.until(lambda _, rts=rts: port.modem().cts is rts, "a loopback plug joins RTS to CTS")
        control.reset()
