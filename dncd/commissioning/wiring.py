"""The cable between a port and a control: which pins to join for a flow setting, how long it may be, what to heed.

Drawn for two ends that are DTE, as a computer and most controls are: a null modem. `end_test` tells whether the control
is one. `nullmodem.csv` has the same wires with their sources (three pages on
null modems; the tie of DCD in the loopback plug is from memory). Printed by `wiring_page`.
"""

import enum
from dataclasses import dataclass
from typing import Final

from dncd.choices import Flow, ModemLine
from dncd.commissioning.pins import Connector, Line, pin_of


class End(enum.StrEnum):
    NEAR = "dncd's port"
    FAR = "the control"


class Variant(enum.StrEnum):
    """FULL: every handshake line crossed. THREE_WIRE: data and ground only, handshake looped at each end."""

    FULL = "full handshake"
    THREE_WIRE = "three wires with local loops"


@dataclass(frozen=True, slots=True)
class Contact:
    """A pin of one end: its circuit and its number (0 is the shell)."""

    end: End
    line: Line
    pin: int


@dataclass(frozen=True, slots=True)
class Join:
    a: Contact
    b: Contact

    @property
    def is_bridge(self) -> bool:
        return self.a.end is self.b.end


class Runs(enum.Enum):
    THROUGH = "from end to end"
    LOCAL = "inside the connector of each end"


@dataclass(frozen=True, slots=True)
class Net:
    """Circuits that are joined: those of the near end with those of the far one, or each end's own with each other."""

    near: tuple[Line, ...]
    far: tuple[Line, ...]
    runs: Runs = Runs.THROUGH


@dataclass(frozen=True, slots=True)
class Cable:
    """The wires of a null modem between these connectors. The shield is not among them: see `CAUTIONS`."""

    near: Connector
    far: Connector
    variant: Variant

    @property
    def nets(self) -> tuple[Net, ...]:
        return _DATA + (_HANDSHAKE if self.variant is Variant.FULL else _LOCAL)

    @property
    def wires(self) -> int:
        """Wires between the two ends: a net that joins several pins of one end needs one."""
        return sum(net.runs is Runs.THROUGH for net in self.nets)

    @property
    def joins(self) -> tuple[Join, ...]:
        through = [net for net in self.nets if net.runs is Runs.THROUGH]
        joins = [Join(self.at(End.NEAR, a), self.at(End.FAR, b)) for net in through for a in net.near for b in net.far]
        if self.variant is Variant.THREE_WIRE:
            joins += [Join(self.at(end, a), self.at(end, b)) for end in End for a, b in _LOOPS]
        return tuple(joins)

    def at(self, end: End, line: Line) -> Contact:
        return Contact(end, line, pin_of(line, self.near if end is End.NEAR else self.far))


@dataclass(frozen=True, slots=True)
class Plug:
    """A loopback plug: pairs of pins that are joined, each with its circuits."""

    connector: Connector
    joins: tuple[tuple[Line, Line], ...]

    @property
    def pins(self) -> tuple[tuple[int, int], ...]:
        return tuple((pin_of(a, self.connector), pin_of(b, self.connector)) for a, b in self.joins)


_DATA: Final = (Net((Line.TXD,), (Line.RXD,)), Net((Line.RXD,), (Line.TXD,)), Net((Line.GND,), (Line.GND,)))
"""What every null modem joins."""

_HANDSHAKE: Final = (
    Net((Line.RTS,), (Line.CTS,)),
    Net((Line.CTS,), (Line.RTS,)),
    Net((Line.DTR,), (Line.DSR, Line.DCD)),
    Net((Line.DSR, Line.DCD), (Line.DTR,)),
)
"""What a full null modem joins besides."""

_LOCAL: Final = tuple(Net(lines, lines, Runs.LOCAL) for lines in ((Line.RTS, Line.CTS), (Line.DTR, Line.DSR, Line.DCD)))

_LOOPS: Final = ((Line.RTS, Line.CTS), (Line.DTR, Line.DSR), (Line.DTR, Line.DCD))
"""Circuits that are bridged at each end of a three-wire cable, and in a loopback plug."""


def variant_for(flow: Flow) -> Variant:
    """The cable for a flow setting: hardware flow needs every line crossed, because on a three-wire cable a port sees its
    own RTS on CTS and never stops (standards on null modems; contract, section 2)."""
    return Variant.THREE_WIRE if flow.stop_line is ModemLine.NONE else Variant.FULL


def loopback_plug(connector: Connector) -> Plug:
    """A plug that brings every output back: TXD to RXD, RTS to CTS, DTR to DSR and DCD."""
    return Plug(connector, ((Line.TXD, Line.RXD), *_LOOPS))


SPAN: Final = 34
"""Columns between the contacts of the two ends."""

NEAR_BUS: Final = 4
FAR_BUS: Final = SPAN - 5
"""Columns, in the span, of the upright wires at each end."""


def draw_cable(cable: Cable) -> str:
    """The cable in text, near end at the left: every wire can be followed with a finger, from `o` to `o`.

    `-` and `|` are wires, `+` joins what touches it, `o` is a contact, pin number and circuit beside it. Lines end in
    newlines.
    """
    head = [f"{'DNCD PORT':<13}{'':{SPAN}}  CONTROL", f"{cable.near.value:<13}{'':{SPAN}}  {cable.far.value}", ""]
    rows = [row for net in cable.nets for row in [*_net_rows(cable, net), ""]]
    shield = "the shell" if cable.near is Connector.DE9 else f"pin {pin_of(Line.SHIELD, cable.near)}"
    rows.append(f"SHIELD: to {shield} at dncd's end; at the control's insulated, unless its manual clamps it")
    return "\n".join(line.rstrip() for line in [*head, *rows]) + "\n"


def _net_rows(cable: Cable, net: Net) -> list[str]:
    """One net, or the loops of both ends side by side: near contacts down the left, far ones down the right, and a wire
    between them in the first row if the net runs through."""
    near = [cable.at(End.NEAR, line) for line in net.near]
    far = [cable.at(End.FAR, line) for line in net.far]
    rows = []
    for k in range(max(len(near), len(far))):
        wire = [" "] * SPAN
        if k < len(near):
            _stub(wire, range(NEAR_BUS + 1 if len(near) > 1 else 1))
        if k < len(far):
            _stub(wire, range(FAR_BUS if len(far) > 1 else SPAN - 1, SPAN))
        if k == 0 and net.runs is Runs.THROUGH:
            _stub(wire, range(SPAN))
        if len(near) > 1 and k < len(near):
            wire[NEAR_BUS] = "+"
        if len(far) > 1 and k < len(far):
            wire[FAR_BUS] = "+"
        left = f"{near[k].line.value:>6} {near[k].pin:>4} o" if k < len(near) else " " * 13
        right = f"o {far[k].pin:<4} {far[k].line.value}" if k < len(far) else ""
        rows.append(left + "".join(wire) + right)
    return rows


def _stub(wire: list[str], columns: range) -> None:
    for column in columns:
        wire[column] = "-"


def draw_plug(plug: Plug) -> str:
    """A loopback plug: its pins down the left, the bridges at the right. Lines end in newlines."""
    rows = [f"Loopback plug, {plug.connector.value}", ""]
    for net in ((Line.TXD, Line.RXD), (Line.RTS, Line.CTS), (Line.DTR, Line.DSR, Line.DCD)):
        rows += [f"{line.value:>6} {pin_of(line, plug.connector):>4} o----+" for line in net]
        rows.append("")
    return "\n".join(rows)


def table_rows(cable: Cable) -> list[tuple[str, str, str]]:
    """(from, to, what it is) of every wire and bridge, for a table in text or on a page."""
    sides = {End.NEAR: f"port {cable.near.value}", End.FAR: f"control {cable.far.value}"}
    return [
        (
            f"{sides[join.a.end]} pin {join.a.pin} {join.a.line.value}",
            f"{sides[join.b.end]} pin {join.b.pin} {join.b.line.value}",
            "bridge in the plug" if join.is_bridge else "wire",
        )
        for join in cable.joins
    ]


STANDARD_METRES: Final = 15.0
"""Longest cable of the standard, 50 ft (verified in an adaptor manual), up to its highest rate."""

STANDARD_BAUD: Final = 20_000
"""Highest rate of the standard in bits a second (verified, same page)."""

STANDARD_PF: Final = 2500.0
"""Most capacitance that a driver is asked to bear, in picofarads (verified on one page; from revision D on: memory)."""


@dataclass(frozen=True, slots=True)
class Length:
    """metres: the longest cable; because: why, in one sentence."""

    metres: float
    because: str


def longest_cable(baud: int) -> Length:
    """The longest cable at this rate, in metres: up to 20,000 bits a second the standard's.

    Above, the standard has no figure: the capacitance may then be smaller in proportion to the bit (derived, no source).
    """
    limit = f"{STANDARD_PF:g} pF and 15 m (50 ft)"
    if baud <= STANDARD_BAUD:
        return Length(STANDARD_METRES, f"the standard's limit up to 20,000 bits a second is {limit}")
    return Length(
        round(STANDARD_METRES * STANDARD_BAUD / baud, 1),
        f"the standard ends at 20,000 bits a second with {limit}; above, the limit shrinks with the bit (derived)",
    )


CAUTIONS: Final = (
    "Switch off and unplug the computer, and switch off the machine, before you join or part a connector.",
    "Mains wiring, and anything inside the machine's cabinet, is for licensed people.",
    "Ground and shield follow the local code. Join the shield at one end only, dncd's, unless the machine's manual clamps it"
    " at the ground plate of the cabinet: then there. The shell of a USB adaptor may be grounded nowhere.",
    "Pin 5 of a DE-9 and pin 7 of a DB-25 are the signal ground: they carry no protective earth and replace none.",
    "Measure before you join: more than 1 V between the two signal grounds means an isolating converter is needed, not a"
    " cable (common practice).",
    "Pin numbers are moulded into the face of the connector; from the side of the solder they run the other way round.",
    "Join only the pins that are drawn: pins 9, 10, 18 and 25 of a control's DB-25 may carry a 20 mA current loop, or 24 V.",
    "Never join a current loop to an RS-232 port, nor put a loopback plug on it: it can destroy the port. A loop wants an"
    " isolating converter, with one side of it active and the other passive.",
)
"""What to heed when making the cable (standards 3.3 and common practice)."""


def end_test(far: Connector) -> str:
    """How a meter tells which cable the control wants. A driver at rest gives -5 to -15 V, and a
    receiver takes -3 V for it (standards 3.2): a tired driver still counts."""
    transmit, receive, ground = (pin_of(line, far) for line in (Line.TXD, Line.RXD, Line.GND))
    return (
        "Measure first, at the control: switched on, nothing plugged in, nothing punched, with a meter against pin"
        f" {ground} (signal ground). The pin that stands at -3 to -15 V is its transmit. Pin {transmit}: the control is a"
        f" DTE, and this is its cable. Pin {receive}: it is a DCE, and wants a straight cable, each circuit to the one of"
        " its own name. Neither: the port is dead or no RS-232; join nothing."
    )


THREE_WIRE_NOTE: Final = (
    "On a three-wire cable each port sees its own RTS on CTS: hardware flow control can never stop the sender."
)
