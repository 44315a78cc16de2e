"""A cable or a loopback plug drawn in text: every wire can be followed with a finger, from `o` to `o`.

`-` and `|` are wires, `+` joins what touches it, `o` is a contact with its pin number and circuit beside it.
"""

from typing import Final

from dncd.commissioning.pins import Connector, Line, pin_of
from dncd.commissioning.wiring import Cable, End, Net, Plug, Runs

SPAN: Final = 34
"""Columns between the contacts of the two ends."""

NEAR_BUS: Final = 4
FAR_BUS: Final = SPAN - 5
"""Columns, in the span, of the upright wires at each end."""


def draw_cable(cable: Cable) -> str:
    """The cable, near end at the left. Lines end in newlines."""
    head = [f"{'DNCD PORT':<13}{'':{SPAN}}  CONTROL", f"{cable.near.value:<13}{'':{SPAN}}  {cable.far.value}", ""]
    rows = [row for net in cable.nets for row in [*_net_rows(cable, net), ""]]
    shield = "the shell" if cable.near is Connector.DE9 else f"pin {pin_of(Line.SHIELD, cable.near)}"
    rows.append(f"SHIELD: to {shield} at dncd's end; open and insulated at the control's end")
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
