"""The RFC 2217 client machine: against vectors, and against pySerial's own server end without any socket."""

import itertools
import json
import random
from fractions import Fraction
from pathlib import Path

import pytest
from device_servers import Cable, Manager
from hypothesis import given
from hypothesis import strategies as st

from dncd.line import telnet, telnet_stream
from dncd.line.telnet import Asked, LineState, ModemState, Setting, Telnet, Whose
from dncd.line.telnet_stream import Data, TelnetStream, Value, escaped
from dncd.values import Counters, Modem, Signal

# Source: rfc2217.h quoting the tables of RFC 2217, and the constants of pySerial 3.5, which agree (verified); the
# marks of single byte examples stand in the file.
VECTORS = json.loads((Path(__file__).parent / "vectors" / "rfc2217.json").read_text())
BYTES = {example["what"]: bytes.fromhex(example["hex"]) for example in VECTORS["byte_examples"]}
ASKED = Asked(4800, 8, "N", Fraction(2))
AGREE = bytes.fromhex("fffd2c fffb00 fffd00 fffb03 fffd03".replace(" ", ""))


def answers(asked: Asked = ASKED) -> bytes:
    """The confirmations of a server that does everything."""
    return b"".join(
        telnet.command(s.command + 100, v.to_bytes(4 if s is Setting.BAUD else 1, "big"))
        for s, v in asked.values().items()
    )


def opened(asked: Asked = ASKED) -> Telnet:
    machine = Telnet(asked)
    machine.take()
    machine.feed(AGREE + answers(asked))
    assert machine.waiting == ()
    machine.take()
    return machine


def joined(events: list[telnet.Event]) -> list[telnet.Event]:
    """The same events with neighbouring data as one: cutting may only change where data is cut."""
    out: list[telnet.Event] = []
    for event in events:
        if out and isinstance(event, Data) and isinstance(out[-1], Data):
            out[-1] = Data(out[-1].data + event.data)
        else:
            out.append(event)
    return out


def test_the_numbers_are_those_of_the_tables() -> None:
    numbers = VECTORS["telnet"]
    for name in ("SE", "SB", "WILL", "WONT", "DO", "DONT", "IAC"):
        assert getattr(telnet_stream, name) == numbers[name]
    options = VECTORS["telnet_options"]
    assert (
        options["BINARY"],
        options["SGA"],
        options["COM_PORT_OPTION"],
    ) == (telnet.BINARY, telnet.SGA, telnet.COM_PORT)
    commands = VECTORS["client_to_server"]
    wanted = {
        Setting.BAUD: "SET-BAUDRATE",
        Setting.DATA_BITS: "SET-DATASIZE",
        Setting.PARITY: "SET-PARITY",
        Setting.STOP_BITS: "SET-STOPSIZE",
        Setting.FLOW: "SET-CONTROL",
        Setting.DTR: "SET-CONTROL",
        Setting.RTS: "SET-CONTROL",
        Setting.LINE_MASK: "SET-LINESTATE-MASK",
        Setting.MODEM_MASK: "SET-MODEMSTATE-MASK",
    }
    assert {setting: commands[name] for setting, name in wanted.items()} == {s: s.command for s in Setting}
    assert VECTORS["server_to_client_offset"] == telnet.SERVER
    for letter, name in {"N": "NONE", "O": "ODD", "E": "EVEN"}.items():
        value = Asked(300, 7, letter, Fraction(1)).values()[Setting.PARITY]
        assert VECTORS["parity"][str(value)] == name
    for stop in (Fraction(1), Fraction(3, 2), Fraction(2)):
        value = Asked(300, 5, "N", stop).values()[Setting.STOP_BITS]
        assert Fraction(VECTORS["stopsize"][str(value)]) == stop


@pytest.mark.parametrize(
    ("what", "setting", "value"),
    [
        ("SET-BAUDRATE 4800", Setting.BAUD, 4800),
        ("SET-BAUDRATE 9600", Setting.BAUD, 9600),
        ("SET-DATASIZE 7", Setting.DATA_BITS, 7),
        ("SET-PARITY even", Setting.PARITY, 3),
        ("SET-STOPSIZE 2", Setting.STOP_BITS, 2),
        ("SET-CONTROL XON/XOFF outbound", Setting.FLOW, 2),
        ("SET-CONTROL RTS on", Setting.RTS, 11),
        ("SET-MODEMSTATE-MASK 255 (value byte doubled)", Setting.MODEM_MASK, 255),
        ("SET-LINESTATE-MASK parity+framing+overrun+break", Setting.LINE_MASK, telnet.LINE_FAULTS),
    ],
)
def test_settings_are_asked_for_in_the_bytes_of_the_vectors(what: str, setting: Setting, value: int) -> None:
    machine = opened()
    machine.ask(setting, value)
    assert machine.take() == BYTES[what]
    assert machine.waiting == (setting,)


def test_other_bytes_of_the_vectors() -> None:
    assert BYTES["client offers option"] in Telnet(ASKED).take()
    assert telnet.command(12, b"\x03") == BYTES["PURGE-DATA both"]
    data = next(e for e in VECTORS["byte_examples"] if "plain_hex" in e)
    plain, wire = bytes.fromhex(data["plain_hex"]), bytes.fromhex(data["hex"])
    assert escaped(plain) == wire
    assert opened().feed(wire) == [Data(plain)]
    assert opened().feed(BYTES["server NOTIFY-LINESTATE parity error"]) == [LineState(Counters(parity=1))]
    off_but_cts = Modem(cts=Signal.ON, dsr=Signal.OFF, dcd=Signal.OFF)
    assert opened().feed(BYTES["server NOTIFY-MODEMSTATE CTS on, delta CTS"]) == [ModemState(off_but_cts)]
    machine = Telnet(Asked(9600, 8, "N", Fraction(1)))
    machine.feed(BYTES["server accepts"])
    assert Setting.BAUD in machine.waiting
    assert machine.feed(BYTES["server answer 9600"]) == []
    assert machine.confirmed[Setting.BAUD] == 9600
    assert Setting.BAUD not in machine.waiting
    assert machine.refusals == ()


@pytest.mark.parametrize("name", ["overrun error", "parity error", "framing error", "break detect"])
def test_each_line_fault_is_counted_as_what_it_is(name: str) -> None:
    bit = next(int(bit) for bit, what in VECTORS["linestate_bits"].items() if what == name)
    field = {"overrun": "overruns", "parity": "parity", "framing": "framing", "break": "breaks"}[name.split()[0]]
    assert opened().feed(telnet.command(106, bytes([bit]))) == [LineState(Counters(**{field: 1}))]


def test_all_256_values_pass_both_ways() -> None:
    every = bytes(range(256)) + b"\xff\xff\xf0\xff\xfa"
    assert opened().feed(escaped(every)) == [Data(every)]


def test_no_setting_is_sent_before_the_server_agreed_and_then_each_once() -> None:
    machine = Telnet(ASKED)
    offer = machine.take()
    assert offer == bytes.fromhex("fffb00fffd00fffb03fffd03fffb2c")
    machine.feed(bytes.fromhex("fffd00fffb00"))
    assert machine.take() == b""
    machine.feed(BYTES["server accepts"])
    sent = machine.take()
    assert sent == b"".join(telnet.set_command(s, v) for s, v in ASKED.values().items())
    machine.feed(BYTES["server accepts"])
    assert machine.take() == b""


@pytest.mark.parametrize("setting", [s for s in Setting if s is not Setting.MODEM_MASK])
def test_a_setting_confirmed_with_another_value_is_a_refusal(setting: Setting) -> None:
    machine = opened()
    other = {Setting.BAUD: 300, Setting.FLOW: 2, Setting.DTR: 9, Setting.RTS: 12, Setting.LINE_MASK: 0}.get(setting, 3)
    machine.feed(telnet.command(setting.command + 100, other.to_bytes(4 if setting is Setting.BAUD else 1, "big")))
    (refusal,) = machine.refusals
    assert (refusal.setting, refusal.answered) == (setting, other)


def test_answers_to_older_questions_do_not_count_for_the_newest() -> None:
    machine = opened()
    machine.ask(Setting.RTS, 12)
    machine.ask(Setting.RTS, 11)
    machine.feed(telnet.set_command(Setting.RTS, 12).replace(b"\x05", b"\x69"))
    assert machine.refusals == ()
    assert machine.waiting == (Setting.RTS,)
    machine.feed(telnet.set_command(Setting.RTS, 11).replace(b"\x05", b"\x69"))
    assert machine.waiting == ()
    assert machine.refusals == ()


def test_options_are_answered_once_and_unknown_ones_refused() -> None:
    machine = opened()
    will_echo, dont_echo = bytes((255, 251, 1)), bytes((255, 254, 1))
    do_naws, wont_naws = bytes((255, 253, 31)), bytes((255, 252, 31))
    machine.feed(will_echo + do_naws)
    assert machine.take() == dont_echo + wont_naws
    machine.feed(bytes((255, 251, 0, 255, 253, 0)))  # what is on is not answered again, or two ends could loop
    assert machine.take() == b""
    machine.feed(bytes((255, 252, 0)))
    assert machine.take() == bytes((255, 254, 0))
    assert machine.binary is Signal.OFF
    assert (telnet.BINARY, Whose.THEIRS) in machine.refused_options


def test_suspend_and_resume() -> None:
    machine = opened()
    assert machine.feed(telnet.command(108, b"")) == []
    assert machine.suspended is Signal.ON
    assert machine.feed(telnet.command(109, b"")) == []
    assert machine.suspended is Signal.OFF


STREAM = (
    b"N10 G00\r\n"
    + bytes.fromhex("fffb01")
    + AGREE
    + b"\xff\xffX"
    + answers()
    + telnet.command(106, b"\x0e")
    + b"%"
    + telnet.command(107, b"\xff")
    + telnet.command(100, b"bench server")
    + bytes((255, 241))
    + bytes((255, 250, 44, 106, 255, 241))  # a value that is broken off
    + b"end"
)


@pytest.mark.parametrize("trailing", [b"", b"\xff", b"\xff\xfa\x2c\x6a", b"more"])
def test_four_ways_of_feeding(trailing: bytes) -> None:
    raw = STREAM + trailing
    whole = Telnet(ASKED)
    expected = joined(whole.feed(raw))
    ways = [[raw[i : i + 1] for i in range(len(raw))]]
    chance = random.Random(2217)
    for _ in range(20):
        cuts = sorted(chance.sample(range(len(raw)), 9))
        ways.append([raw[a:b] for a, b in itertools.pairwise([0, *cuts, len(raw)])])
    out = whole.take()
    for pieces in ways:
        machine = Telnet(ASKED)
        assert joined([event for piece in pieces for event in machine.feed(piece)]) == expected
        assert machine.take() == out
        assert machine.confirmed == whole.confirmed
    assert len(expected) >= 5
    assert whole.waiting == ()


@given(st.lists(st.one_of(st.binary(max_size=40), st.sampled_from([b"\xff", AGREE, b"\xff\xfa\x2c", b"\xff\xf0"]))))
def test_no_input_breaks_it_and_cuts_do_not_matter(pieces: list[bytes]) -> None:
    one, other = Telnet(ASKED), Telnet(ASKED)
    cut = joined([event for piece in pieces for event in one.feed(piece)])
    assert joined(other.feed(b"".join(pieces))) == cut
    assert one.take() == other.take()
    assert one.refusals == other.refusals


@given(st.binary())
def test_what_is_escaped_comes_back(data: bytes) -> None:
    assert b"".join(e.data for e in opened().feed(escaped(data)) if isinstance(e, Data)) == data


def test_an_endless_value_takes_no_memory() -> None:
    stream = TelnetStream()
    assert stream.feed(b"\xff\xfa\x2c\x6a" + bytes(1_000_000)) == []
    (value,) = stream.feed(b"\xff\xf0")
    assert isinstance(value, Value)
    assert len(value.raw) == telnet_stream.LONGEST_VALUE


class Wire:
    """What pySerial's PortManager writes to."""

    def __init__(self) -> None:
        self.sent = bytearray()

    def write(self, data: bytes) -> None:
        self.sent += data

    def take(self) -> bytes:
        sent, self.sent = bytes(self.sent), bytearray()
        return sent


@pytest.mark.parametrize(
    "asked",
    [
        Asked(4800, 8, "N", Fraction(2)),
        Asked(110, 8, "E", Fraction(1)),
        Asked(19200, 7, "O", Fraction(1)),
        Asked(50, 5, "N", Fraction(3, 2)),
    ],
)
def test_pyserials_server_end_takes_the_settings(asked: Asked) -> None:
    cable, wire = Cable(), Wire()
    cable.xonxoff = cable.rtscts = True
    server, machine = Manager(cable, wire), Telnet(asked)
    data = b""
    for _ in range(6):
        events = machine.feed(wire.take())
        data += b"".join(server.filter(machine.take()))
    assert machine.waiting == ()
    assert machine.refusals == ()
    assert machine.binary is Signal.ON
    assert (cable.baudrate, cable.bytesize, cable.parity) == (asked.baud, asked.data_bits, asked.parity)
    assert Fraction(cable.stopbits) == asked.stop_bits
    assert (cable.xonxoff, cable.rtscts) == (False, False)
    assert (cable.rts, cable.dtr) == (True, True)
    assert (data, events, wire.take()) == (b"", [], b"")
    every = bytes(range(256))
    assert b"".join(server.filter(escaped(every))) == every
    assert machine.feed(b"".join(server.escape(every))) == [Data(every)]
