"""A port with a cable and a loopback plug at the end of it, wire by wire, with a fault built in; and its own clock.

What an output carries is what all pins of its net carry (an output at space wins, as the positive driver mostly does).
Data go over the waveform, bit by bit; noise, slow edges and loose contacts work on that.
"""

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from damaged_waveform import inverted, slowed
from waveform import Fault, Waveform, receive_waveform, send_waveform

from dncd.commissioning.loopback import LoopbackTest
from dncd.commissioning.loopback_measures import Measures, Plan
from dncd.commissioning.wiring import Cable, Connector, End, Line, Variant, pin_of
from dncd.ports.port import Reading
from dncd.values import Frame, Modem, Signal

EIGHT = Frame.parse("8N1")
Contact = tuple[str, int]
"""`near` or `far` (the cable's two ends), `port`, or `supply`; and a pin."""


PLUG = ((Line.TXD, Line.RXD), (Line.RTS, Line.CTS), (Line.DTR, Line.DSR), (Line.DTR, Line.DCD))
"""What a loopback plug bridges (vectors/nullmodem.csv)."""


def plug_pins(connector: Connector) -> tuple[tuple[int, int], ...]:
    return tuple((pin_of(a, connector), pin_of(b, connector)) for a, b in PLUG)


@dataclass
class Wires:
    """Which contacts are joined. `port` pins sit in `near` pins; the plug joins `far` pins."""

    connector: Connector
    joins: list[tuple[Contact, Contact]]

    @classmethod
    def plug_only(
        cls, connector: Connector = Connector.DE9, bridges: Iterable[tuple[int, int]] | None = None
    ) -> "Wires":
        """A plug right at the port."""
        pins = plug_pins(connector) if bridges is None else tuple(bridges)
        made = cls(connector, [(("near", a), ("near", b)) for a, b in pins])
        return made._at_port()

    @classmethod
    def with_cable(
        cls,
        near: Connector = Connector.DE9,
        far: Connector = Connector.DE9,
        variant: Variant = Variant.FULL,
        bridges: Iterable[tuple[int, int]] | None = None,
    ) -> "Wires":
        """A null modem with a plug at its end."""
        ends = {End.NEAR: "near", End.FAR: "far"}
        joins = [((ends[a.end], a.pin), (ends[b.end], b.pin)) for a, b in Cable(near, far, variant).joins]
        pins = plug_pins(far) if bridges is None else tuple(bridges)
        joins += [(("far", a), ("far", b)) for a, b in pins]
        return cls(near, joins)._at_port()

    def _at_port(self) -> "Wires":
        for line in Line:
            pin = pin_of(line, self.connector)
            self.joins.append((("port", pin), ("near", pin)))
        return self

    def open(self, end: str, pin: int) -> "Wires":
        """Cuts every wire at this contact; a plug's bridge is no wire of the cable and stays."""
        kept = []
        for a, b in self.joins:
            cut = (end, pin) in {a, b} and not (a[0] == b[0] == "far" and end == "far")
            if not cut:
                kept.append((a, b))
        assert len(kept) < len(self.joins)
        self.joins = kept
        return self

    def swap(self, pin: int, other: int) -> "Wires":
        """The port's ends of two wires are exchanged."""
        turned = {("port", pin): ("port", other), ("port", other): ("port", pin)}
        self.joins = [(turned.get(a, a), turned.get(b, b)) for a, b in self.joins]
        return self

    def short(self, pin: int, other: int | str) -> "Wires":
        """Two pins at the port touch; or one and the supply."""
        self.joins.append((("port", pin), ("port", other) if isinstance(other, int) else (other, 0)))
        return self

    def net(self, line: Line) -> set[Contact]:
        """All contacts that hang together with this pin of the port."""
        found: set[Contact] = {("port", pin_of(line, self.connector))}
        grown = True
        while grown:
            grown = False
            for a, b in self.joins:
                if (a in found) != (b in found):
                    found |= {a, b}
                    grown = True
        return found

    def drivers(self, line: Line) -> set[str]:
        """What drives this input: `TXD`, `RTS`, `DTR`, `SUPPLY`; nothing if it is open or shorted to ground."""
        net = self.net(line)
        if ("port", pin_of(Line.GND, self.connector)) in net:
            return set()
        outs = {out.value for out in (Line.TXD, Line.RTS, Line.DTR) if ("port", pin_of(out, self.connector)) in net}
        return outs | ({"SUPPLY"} if ("supply", 0) in net else set())


@dataclass
class Channel:
    """What the way does to a waveform: tau_s of its edges; noise pulses (chance of one in each half period of the mains,
    and its length); dead: seconds of each 0.7 in which a contact is open."""

    tau_s: float = 0.0
    hum: float = 0.0
    hum_s: float = 0.0
    dead_s: float = 0.0

    def carry(self, wave: Waveform, chance: random.Random) -> Waveform:
        if self.dead_s:
            wave = self._broken(wave)
        if self.hum:
            first, last = int(wave.starts / 0.01), int(wave.ends / 0.01)
            pulses = [(k * 0.01 + 0.0037, self.hum_s) for k in range(first, last + 1) if chance.random() < self.hum]
            wave = inverted(wave, [pulse for pulse in pulses if wave.starts < pulse[0] and sum(pulse) < wave.ends])
        return slowed(wave, self.tau_s)

    def _broken(self, wave: Waveform) -> Waveform:
        edges: list[float] = []
        inside = [t for t in wave.edges if (t % 0.7) >= self.dead_s]
        for k in range(int(wave.starts / 0.7), int(wave.ends / 0.7) + 1):
            for at, before in ((k * 0.7, True), (k * 0.7 + self.dead_s, False)):
                if wave.starts < at < wave.ends and wave.level(at - 1e-9 if before else at) == 0:
                    edges.append(at)
        return Waveform(wave.starts, tuple(sorted([*inside, *edges])), wave.ends)


@dataclass
class SimulatedPort:
    """The port at the near end. clock: its rate against what was set; latency_s: of the way back; looks_s: how often the
    port is looked at; driver: what port and driver do to (sent, came) besides the line."""

    wires: Wires
    channel: Channel = field(default_factory=Channel)
    clock: float = 1.0
    latency_s: float = 0.004
    looks_s: float = 0.005
    on_write: Callable[[bytes], bytes] = lambda data: data
    on_read: Callable[[bytes], bytes] = lambda data: data
    reads_lines: bool = True
    drop: float = 0.0
    seed: int = 1

    def run(self, plan: Plan, hours: float = 1.0) -> Measures:
        """The whole test, by a clock of its own."""
        return _Run(self, plan).measures(hours * 3600)


class _Run:
    def __init__(self, port: SimulatedPort, plan: Plan) -> None:
        self.port, self.test, self.baud = port, LoopbackTest(plan), plan.baud
        self.rts = self.dtr = Signal.OFF
        self.now = self.simulated = 0.0
        self.wave = Waveform(0.0, (), 0.0)
        self.coming: list[tuple[float, int, bool]] = []
        self.chance = random.Random(port.seed)
        self.rxd = port.wires.drivers(Line.RXD)
        self.inputs = {line: port.wires.drivers(line) for line in (Line.CTS, Line.DSR, Line.DCD)}

    def measures(self, longest_s: float) -> Measures:
        self.test.start(self, self.now)
        while not self.test.measures:
            assert self.now < longest_s, "the test never ends"
            self.now = min(self.now + self.port.looks_s, max(self.now, self.test.next_due()))
            self.idle()
            self.test.modem(self.modem(), self.now)
            reading = self.read()
            if reading.data:
                self.test.feed(reading, self.now)
            self.test.turn(self.now)
        return self.test.measures[0]

    def read(self) -> Reading:
        """What has come by now."""
        ready = [one for one in self.coming if one[0] <= self.now]
        self.coming = [one for one in self.coming if one[0] > self.now]
        return Reading(bytes(one[1] for one in ready), tuple(k for k, one in enumerate(ready) if one[2]))

    def set_lines(self, rts: Signal, dtr: Signal) -> None:
        before = self.space()
        self.rts, self.dtr = rts, dtr
        if self.space() and not before and self.rxd:
            self.coming.append((self.now + self.port.latency_s, 0, True))  # a break

    def tune(self, baud: int, frame: Frame) -> None:
        self.baud = baud
        self.coming.clear()

    def space(self) -> bool:
        """Whether RXD is held at space by something that is no data."""
        held = {"RTS": self.rts is Signal.ON, "DTR": self.dtr is Signal.ON, "SUPPLY": True}
        return any(held.get(driver, False) for driver in self.rxd)

    def send(self, data: bytes) -> None:
        """Puts the bytes on the line behind what is still going out."""
        data = self.port.on_write(data)
        rate = self.baud * self.port.clock
        starts = max(self.now, self.simulated)
        self.wave = send_waveform(data, EIGHT, rate, starts)
        self.simulated = self.wave.ends
        if "TXD" in self.rxd and not self.space():
            self.hear(self.wave, rate)

    def idle(self) -> None:
        """What an idle line makes the UART hear up to now."""
        if self.now > self.simulated:
            quiet = Waveform(self.simulated, (), self.now)
            self.simulated = self.now
            if "TXD" in self.rxd and self.port.channel.hum:
                self.hear(quiet, self.baud * self.port.clock)

    def hear(self, wave: Waveform, rate: float) -> None:
        tail = Waveform(wave.starts, wave.edges, wave.ends)
        busy = len(wave.edges) > 40
        for one in receive_waveform(self.port.channel.carry(tail, self.chance), EIGHT, rate):
            if self.port.drop and busy and self.chance.random() < self.port.drop:
                continue
            for byte in self.port.on_read(bytes([one.value])):
                self.coming.append((one.at + self.port.latency_s, byte, bool(one.fault & Fault.FRAMING)))

    def modem(self) -> Modem:
        if not self.port.reads_lines:
            return Modem()
        on = {
            "RTS": self.rts is Signal.ON,
            "DTR": self.dtr is Signal.ON,
            "TXD": self.now < self.wave.ends and self.wave.level(self.now) == 0,
            "SUPPLY": True,
        }
        states = [
            Signal.ON if any(on[driver] for driver in self.inputs[line]) else Signal.OFF
            for line in (Line.CTS, Line.DSR, Line.DCD)
        ]
        return Modem(*states)
