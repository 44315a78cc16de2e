"""Connectors and the pins that carry each signal (EIA/TIA-232, TIA-574 by three pages that agree: verified)."""

import enum
from dataclasses import dataclass
from typing import Final


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
