"""The loopback test on simulated cables: a good one is good, and each of the faults is named for what it is."""

import random
from collections.abc import Callable
from dataclasses import replace

import pytest
from cable_faults import AT_END, CABLE_FAULTS, LINE_FAULTS
from simulated_cable import Channel, SimulatedPort, Wires

from dncd.commissioning.loopback import LOOP_FRAME, MIXED, LoopbackTest
from dncd.commissioning.loopback_findings import Trouble, findings, verdict
from dncd.commissioning.loopback_measures import Came, Follows, Plan, PlugAt, compare, follows, measured_rate
from dncd.commissioning.wiring import Connector, Variant
from dncd.line.sending import Sending
from dncd.ports.port import Reading
from dncd.values import Frame, LineSettings, Modem, SendSettings, Signal

AT_PORT = Plan(9600)
OFF, ON, UNKNOWN = Signal.OFF, Signal.ON, Signal.UNKNOWN


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


@pytest.mark.parametrize("latency_s", [0.0, 0.016, 0.05])
@pytest.mark.parametrize("looks_s", [0.001, 0.01])
@pytest.mark.parametrize("clock", [0.97, 0.96, 0.996, 1.0, 1.004, 1.03])
@pytest.mark.parametrize("baud", [2400, 9600, 38400])
def test_a_clock_that_is_slow_is_told_by_how_much_and_what_to_do(
    baud: int, clock: float, looks_s: float, latency_s: float
) -> None:
    plan = Plan(baud, PlugAt.CABLE_END, soak_s=3.0)
    measures = SimulatedPort(Wires.with_cable(), clock=clock, looks_s=looks_s, latency_s=latency_s).run(plan)
    found = findings(measures, plan)
    assert [one.trouble for one in found] == ([Trouble.CLOCK_SLOW] if clock < 0.99 else [])
    assert verdict(measures, plan).startswith("Port and cable: good")
    for one in found:
        told = float(one.what.split(" is ")[1].partition("%")[0]) / 100
        assert told == pytest.approx(1 - clock, abs=0.006)
        assert "send.after_block_s = 0.0" in one.look_at


@pytest.mark.parametrize("paused", [False, True])
def test_the_pause_that_is_told_bounds_what_comes_after_a_stop(paused: bool) -> None:
    """9600 baud, a clock 3 % slow, a port that tells nothing: blocks of 80 characters, told 0.003 s after each."""
    plan = Plan(9600, PlugAt.CABLE_END, soak_s=3.0)
    (slow,) = findings(SimulatedPort(Wires.with_cable(), clock=0.97).run(plan), plan)
    told = float(slow.look_at.split(" = ")[1].partition(":")[0])
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"))
    image = (b"N" * 79 + b"\n") * 100
    out = Sending(line, SendSettings(after_block_s=told if paused else 0.0), len(image), 0.0)
    out.supply(image)
    now, left_at, most = 0.0, 0.0, 0.0
    while out.outcome is None:
        if part := out.allowed(now):
            left_at = max(left_at, now) + len(part) / (960 * 0.97)
            out.wrote(len(part), len(part), now)
            most = max(most, (left_at - now) * 960 * 0.97)
        out.tick(now)
        now = max(now + 1e-4, min(out.next_due() or now, now + 0.01))
    assert (most < line.ahead_chars + 5) is paused


class Doings:
    """A line that only remembers what was done to it."""

    def __init__(self) -> None:
        self.done: list[tuple[object, ...]] = []

    def send(self, data: bytes) -> None:
        self.done.append((data,))

    def set_lines(self, rts: Signal, dtr: Signal) -> None:
        self.done.append((rts, dtr))

    def tune(self, baud: int, frame: Frame) -> None:
        self.done.append((baud, frame))

    def since(self) -> list[tuple[object, ...]]:
        done, self.done = self.done, []
        return done


def test_steps_and_due_times() -> None:
    test, line = LoopbackTest(Plan(4800)), Doings()
    assert test.next_due() == float("inf")
    test.start(line, 10.0)
    assert line.since() == [(4800, LOOP_FRAME), (OFF, OFF)]
    assert test.next_due() == pytest.approx(10.15)
    test.modem(Modem(OFF, OFF, OFF), 10.1)
    assert line.since() == []
    for at, done in ((10.2, [(ON, OFF)]), (10.3, []), (10.4, [(OFF, ON)]), (10.6, [(ON, ON)]), (10.8, [(OFF, OFF)])):
        test.turn(at)
        assert line.since() == done
    test.turn(11.0)
    assert line.since() == [(bytes(64),)]
    test.feed(Reading(bytes(63)), 11.2)
    assert line.since() == []
    test.feed(Reading(bytes(1)), 11.3)
    assert line.since() == [(ON, ON)]
    assert not test.over


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
    assert (whole.right, whole.errors) == (256, 0)
    lost = compare(b"ABCDEF", came(b"ABEF"))
    assert (lost.right, lost.lost, lost.longest_lost, lost.gone) == (4, 2, 2, (67, 68))
    added = compare(b"ABC", came(b"ABXC"))
    assert (added.right, added.added, added.extra) == (3, 1, (88,))
    damaged = compare(b"ABC", came(b"A\x46C"))  # 42 and 46 differ in bit 2
    assert (damaged.right, damaged.damaged, damaged.pairs) == (2, 1, ((0x42, 0x46),))
    assert damaged.flips == (0, 0, 1, 0, 0, 0, 0, 0)
    both = lost + damaged
    assert (both.sent, both.errors, both.longest_lost) == (9, 3, 2)


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
