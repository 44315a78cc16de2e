"""The cable between a port and a control: which pins to join for a flow setting, how long it may be, what to heed; as text
for a terminal and as one printable page of HTML that needs nothing beside it.

Drawn for two ends that are DTE, as a computer and most controls are: a null modem. `end_test` tells whether the control
is one. `nullmodem.csv` has the same wires with their sources (three pages on null modems; the tie of DCD in the loopback
plug is from memory). Which pin carries which signal: EIA/TIA-232, TIA-574 (three pages agree: verified).
"""

import enum
import re
from dataclasses import dataclass
from textwrap import fill
from typing import Final

from dncd.choices import Flow, ModemLine

COLUMNS: Final = 100
"""Widest line of the text."""


class Connector(enum.StrEnum):
    DE9 = "DE-9"
    DB25 = "DB-25"


class Direction(enum.StrEnum):
    """Which way a signal goes at a DTE: a computer's port, and a control's (they are both DTE: hence the null modem)."""

    IN = "in"
    OUT = "out"
    NEITHER = "-"


class Line(enum.StrEnum):
    SHIELD = "SHIELD"
    TXD = "TXD"
    RXD = "RXD"
    RTS = "RTS"
    CTS = "CTS"
    DSR = "DSR"
    GND = "GND"
    DCD = "DCD"
    DTR = "DTR"
    RI = "RI"


@dataclass(frozen=True, slots=True)
class Pin:
    """de9: pin number, 0 for the shell (the shield has no pin on a DE-9); v24, eia: names of the circuit."""

    line: Line
    de9: int
    db25: int
    direction: Direction
    v24: str
    eia: str
    name: str

    def at(self, connector: Connector) -> int:
        """The pin's number on this connector; 0 for the shell."""
        return self.de9 if connector is Connector.DE9 else self.db25


PINS: Final = (
    Pin(Line.SHIELD, 0, 1, Direction.NEITHER, "101", "AA", "shield / protective ground (no own pin on DE-9: shell)"),
    Pin(Line.TXD, 3, 2, Direction.OUT, "103", "BA", "transmitted data"),
    Pin(Line.RXD, 2, 3, Direction.IN, "104", "BB", "received data"),
    Pin(Line.RTS, 7, 4, Direction.OUT, "105", "CA", "request to send"),
    Pin(Line.CTS, 8, 5, Direction.IN, "106", "CB", "clear to send (V.24: ready for sending)"),
    Pin(Line.DSR, 6, 6, Direction.IN, "107", "CC", "data set ready (EIA-232-D: DCE ready)"),
    Pin(Line.GND, 5, 7, Direction.NEITHER, "102", "AB", "signal ground / common return"),
    Pin(Line.DCD, 1, 8, Direction.IN, "109", "CF", "received line signal detector / carrier detect"),
    Pin(Line.DTR, 4, 20, Direction.OUT, "108/2", "CD", "data terminal ready (EIA-232-D: DTE ready)"),
    Pin(Line.RI, 9, 22, Direction.IN, "125", "CE", "ring indicator"),
)

_BY_LINE: Final = {pin.line: pin for pin in PINS}


def pin_of(line: Line, connector: Connector) -> int:
    """The pin that carries this circuit on this connector; 0 for the shell of a DE-9."""
    return _BY_LINE[line].at(connector)


class Contacts(enum.StrEnum):
    PINS = "pins"
    SOCKETS = "sockets"

    @property
    def other(self) -> "Contacts":
        return Contacts.SOCKETS if self is Contacts.PINS else Contacts.PINS


class End(enum.StrEnum):
    NEAR = "port"
    FAR = "control"


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
class Cable:
    """A null modem between these connectors. The shield is not among its wires: see `CAUTIONS`."""

    near: Connector
    far: Connector
    variant: Variant

    @property
    def wires(self) -> int:
        """Wires between the two ends: what is joined to several pins of one end needs one."""
        return 7 if self.variant is Variant.FULL else 3

    @property
    def joins(self) -> list[tuple[Contact, Contact]]:
        """What is joined: wires from end to end, then (of one end) bridges in its plug."""
        through = _DATA + (_HANDSHAKE if self.variant is Variant.FULL else ())
        joins = [(self.at(End.NEAR, a), self.at(End.FAR, b)) for a, b in through]
        if self.variant is Variant.THREE_WIRE:
            joins += [(self.at(end, a), self.at(end, b)) for end in End for a, b in _LOOPS]
        return joins

    def at(self, end: End, line: Line) -> Contact:
        return Contact(end, line, pin_of(line, self.connector(end)))

    def connector(self, end: End) -> Connector:
        return self.near if end is End.NEAR else self.far


_DATA: Final = ((Line.TXD, Line.RXD), (Line.RXD, Line.TXD), (Line.GND, Line.GND))
"""What every null modem joins, near end first."""

_LOOPS: Final = ((Line.RTS, Line.CTS), (Line.DTR, Line.DSR), (Line.DTR, Line.DCD))
"""Circuits that are bridged at each end of a three-wire cable."""

PLUG_JOINS: Final = ((Line.TXD, Line.RXD), *_LOOPS)
"""What a loopback plug bridges."""

_HANDSHAKE: Final = (
    *((Line.RTS, Line.CTS), (Line.CTS, Line.RTS)),
    *((Line.DTR, Line.DSR), (Line.DTR, Line.DCD), (Line.DSR, Line.DTR), (Line.DCD, Line.DTR)),
)
"""What a full null modem joins besides."""


def variant_for(flow: Flow) -> Variant:
    """The cable for a flow setting: hardware flow needs every line crossed, because on a three-wire cable a port sees its
    own RTS on CTS and never stops (standards on null modems; contract, section 2)."""
    return Variant.THREE_WIRE if flow.stop_line is ModemLine.NONE else Variant.FULL


_HEAD: Final = """\
DNCD PORT                                        CONTROL
{near:<13}                                    {far}

   TXD    # o----------------------------------o #    RXD

   RXD    # o----------------------------------o #    TXD

   GND    # o----------------------------------o #    GND
"""
_DRAWN: Final = {
    Variant.FULL: """
   RTS    # o----------------------------------o #    CTS

   CTS    # o----------------------------------o #    RTS

   DTR    # o-----------------------------+----o #    DSR
                                          +----o #    DCD

   DSR    # o----+-----------------------------o #    DTR
   DCD    # o----+
""",
    Variant.THREE_WIRE: """
   RTS    # o----+                        +----o #    RTS
   CTS    # o----+                        +----o #    CTS

   DTR    # o----+                        +----o #    DTR
   DSR    # o----+                        +----o #    DSR
   DCD    # o----+                        +----o #    DCD
""",
}
_PLUG: Final = """\
Loopback plug, {near}

   TXD    # o----+
   RXD    # o----+

   RTS    # o----+
   CTS    # o----+

   DTR    # o----+
   DSR    # o----+
   DCD    # o----+
"""
"""The drawings: `-` is a wire, `+` joins what touches it, `o` is a contact, beside it the circuit and, for #, its pin."""


def _drawn(drawing: str, near: Connector, far: Connector) -> str:
    """The drawing with its pin numbers; every wire can be followed with a finger, from `o` to `o`."""
    text = re.sub(r"(\w+) {4}# o", lambda at: f"{at[1]} {pin_of(Line(at[1]), near):>4} o", drawing)
    text = re.sub(r"o # {4}(\w+)", lambda at: f"o {pin_of(Line(at[1]), far):<4} {at[1]}", text)
    return text.format(near=near.value, far=far.value)


def draw_cable(cable: Cable) -> str:
    """The cable in text, near end at the left. Lines end in newlines."""
    shield = "the shell" if cable.near is Connector.DE9 else f"pin {pin_of(Line.SHIELD, cable.near)}"
    heed = f"SHIELD: to {shield} at dncd's end; at the control's insulated, unless its manual clamps it"
    return f"{_drawn(_HEAD + _DRAWN[cable.variant], cable.near, cable.far)}\n{heed}\n"


def draw_plug(connector: Connector) -> str:
    """A plug that brings every output back, its pins down the left, the bridges at the right. Lines end in newlines."""
    return _drawn(_PLUG, connector, connector)


def table_rows(cable: Cable) -> list[tuple[str, str, str]]:
    """(from, to, what it is) of every wire and bridge, for a table in text or on a page."""

    def named(at: Contact) -> str:
        return f"{at.end} {cable.connector(at.end)} pin {at.pin} {at.line}"

    return [(named(a), named(b), "bridge in the plug" if a.end is b.end else "wire") for a, b in cable.joins]


STANDARD_METRES: Final = 15.0
"""Longest cable of the standard, 50 ft (verified in an adaptor manual), up to its highest rate."""

STANDARD_BAUD: Final = 20_000
"""Highest rate of the standard in bits a second (verified, same page)."""

STANDARD_PF: Final = 2500.0
"""Most capacitance that a driver is asked to bear, in picofarads (verified on one page; from revision D on: memory)."""


def longest_cable(baud: int) -> tuple[float, str]:
    """The longest cable at this rate, in metres, and why: up to 20,000 bits a second the standard's. Above, the
    standard has no figure: the capacitance may then be smaller in proportion to the bit (derived, no source)."""
    limit = f"{STANDARD_PF:g} pF and 15 m (50 ft)"
    if baud <= STANDARD_BAUD:
        return STANDARD_METRES, f"the standard's limit up to 20,000 bits a second is {limit}"
    because = f"the standard ends at 20,000 bits a second with {limit}; above, the limit shrinks with the bit (derived)"
    return round(STANDARD_METRES * STANDARD_BAUD / baud, 1), because


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


@dataclass(frozen=True, slots=True)
class Order:
    """What the cable is for: machine and title for the heading, baud and flow as its settings have them, the connectors."""

    machine: str
    title: str
    baud: int
    flow: Flow
    near: Connector = Connector.DE9
    far: Connector = Connector.DB25
    control_has: Contacts = Contacts.SOCKETS

    @property
    def cable(self) -> Cable:
        return Cable(self.near, self.far, variant_for(self.flow))

    @property
    def plugs(self) -> list[str]:
        return [draw_plug(connector) for connector in dict.fromkeys((self.near, self.far))]


def facts(order: Order) -> list[str]:
    made = order.cable
    metres, because = longest_cable(order.baud)
    return [
        f"Flow {order.flow.value}: {made.variant.value}, {made.wires} wires and the shield.",
        f"Longest cable at {order.baud} bits a second: {metres:g} m ({because}).",
        "Look first which ends have pins and which sockets: a computer's connector has pins, a control's may have either.",
        end_test(order.far),
        *([THREE_WIRE_NOTE] if made.variant is Variant.THREE_WIRE else []),
    ]


def heading(order: Order) -> str:
    return f"Cable for {order.machine}" + (f" ({order.title})" if order.title else "")


def wiring_text(order: Order) -> str:
    rows = table_rows(order.cable)
    wide = max(len(row[0]) for row in rows), max(len(row[1]) for row in rows)
    parts = [heading(order), *(fill(fact, COLUMNS) for fact in facts(order)), "", draw_cable(order.cable)]
    parts += [f"{a:<{wide[0]}}  to  {b:<{wide[1]}}  {kind}" for a, b, kind in rows]
    parts += ["", *order.plugs]
    parts += [fill(caution, COLUMNS, initial_indent="! ", subsequent_indent="  ") for caution in CAUTIONS]
    return "\n".join(parts) + "\n"
