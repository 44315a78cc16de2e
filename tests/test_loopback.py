"""The loopback test on simulated cables: a good one is good, and each of the faults is named for what it is."""

import random
from collections.abc import Callable
from dataclasses import replace

import pytest
from simulated_cable import Channel, SimulatedPort, Wires

from dncd.commissioning.loopback import MIXED, LoopbackTest, SetBaud, SetLines, Write
from dncd.commissioning.loopback_findings import Trouble, findings, verdict
from dncd.commissioning.loopback_measures import Came, Follows, Plan, PlugAt, compare, follows, measured_rate
from dncd.commissioning.pins import Connector
from dncd.commissioning.wiring import Variant
from dncd.values import Modem, Signal

AT_PORT = Plan(9600)
AT_END = Plan(9600, PlugAt.CABLE_END)
OFF, ON, UNKNOWN = Signal.OFF, Signal.ON, Signal.UNKNOWN


def soft_flow() -> SimulatedPort:
    """A driver that acts on DC1 and DC3 in what comes: it swallows them, and stops sending from DC3 to DC1."""
    stopped: list[bool] = []

    def on_write(data: bytes) -> bytes:
        if stopped:
            return b""
        return data[: data.index(0x13) + 1] if 0x13 in data else data

    def on_read(data: bytes) -> bytes:
        if data == b"\x13":
            stopped.append(True)
        if data == b"\x11":
            stopped.clear()
        return b"" if data in {b"\x11", b"\x13"} else data

    return SimulatedPort(Wires.plug_only(), on_write=on_write, on_read=on_read)


CABLE_FAULTS: dict[str, tuple[Callable[[], Wires], Trouble]] = {
    "TXD open at the port's end": (lambda: Wires.with_cable().open("near", 3), Trouble.NO_ECHO),
    "RXD open at the port's end": (lambda: Wires.with_cable().open("near", 2), Trouble.NO_ECHO),
    "the wire to RXD open at the far end": (lambda: Wires.with_cable().open("far", 2), Trouble.NO_ECHO),
    "TXD shorted to ground": (lambda: Wires.with_cable().short(3, 5), Trouble.NO_ECHO),
    "data bridge of the plug missing": (lambda: Wires.with_cable(bridges=[(7, 8), (4, 6), (4, 1)]), Trouble.NO_ECHO),
    "RTS open": (lambda: Wires.with_cable().open("near", 7), Trouble.NO_CTS),
    "CTS open": (lambda: Wires.with_cable().open("near", 8), Trouble.NO_CTS),
    "the wire to CTS open at the far end": (lambda: Wires.with_cable().open("far", 8), Trouble.NO_CTS),
    "RTS loop of the plug missing": (lambda: Wires.with_cable(bridges=[(2, 3), (4, 6), (4, 1)]), Trouble.NO_CTS),
    "DTR open": (lambda: Wires.with_cable().open("near", 4), Trouble.NO_DTR),
    "DTR loop of the plug missing": (lambda: Wires.with_cable(bridges=[(2, 3), (7, 8)]), Trouble.NO_DTR),
    "DSR open": (lambda: Wires.with_cable().open("near", 6), Trouble.NO_DSR),
    "DCD open": (lambda: Wires.with_cable().open("near", 1), Trouble.NO_DCD),
    "data wires alone": (lambda: Wires.with_cable(bridges=[(2, 3)]), Trouble.NO_HANDSHAKE),
    "TXD swapped with RTS": (lambda: Wires.with_cable().swap(3, 7), Trouble.TXD_ON_CTS),
    "RXD swapped with CTS": (lambda: Wires.with_cable().swap(2, 8), Trouble.TXD_ON_CTS),
    "TXD swapped with DTR": (lambda: Wires.with_cable().swap(3, 4), Trouble.TXD_ON_DSR),
    "RXD swapped with DSR": (lambda: Wires.with_cable().swap(2, 6), Trouble.TXD_ON_DSR),
    "RXD swapped with DCD": (lambda: Wires.with_cable().swap(2, 1), Trouble.TXD_ON_DSR),
    "RTS swapped with DTR": (lambda: Wires.with_cable().swap(7, 4), Trouble.HANDSHAKE_SWAPPED),
    "CTS swapped with DSR": (lambda: Wires.with_cable().swap(8, 6), Trouble.HANDSHAKE_SWAPPED),
    "RTS touches DTR": (lambda: Wires.with_cable().short(7, 4), Trouble.OUTPUTS_JOINED),
    "TXD touches RTS": (lambda: Wires.with_cable().short(3, 7), Trouble.TXD_SHORTED),
    "TXD touches DTR": (lambda: Wires.with_cable().short(3, 4), Trouble.TXD_SHORTED),
    "CTS touches a supply": (lambda: Wires.with_cable().short(8, "supply"), Trouble.STUCK_ON),
    "DSR touches a supply": (
        lambda: Wires.plug_only(bridges=[(2, 3), (7, 8), (4, 1)]).short(6, "supply"),
        Trouble.STUCK_ON,
    ),
    "plug joins CTS to DTR": (
        lambda: Wires.plug_only(bridges=[(2, 3), (4, 6), (4, 1), (4, 8)]),
        Trouble.CTS_FOLLOWS_DTR,
    ),
    "plug joins DSR to RTS": (
        lambda: Wires.plug_only(bridges=[(2, 3), (7, 8), (7, 6), (4, 1)]),
        Trouble.DSR_FOLLOWS_RTS,
    ),
    "plug joins RXD to RTS": (lambda: Wires.plug_only(bridges=[(2, 7), (7, 8), (4, 6), (4, 1)]), Trouble.RTS_ON_RXD),
    "plug joins RXD to DTR": (lambda: Wires.plug_only(bridges=[(2, 4), (7, 8), (4, 6), (4, 1)]), Trouble.DTR_ON_RXD),
}

LINE_FAULTS: dict[str, tuple[Callable[[], SimulatedPort], Trouble]] = {
    "mains noise": (lambda: SimulatedPort(Wires.with_cable(), Channel(hum=0.2, hum_s=0.0004)), Trouble.NOISE),
    "weak mains noise": (lambda: SimulatedPort(Wires.with_cable(), Channel(hum=0.03, hum_s=0.0003)), Trouble.NOISE),
    "capacitance": (lambda: SimulatedPort(Wires.with_cable(), Channel(tau_s=1.4 / 9600)), Trouble.CAPACITANCE),
    "much capacitance": (lambda: SimulatedPort(Wires.with_cable(), Channel(tau_s=3 / 9600)), Trouble.CAPACITANCE),
    "a loose contact": (lambda: SimulatedPort(Wires.with_cable(), Channel(dead_s=0.03)), Trouble.LOOSE),
    "half the rate": (lambda: SimulatedPort(Wires.plug_only(), clock=0.5), Trouble.HALF_RATE),
    "a third too fast": (lambda: SimulatedPort(Wires.plug_only(), clock=1.33), Trouble.RATE_OFF),
    "a driver with soft flow": (soft_flow, Trouble.SOFT_FLOW),
    "a driver with seven bits": (
        lambda: SimulatedPort(Wires.plug_only(), on_read=lambda data: bytes(byte & 0x7F for byte in data)),
        Trouble.SEVEN_BITS,
    ),
    "a stuck bit": (
        lambda: SimulatedPort(Wires.plug_only(), on_read=lambda data: bytes(byte | 8 for byte in data)),
        Trouble.BIT_STUCK,
    ),
    "CR made LF": (
        lambda: SimulatedPort(Wires.plug_only(), on_read=lambda data: data.replace(b"\r", b"\n")),
        Trouble.LINE_ENDS_CHANGED,
    ),
    "FF eaten": (
        lambda: SimulatedPort(Wires.plug_only(), on_read=lambda data: data.replace(b"\xff", b"")),
        Trouble.VALUE_EATEN,
    ),
    "FF doubled": (
        lambda: SimulatedPort(Wires.plug_only(), on_read=lambda data: data.replace(b"\xff", b"\xff\xff")),
        Trouble.VALUE_EATEN,
    ),
    "local echo": (lambda: SimulatedPort(Wires.plug_only(), on_read=lambda data: data * 2), Trouble.DOUBLED),
    "a port that cannot keep up": (lambda: SimulatedPort(Wires.plug_only(), drop=0.06), Trouble.OVERRUN),
    "a slow device server": (lambda: SimulatedPort(Wires.plug_only(), latency_s=0.25), Trouble.LATE),
    "a port without modem lines": (
        lambda: SimulatedPort(Wires.plug_only(), reads_lines=False),
        Trouble.LINES_UNREADABLE,
    ),
}


def test_there_are_enough_faults_of_the_kinds_that_are_asked_for() -> None:
    assert len(CABLE_FAULTS) + len(LINE_FAULTS) >= 20
    assert len({trouble for _, trouble in (*CABLE_FAULTS.values(), *LINE_FAULTS.values())}) >= 20


@pytest.mark.parametrize("name", CABLE_FAULTS)
def test_a_wrong_wire_is_named(name: str) -> None:
    make, trouble = CABLE_FAULTS[name]
    measures = SimulatedPort(make()).run(AT_END)
    found = findings(measures, AT_END)
    assert [one.trouble for one in found] == [trouble]
    assert "pin" in found[0].look_at


def test_a_control_that_talks_is_no_wrong_wire() -> None:
    """Somebody left the punch running: characters come whatever the outputs do, and none of them is an echo."""
    make, _ = CABLE_FAULTS["TXD open at the port's end"]
    measures = SimulatedPort(make()).run(AT_END)
    looks = tuple(replace(look, strays=40) for look in measures.lines)
    found = findings(replace(measures, lines=looks, strays=200), AT_END)
    assert found[0].trouble is Trouble.TALKS
    assert "punch" in found[0].look_at


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", LINE_FAULTS)
def test_a_bad_line_is_named(name: str, seed: int) -> None:
    make, trouble = LINE_FAULTS[name]
    port = make()
    port.seed = seed
    plan = Plan(9600, soak_s=2.0)
    found = findings(port.run(plan), plan)
    assert [one.trouble for one in found] == [trouble]


@pytest.mark.parametrize("baud", [300, 4800, 9600, 38400, 115200])
@pytest.mark.parametrize("latency_s", [0.0, 0.016, 0.05])
def test_a_good_line_is_good(baud: int, latency_s: float) -> None:
    plan = Plan(baud, PlugAt.CABLE_END)
    measures = SimulatedPort(Wires.with_cable(), latency_s=latency_s, looks_s=0.01).run(plan)
    assert findings(measures, plan) == ()
    assert measures.best_baud == baud
    assert verdict(measures, plan).startswith(f"Port and cable: good at {baud}")
    assert measures.rates[0].echo.right == 256
    assert measures.delay_s == pytest.approx(latency_s, abs=0.011)


@pytest.mark.parametrize(
    "wires",
    [
        lambda: Wires.plug_only(Connector.DB25),
        lambda: Wires.with_cable(Connector.DB25, Connector.DB25),
        lambda: Wires.with_cable(Connector.DE9, Connector.DB25),
        lambda: Wires.with_cable(variant=Variant.THREE_WIRE),
        lambda: Wires.with_cable(Connector.DB25, Connector.DB25, Variant.THREE_WIRE, bridges=[(2, 3)]),
    ],
)
def test_every_cable_that_the_drawings_show_is_good(wires: Callable[[], Wires]) -> None:
    assert findings(SimulatedPort(wires()).run(AT_END), AT_END) == ()


def test_pins_are_those_of_the_connector() -> None:
    plan = Plan(9600, connector=Connector.DB25)
    wires = Wires.plug_only(Connector.DB25, bridges=[(2, 3), (20, 6), (20, 8)])
    found = findings(SimulatedPort(wires).run(plan), plan)
    assert [one.trouble for one in found] == [Trouble.NO_CTS]
    assert "pin 4 (RTS) and pin 5 (CTS)" in found[0].look_at


def test_it_steps_down_to_what_the_cable_bears() -> None:
    plan = Plan(38400, PlugAt.CABLE_END, soak_s=3.0)
    measures = SimulatedPort(Wires.with_cable(), Channel(tau_s=1.5 / 19200)).run(plan)
    assert [test.baud for test in measures.rates] == [38400, 19200, 9600]
    assert [test.echo.errors == 0 for test in measures.rates] == [False, False, True]
    assert measures.best_baud == measures.soak_baud == 9600
    assert measures.soak.sent >= 2 * 256
    assert measures.errors_per_million == 0
    found = findings(measures, plan)
    assert [one.trouble for one in found] == [Trouble.CAPACITANCE]
    assert "9600" in found[0].what
    assert verdict(measures, plan) == "Port and cable: not good; every value comes back at 9600 bits a second"


def test_errors_in_a_million_are_counted() -> None:
    plan = Plan(9600, soak_s=30.0)
    measures = SimulatedPort(Wires.plug_only(), Channel(hum=0.02, hum_s=0.0002)).run(plan)
    assert measures.soak.errors > 0
    assert measures.errors_per_million == pytest.approx(1e6 * measures.soak.errors / measures.soak.sent)
    assert measures.soak.sent == pytest.approx(30 * 960, rel=0.1)


def test_damaged_bits_are_counted_and_the_worst_are_named() -> None:
    plan = Plan(9600)
    measures = SimulatedPort(Wires.plug_only(), Channel(tau_s=1.4 / 9600)).run(plan)
    found = findings(measures, plan)
    assert "flip" in found[0].what
    assert sum(measures.singles.flips) > 0


def test_the_time_of_the_long_run_is_kept() -> None:
    port = SimulatedPort(Wires.plug_only())
    short, longer = port.run(Plan(9600, soak_s=1.0)), port.run(Plan(9600, soak_s=10.0))
    assert short.soak.sent == pytest.approx(960, abs=260)
    assert longer.soak.sent == pytest.approx(9600, abs=600)


def test_actions_and_due_times() -> None:
    test = LoopbackTest(Plan(4800))
    assert test.next_due() == float("inf")
    assert test.start(10.0) == (SetBaud(4800), SetLines(OFF, OFF))
    assert test.next_due() == pytest.approx(10.15)
    assert test.tick(10.1) == ()
    assert test.modem(Modem(OFF, OFF, OFF), 10.1) == ()
    assert test.tick(10.2) == (SetLines(ON, OFF),)
    assert test.tick(10.3) == ()
    assert test.tick(10.4) == (SetLines(OFF, ON),)
    assert test.tick(10.6) == (SetLines(ON, ON),)
    assert test.tick(10.8) == (SetLines(OFF, OFF),)
    assert test.tick(11.0) == (Write(bytes(64)),)
    assert test.feed(bytes(63), (), 11.2) == ()
    assert test.feed(bytes(1), (), 11.3) == (SetLines(ON, ON),)
    assert test.measures == ()


def test_what_an_input_follows() -> None:
    assert follows([OFF, ON, OFF, ON]) is Follows.RTS
    assert follows([OFF, OFF, ON, ON]) is Follows.DTR
    assert follows([OFF, ON, ON, ON]) is Follows.EITHER
    assert follows([OFF] * 4) is Follows.NEVER
    assert follows([ON] * 4) is Follows.ALWAYS
    assert follows([ON, OFF, OFF, ON]) is Follows.OTHERWISE
    assert follows([OFF, UNKNOWN, OFF, ON]) is Follows.UNKNOWN


def came(data: bytes) -> list[Came]:
    return [Came(0.0, byte, False) for byte in data]


def test_comparing_counts_each_kind_of_error() -> None:
    whole = compare(MIXED, came(MIXED))
    assert (whole.right, whole.errors, whole.last_right) == (256, 0, 256)
    lost = compare(b"ABCDEF", came(b"ABEF"))
    assert (lost.right, lost.lost, lost.longest_lost, lost.gone) == (4, 2, 2, (67, 68))
    added = compare(b"ABC", came(b"ABXC"))
    assert (added.right, added.added, added.extra) == (3, 1, (88,))
    damaged = compare(b"ABC", came(b"A\x46C"))  # 42 and 46 differ in bit 2
    assert (damaged.right, damaged.damaged, damaged.pairs) == (2, 1, ((0x42, 0x46),))
    assert damaged.flips == (0, 0, 1, 0, 0, 0, 0, 0)
    both = lost + damaged
    assert (both.sent, both.errors, both.longest_lost, both.last_right) == (9, 3, 2, 9)


@pytest.mark.parametrize("seed", range(20))
def test_comparing_adds_up(seed: int) -> None:
    chance = random.Random(seed)
    got = bytes(byte if chance.random() < 0.9 else chance.randrange(256) for byte in MIXED if chance.random() < 0.95)
    echo = compare(MIXED, came(got))
    assert echo.right + echo.damaged + echo.lost == 256
    assert echo.right + echo.damaged + echo.added == len(got)


def test_the_rate_is_measured_between_looks() -> None:
    """480 characters a second is 4800 bits a second with ten bits each (serial_timing.json, verified)."""
    looks = [Came(1.0 + (k // 16) * 16 / 480, 0, False) for k in range(256)]
    assert measured_rate(looks) == pytest.approx(4800)
    assert measured_rate([]) == 0
    assert measured_rate(looks[:5]) == 0
