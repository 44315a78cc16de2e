"""Cables and plugs against pinout.csv and nullmodem.csv (sources and marks in their rows), and each drawing followed."""

import csv
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise, product
from pathlib import Path
from xml.etree import ElementTree

import pytest

from dncd.choices import Flow
from dncd.commissioning.wiring import (
    CAUTIONS,
    COLUMNS,
    PINS,
    THREE_WIRE_NOTE,
    Cable,
    Connector,
    Contacts,
    Direction,
    End,
    Line,
    Order,
    Variant,
    draw_cable,
    draw_plug,
    end_test,
    longest_cable,
    pin_of,
    variant_for,
    wiring_text,
)
from dncd.commissioning.wiring_page import wiring_page

VECTORS = Path(__file__).parent / "vectors"
PINOUT = list(csv.DictReader((VECTORS / "pinout.csv").read_text("utf-8").splitlines()))
NULLMODEM = list(csv.DictReader((VECTORS / "nullmodem.csv").read_text("utf-8").splitlines()))

CABLES = list(product(Connector, Connector, Variant))
VARIANT_NAMES = {"full": Variant.FULL, "three-wire-local-loop": Variant.THREE_WIRE}

Joined = frozenset[str]
"""Two contacts that are joined, as `A3` (near) and `B2` (far)."""


def line_at(pin: int, connector: Connector) -> Line:
    return {entry.at(connector): entry.line for entry in PINS}[pin]


def rows_of(variant: str, connector: str) -> set[Joined]:
    return {
        frozenset({row["from"], row["to"]})
        for row in NULLMODEM
        if row["variant"] == variant and row["connector"] == connector
    }


def named(end: End, pin: int) -> str:
    return f"{'A' if end is End.NEAR else 'B'}{pin}"


def joins_of(made: Cable) -> set[Joined]:
    return {frozenset({named(a.end, a.pin), named(b.end, b.pin)}) for a, b in made.joins}


def nets(joins: set[Joined]) -> set[frozenset[str]]:
    """The contacts that hang together."""
    found: list[set[str]] = []
    for join in joins:
        touching = [net for net in found if net & join]
        found = [net for net in found if net not in touching] + [set(join).union(*touching)]
    return {frozenset(net) for net in found}


def test_every_pin_is_the_published_one() -> None:
    """pinout.csv: three pages that agree (verified)."""
    assert len(PINOUT) == len(PINS) == 10
    for row in PINOUT:
        pin = next(pin for pin in PINS if pin.line.value == row["signal"])
        assert (pin.de9 or "", pin.db25) == (int(row["de9"]) if row["de9"] else "", int(row["db25"]))
        assert (pin.direction.value, pin.v24, pin.eia) == (
            row["direction_dte"],
            row["v24_circuit"],
            row["eia232_circuit"],
        )
        assert pin.name == row["name"]
        for connector in Connector:
            assert line_at(pin_of(pin.line, connector), connector) is pin.line


@pytest.mark.parametrize(("variant", "connector"), list(product(VARIANT_NAMES, ["DE9", "DB25"])))
def test_cables_between_equal_connectors_are_the_published_ones(variant: str, connector: str) -> None:
    both = Connector[connector]
    expected = rows_of(variant, connector)
    assert len(expected) >= 9
    assert joins_of(Cable(both, both, VARIANT_NAMES[variant])) == expected


def test_the_cable_from_nine_to_twenty_five_is_the_published_one() -> None:
    expected = rows_of("de9-to-db25-null", "DE9(A)-DB25(B)")
    assert len(expected) == 9
    assert joins_of(Cable(Connector.DE9, Connector.DB25, Variant.FULL)) == expected


@pytest.mark.parametrize(("near", "far", "variant"), CABLES)
def test_every_cable_joins_outputs_to_inputs_alone(near: Connector, far: Connector, variant: Variant) -> None:
    """No net has two outputs (they would fight) and every input of the drawn ones has exactly one (EIA-232)."""
    direction = {pin.line: pin.direction for pin in PINS}
    for net in nets(joins_of(Cable(near, far, variant))):
        lines = [line_at(int(contact[1:]), near if contact[0] == "A" else far) for contact in net]
        outs = [line for line in lines if direction[line] is Direction.OUT]
        assert len(outs) == (0 if Line.GND in lines else 1)


CURRENT_LOOP = {9, 10, 18, 25}
"""Pins of a DB-25 that may carry a 20 mA loop, or 24 V (trade practice)."""


@pytest.mark.parametrize(("near", "far", "variant"), CABLES)
def test_no_wire_touches_a_pin_that_may_carry_a_current_loop(near: Connector, far: Connector, variant: Variant) -> None:
    assert not CURRENT_LOOP & {int(row["db25"]) for row in PINOUT}
    ends = {End.NEAR: near, End.FAR: far}
    contacts = {contact for join in Cable(near, far, variant).joins for contact in join}
    assert not CURRENT_LOOP & {contact.pin for contact in contacts if ends[contact.end] is Connector.DB25}
    assert any("pins 9, 10, 18 and 25" in caution for caution in CAUTIONS)


@pytest.mark.parametrize("connector", Connector)
def test_a_meter_tells_which_cable_the_control_wants(connector: Connector) -> None:
    """pinout.csv: an output of a DTE is its transmit; on a DCE the same circuit is an input."""
    column = "de9" if connector is Connector.DE9 else "db25"
    pin = {row["signal"]: row[column] for row in PINOUT}
    said = end_test(connector)
    assert {row["signal"]: row["direction_dte"] for row in PINOUT if row["signal"] in ("TXD", "RXD")} == {
        "TXD": "out",
        "RXD": "in",
    }
    assert f"Pin {pin['TXD']}: the control is a DTE, and this is its cable" in said
    assert f"Pin {pin['RXD']}: it is a DCE" in said
    assert f"against pin {pin['GND']} (signal ground)" in said
    assert said in " ".join(wiring_text(Order("m", "", 9600, Flow.NONE, far=connector)).split())
    assert said in wiring_page(Order("m", "", 9600, Flow.NONE, far=connector))


def test_hardware_flow_gets_every_line_crossed() -> None:
    """A three-wire cable shows a port its own RTS on CTS (standards, 3.3): it can hold nothing."""
    assert {flow: variant_for(flow) for flow in Flow} == {
        Flow.XON_XOFF: Variant.THREE_WIRE,
        Flow.NONE: Variant.THREE_WIRE,
        Flow.ASKED: Variant.THREE_WIRE,
        Flow.RTS_CTS: Variant.FULL,
        Flow.DTR_DSR: Variant.FULL,
    }


# --- the drawings, followed by finger --------------------------------------------------------------------------------

SIDES = {
    "-": ((0, 1), (0, -1)),
    "|": ((1, 0), (-1, 0)),
    "+": ((0, 1), (0, -1), (1, 0), (-1, 0)),
    "o": ((0, 1), (0, -1)),
}
"""Which way a wire leaves each sign, as (rows, columns)."""


def follow(drawing: str) -> tuple[set[frozenset[str]], dict[str, str]]:
    """The nets of the drawing's contacts, by following its wires; and the circuit written beside each contact."""
    grid = drawing.splitlines()

    def sign(row: int, column: int) -> str:
        return grid[row][column] if 0 <= row < len(grid) and 0 <= column < len(grid[row]) else " "

    labels = dict(contacts(grid))
    found: set[frozenset[str]] = set()
    for start in labels:
        seen, open_ends = {start}, [start]
        while open_ends:
            row, column = open_ends.pop()
            for down, right in SIDES[sign(row, column)]:
                there = (row + down, column + right)
                if there not in seen and (-down, -right) in SIDES.get(sign(*there), ()):
                    seen.add(there)
                    open_ends.append(there)
        found.add(frozenset(labels[place].split()[0] for place in seen if place in labels))
    return found, dict(label.split() for label in labels.values())


def contacts(grid: list[str]) -> Iterator[tuple[tuple[int, int], str]]:
    """Each `o` that has a pin number beside it: its place, and `A3 TXD`."""
    for row, line in enumerate(grid):
        for column, sign in enumerate(line):
            if sign != "o":
                continue
            before, after = line[:column].split(), line[column + 1 :].split()
            if len(before) == 2 and before[1].isdigit() and line[column - 1] == " ":
                yield (row, column), f"A{before[1]} {before[0]}"
            elif len(after) == 2 and after[0].isdigit() and line[column + 1] == " " and line[column - 1] == "-":
                yield (row, column), f"B{after[0]} {after[1]}"


@pytest.mark.parametrize(("near", "far", "variant"), CABLES)
def test_the_drawing_has_the_wires_of_the_cable(near: Connector, far: Connector, variant: Variant) -> None:
    made = Cable(near, far, variant)
    found, circuits = follow(draw_cable(made))
    assert found == nets(joins_of(made))
    for contact, circuit in circuits.items():
        assert line_at(int(contact[1:]), near if contact[0] == "A" else far).value == circuit


@pytest.mark.parametrize("connector", list(Connector))
def test_the_drawing_of_a_plug_has_the_published_bridges(connector: Connector) -> None:
    """The tie of DCD is from memory, the rest verified (nullmodem.csv)."""
    bridges = rows_of("loopback-plug", connector.name)
    found, circuits = follow(draw_plug(connector))
    assert len(bridges) == 4
    assert found == nets({frozenset(f"A{pin}" for pin in pins) for pins in bridges})
    assert len(circuits) == 7
    assert all(line_at(int(contact[1:]), connector).value == circuit for contact, circuit in circuits.items())


def test_a_drawing_with_a_wire_missing_is_noticed() -> None:
    made = Cable(Connector.DE9, Connector.DE9, Variant.FULL)
    drawing = draw_cable(made)
    cut = drawing.replace("-----o 2    RXD", "- ---o 2    RXD", 1)
    assert cut != drawing
    assert follow(cut)[0] != nets(joins_of(made))


# --- the printed drawings, by their own millimetres -------------------------------------------------------------------

Spot = tuple[float, float]


class Printed:
    """A drawing in SVG as its lines lie: pins by plug and number, and what the wires join."""

    def __init__(self, svg: str) -> None:
        self.root = ElementTree.fromstring(svg)
        self.pins: dict[Spot, str] = {}
        self.names: dict[str, str] = {}
        texts = [(float(e.get("x", "")), float(e.get("y", "")), e) for e in self.root.iter("text")]
        for x, y in self._circles("pin"):
            (number,) = [e.text for at, low, e in texts if at == x and 0 < low - y < 2 and "mid" in e.get("class", "")]
            self.pins[x, y] = f"{'A' if x < 60 else 'B'}{number}"
        for x, y, e in texts:
            if "name" in e.get("class", ""):
                near = {spot: pin for spot, pin in self.pins.items() if (pin[0] == "A") == (x < 60)}
                pin = near[min(near, key=lambda spot: abs(spot[1] - y - 0.7))]
                self.names[pin] = e.text or ""
        self.wires = [self._path(e.get("d", "")) for e in self.root.iter("path") if e.get("class") == "wire"]
        (self.shield,) = [float(e.get("x", "")) for e in self.root.iter("rect")] or [0.0]

    def _circles(self, kind: str) -> list[Spot]:
        found = [e for e in self.root.iter("circle") if e.get("class") == kind]
        return [(float(e.get("cx", "")), float(e.get("cy", ""))) for e in found]

    @staticmethod
    def _path(d: str) -> list[Spot]:
        x, y = 0.0, 0.0
        spots = []
        for step, first, second in re.findall(r"([MHV])(-?[\d.]+)(?: (-?[\d.]+))?", d):
            x = float(first) if step in "MH" else x
            y = float(second) if step == "M" else float(first) if step == "V" else y
            spots.append((x, y))
        return spots

    def joined(self) -> set[frozenset[str]]:
        """What hangs together: a dot joins what touches it, a pin the wire that ends on it; a crossing joins nothing, and no
        wire runs over a foreign pin, nor along another."""
        marks = {**self.pins, **{spot: f"dot {spot}" for spot in self._circles("dot")}}
        joins: set[Joined] = set()
        for wire in self.wires:
            touched = {name for spot, name in marks.items() if lies_on(spot, wire)}
            ends = {name for spot, name in marks.items() if spot in (wire[0], wire[-1])}
            assert {name for name in touched if name in self.pins.values()} <= ends
            near = {name for spot, name in self.pins.items() if lies_on(spot, wire, 2.4)}
            assert near <= ends, "a wire runs over a pin that is not its own"
            joins |= {frozenset({min(touched), name}) for name in touched if len(touched) > 1}
        tied = {frozenset(name for name in net if " " not in name) for net in nets({j for j in joins if len(j) == 2})}
        return {net for net in tied if len(net) > 1}

    def outside(self) -> list[Spot]:
        left, top, wide, high = map(float, self.root.get("viewBox", "").split())
        spots = [*self.pins, *(spot for wire in self.wires for spot in wire)]
        return [(x, y) for x, y in spots if not (left < x < left + wide and top < y < top + high)]

    def turn(self, plug: str, row: int) -> float:
        """Above 0 where the pins go round as one sees them on the face of a connector with pins."""
        at = {pin: spot for spot, pin in self.pins.items()}
        (x, y), (ax, ay), (bx, by) = at[f"{plug}1"], at[f"{plug}{row}"], at[f"{plug}{row + 1}"]
        return (ax - x) * (by - y) - (ay - y) * (bx - x)


def lies_on(spot: Spot, wire: list[Spot], radius: float = 0.01) -> bool:
    x, y = spot
    for (ax, ay), (bx, by) in pairwise(wire):
        if min(ax, bx) - radius < x < max(ax, bx) + radius and min(ay, by) - radius < y < max(ay, by) + radius:
            return True
    return False


def printed(near: Connector, far: Connector, variant: Variant, has: Contacts) -> list[Printed]:
    flow = Flow.RTS_CTS if variant is Variant.FULL else Flow.XON_XOFF
    page = wiring_page(Order("lathe", "", 9600, flow, near, far, has))
    return [Printed(svg) for svg in re.findall(r"<svg.*?</svg>", page, re.DOTALL)]


@pytest.mark.parametrize(("near", "far", "variant", "has"), [(*c, has) for c in CABLES for has in Contacts])
def test_the_printed_cable_has_the_wires_of_the_cable(
    near: Connector, far: Connector, variant: Variant, has: Contacts
) -> None:
    made, (drawn, *_) = Cable(near, far, variant), printed(near, far, variant, has)
    assert drawn.joined() == nets(joins_of(made))
    assert drawn.outside() == []
    through = [wire for wire in drawn.wires if wire[0][0] < drawn.shield < wire[-1][0]]
    assert len(through) == made.wires, "as many run in the shield as one buys"
    shield = [wire for wire in drawn.wires if wire[-1][0] == drawn.shield]
    assert [drawn.pins.get(wire[0], "the shell") for wire in shield] == ["the shell" if near is Connector.DE9 else "A1"]
    many = {Connector.DE9: 9, Connector.DB25: 25}
    assert len(drawn.pins) == len({*drawn.pins.values()}) == many[near] + many[far]
    for pin, name in drawn.names.items():
        assert line_at(int(pin[1:]), near if pin[0] == "A" else far).value == name
    assert len(drawn.names) == sum(1 for row in PINOUT for c in (near, far) if row[c.name.lower()])


ROW = {Connector.DE9: 5, Connector.DB25: 13}


@pytest.mark.parametrize("has", Contacts)
def test_a_plug_is_seen_from_its_solder_side(has: Contacts) -> None:
    """On the face of pins the numbers run from the left, long row above (from memory; they are moulded there). The side of
    the solder is the other one, and sockets are their mirror: turned as you like, never mirrored."""
    for near, far in product(Connector, Connector):
        drawn = printed(near, far, Variant.FULL, has)[0]
        assert drawn.turn("A", ROW[near]) > 0, "sockets at dncd's port, which has pins"
        assert (drawn.turn("B", ROW[far]) > 0) is (has is Contacts.PINS)


@pytest.mark.parametrize("connector", list(Connector))
def test_the_printed_plugs_have_the_published_bridges(connector: Connector) -> None:
    bridges = {frozenset(f"A{pin}" for pin in pins) for pins in rows_of("loopback-plug", connector.name)}
    one, two = printed(connector, connector, Variant.FULL, Contacts.SOCKETS)[1:] * 2
    assert one.joined() == two.joined() == nets(bridges)
    assert one.outside() == []
    assert len(printed(connector, connector, Variant.FULL, Contacts.PINS)) == 3, "two plugs: sockets and pins"


# --- text and page ---------------------------------------------------------------------------------------------------

ORDERS = [Order("gang-lathe", "Gang lathe, bay 2", 4800, Flow.XON_XOFF), Order("bore-mill", "", 38400, Flow.RTS_CTS)]


class Page(HTMLParser):
    """What a browser would show: table rows, all text; and that every tag is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.words: list[str] = []
        self.links: list[str] = []
        self.stack: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.links += [value or "" for name, value in attrs if name in {"src", "href"}]
        if tag == "meta":
            return
        self.stack.append(tag)
        if tag == "tr":
            self.rows.append([])
        elif tag == "td":
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Nothing is in it: a wire, a pin."""

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)
        if self.stack and self.stack[-1] == "td":
            self.rows[-1][-1] += data


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order.machine)
def test_the_page_shows_the_same_wires_and_stands_alone(order: Order) -> None:
    text = wiring_page(order)
    page = Page(text)
    assert page.stack == []
    assert page.links == []
    assert "url(" not in text
    assert "http" not in text
    ends = {f"port {order.near.value}": "A", f"control {order.far.value}": "B"}
    rows = set()
    for row in page.rows:
        if len(row) == 4:
            parts = [cell.split(" pin ") for cell in row[:2]]
            rows.add(frozenset(ends[side] + pin.split()[0] for side, pin in parts))
    assert rows == joins_of(order.cable)
    shown = " ".join(page.words)
    assert all(caution in shown for caution in CAUTIONS)
    assert (THREE_WIRE_NOTE in shown) == (order.flow is Flow.XON_XOFF)


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order.machine)
def test_the_text_says_it_in_a_terminals_width(order: Order) -> None:
    text = wiring_text(order)
    assert max(map(len, text.splitlines())) <= COLUMNS
    assert draw_cable(order.cable) in text
    assert draw_plug(order.far) in text
    said = " ".join(text.split())
    for word in ("licensed", "local code", "Switch off", "one end only", f"at {order.baud} bits a second"):
        assert word in said
    assert order.machine in text


def test_a_title_cannot_break_the_page() -> None:
    assert "<b>" not in wiring_page(Order("gang-lathe", "<b>lathe & mill</b>", 9600, Flow.NONE))


def test_wires_are_counted_as_one_buys_them() -> None:
    """Three and seven: the names under which such cable is sold (common practice)."""
    assert Cable(Connector.DE9, Connector.DB25, Variant.THREE_WIRE).wires == 3
    assert Cable(Connector.DE9, Connector.DE9, Variant.FULL).wires == 7


def test_longest_cable() -> None:
    """15 m, 50 ft, 2500 pF up to 20 kbit/s (standards, 3.2: verified)."""
    assert longest_cable(300)[0] == longest_cable(19200)[0] == 15.0
    assert longest_cable(38400)[0] == 7.8
    assert longest_cable(115200)[0] == 2.6
    assert "derived" in longest_cable(38400)[1]
    assert "derived" not in longest_cable(19200)[1]
