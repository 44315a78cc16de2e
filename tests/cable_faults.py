"""Faults of cables, plugs and lines, and the name that the loopback test has for each."""

from collections.abc import Callable

from simulated_cable import Channel, SimulatedPort, Wires

from dncd.commissioning.loopback_findings import Trouble
from dncd.commissioning.loopback_measures import Plan, PlugAt

AT_END = Plan(9600, PlugAt.CABLE_END)


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
