"""The cable of a machine as two A4 sheets to print, drawn as one sees it with the soldering iron in hand: HTML that needs
nothing beside it. Millimetres throughout.

Rows of a connector stand upright, pin 1 at the top. The pins of its rows are staggered, so each pin has a height of its own,
and one wire leaves it level; what is joined within a plug is joined beside it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import chain
from typing import Final, TypeVar

from dncd.commissioning.wiring import (
    CAUTIONS,
    PINS,
    PLUG_JOINS,
    Cable,
    Connector,
    Contacts,
    End,
    Line,
    Order,
    facts,
    heading,
    pin_of,
    table_rows,
)

_ROWS: Final = {Connector.DE9: (5, 9, 14.0), Connector.DB25: (13, 25, 7.0)}
"""Pins of the long row, pins in all, the distance of two in a row, drawn as tall as they can be."""

_TALL: Final = 84.0
_APART: Final = 1.75
"""How much the far connector is lower: no wire of the one lies in a line with a wire of the other."""

_BRIDGES: Final = (17.0, 22.0, 27.0)
"""From the edge of a plug: where bridges stand, beyond the names."""

_SHIELD: Final = (58.0, 128.0)
"""Left and right edge of what runs in the shield."""


@dataclass(frozen=True, slots=True)
class _Plug:
    """A connector seen from its solder side. x: of its middle; way: 1 where its wires leave to the right, -1 to the left;
    drop: how much lower it is."""

    connector: Connector
    contacts: Contacts
    x: float
    way: int = 1
    drop: float = 0.0

    @property
    def edge(self) -> float:
        return self.x + 10 * self.way

    def spot(self, pin: int) -> tuple[float, float]:
        """Middle of a pin. From the solder side pins are numbered from the right and sockets from the left, the long row
        above: with pin 1 turned to the top, the long row stands left and right."""
        row, _, pitch = _ROWS[self.connector]
        long = pin <= row
        down = (pin - 1) * pitch if long else (pin - row - 0.5) * pitch
        side = -4 if long is (self.contacts is Contacts.PINS) else 4
        return self.x + side, self.drop + (_TALL - (row - 1) * pitch) / 2 + down

    def bridge(self, number: int) -> float:
        return self.edge + _BRIDGES[number] * self.way


def _text(x: float, y: float, said: str, kind: str = "") -> str:
    return f'<text x="{x:g}" y="{y:g}" class="{kind}">{escape(said)}</text>'


def _wire(x: float, y: float, rest: str) -> str:
    return f'<path class="wire" d="M{x:g} {y:g}{rest}"/>'


def _dot(x: float, y: float) -> str:
    return f'<circle class="dot" cx="{x:g}" cy="{y:g}" r="1"/>'


def _shell(plug: _Plug) -> str:
    top, bottom = plug.spot(1)[1] - 7, _foot(plug)
    out = 9 if plug.spot(1)[0] > plug.x else -9
    return f'<path d="M{plug.x + out:g} {top:g}V{bottom:g}L{plug.x - out:g} {bottom - 4:g}V{top + 4:g}Z"/>'


def _face(plug: _Plug, where: str) -> Iterator[str]:
    """Pins with numbers, names of the circuits, what it is and where it goes."""
    for pin in range(1, _ROWS[plug.connector][1] + 1):
        x, y = plug.spot(pin)
        yield f'<circle class="pin" cx="{x:g}" cy="{y:g}" r="2.4"/>' + _text(x, y + 1.1, str(pin), "mid")
    for each in PINS:
        if pin := each.at(plug.connector):
            at = plug.edge + plug.way, plug.spot(pin)[1] - 0.7
            yield _text(*at, each.line.value, "name" if plug.way > 0 else "name end")
    for y, said in ((-16, where), (-11, f"{plug.connector.value}, {plug.contacts.value}")):
        yield _text(plug.x, y, said, "big mid")


def _foot(plug: _Plug) -> float:
    return plug.spot(_ROWS[plug.connector][0])[1] + 7


def _joined(plug: _Plug, pins: Sequence[int], number: int) -> Iterator[str]:
    """A bridge within the plug, from pin to pin."""
    x, spots = plug.bridge(number), [plug.spot(pin) for pin in pins]
    heights = [y for _, y in spots]
    yield _wire(x, min(heights), f"V{max(heights):g}")
    for at, y in spots:
        yield _wire(at, y, f"H{x:g}") + _dot(x, y)


_Pin = TypeVar("_Pin")


def _nets(joins: Iterable[tuple[_Pin, _Pin]]) -> list[list[_Pin]]:
    nets: list[list[_Pin]] = []
    for join in joins:
        touched = [net for net in nets if {*net} & {*join}]
        nets = [net for net in nets if net not in touched] + [[*dict.fromkeys(chain(*touched, join))]]
    return nets


def draw_cable(cable: Cable, control_has: Contacts) -> str:
    near = _Plug(cable.near, Contacts.SOCKETS, 20)
    far = _Plug(cable.far, control_has.other, 166, -1, _APART)
    return _svg("The cable from pin to pin", _cable(cable, near, far))


def _cable(cable: Cable, near: _Plug, far: _Plug) -> Iterator[str]:
    left, right = _SHIELD
    yield from map(_shell, (near, far))
    yield f'<rect class="shield" x="{left:g}" y="-5" width="{right - left:g}" height="{_TALL + 11:g}"/>'
    if pin := pin_of(Line.SHIELD, cable.near):
        x, y = near.spot(pin)
        yield _wire(x, y, f"H{left:g}") + _dot(left, y)
    else:
        y = _foot(near)
        yield _wire(near.x, y - 2, f"V{y + 5:g}H{left:g}") + _dot(left, y + 5)
    nets, used, lane = _nets(cable.joins), {End.NEAR: 0, End.FAR: 0}, 0
    for net in nets:
        ends: list[tuple[float, float]] = []
        for end, plug in ((End.NEAR, near), (End.FAR, far)):
            pins = [contact.pin for contact in net if contact.end is end]
            if len(pins) > 1:
                yield from _joined(plug, pins, used[end])
                ends.append((plug.bridge(used[end]), plug.spot(pins[0])[1]))
                used[end] += 1
            elif pins:
                ends.append(plug.spot(pins[0]))
        if len(ends) == 2:
            lane += 1
            (x, y), (to, low) = ends
            yield _wire(x, y, f"H{left + lane * (right - left) / (cable.wires + 1):.4g}V{low:g}H{to:g}")
    yield from (*_face(near, "to dncd's port"), *_face(far, "to the control"))
    yield _text((left + right) / 2, -7, "shield", "mid")
    yield _text((left + right) / 2, _TALL + 11, "shield at the control: insulated, unless its manual clamps it", "mid")


def draw_plug(connector: Connector, contacts: Contacts, where: str) -> str:
    plug = _Plug(connector, contacts, 20)
    pins = [(pin_of(a, connector), pin_of(b, connector)) for a, b in PLUG_JOINS]
    bridges = (part for number, net in enumerate(_nets(pins)) for part in _joined(plug, net, number))
    return _svg(f"Loopback plug {where}", chain([_shell(plug)], bridges, _face(plug, where)), 90)


def _svg(label: str, parts: Iterable[str], width: int = 186) -> str:
    box = f'viewBox="0 -20 {width} {_TALL + 32:g}" width="{width}mm" height="{_TALL + 32:g}mm"'
    return f'<svg {box} role="img" aria-label="{escape(label)}">\n{"".join(parts)}\n</svg>\n'


_STYLE: Final = """
@page { size: A4; margin: 12mm; }
* { box-sizing: border-box; }
body { font: 9pt/1.25 Arial, Helvetica, "Liberation Sans", sans-serif; color: #000;
  background: #fff; width: 186mm; margin: 0 auto; }
.sheet { break-after: page; } .sheet:last-child { break-after: auto; }
h1 { font-size: 15pt; line-height: 1.15; margin: 0 0 1mm; overflow-wrap: anywhere; }
h2 { font-size: 11pt; margin: 3mm 0 1mm; }
p, ul, ol { margin: 1mm 0; } ul, ol { padding-left: 5mm; }
svg { display: block; margin-bottom: 1mm; } .plugs, .wires { display: flex; gap: 6mm; }
path, .pin { fill: #fff; stroke: #000; stroke-width: 0.3; }
.wire { fill: none; stroke-width: 0.6; }
.shield { fill: none; stroke: #000; stroke-width: 0.5; stroke-dasharray: 2 1.2; }
text { font-size: 3px; } .name { font: bold 2.6px Arial, Helvetica, sans-serif; }
.mid { text-anchor: middle; } .end { text-anchor: end; }
.big { font-size: 4px; font-weight: bold; }
table { border-collapse: collapse; }
th, td { border: 0.2mm solid #555; padding: 0.3mm 1.5mm; text-align: left; white-space: nowrap; }
.note { border: 0.5mm solid #000; padding: 0 3mm; margin-top: 2mm; } .note h2 { margin-top: 1mm; }
.done td:last-child { width: 12mm; }
@media screen { body { padding: 8mm 0; } .sheet { margin-bottom: 20mm; } }
"""


def wiring_page(order: Order) -> str:
    """The two sheets: the cable, with a column to tick each wire off; the loopback plugs, and what to test with them."""
    cable, named = order.cable, escape(heading(order))
    plugs = {(cable.near, Contacts.SOCKETS): "at dncd's port", (cable.far, order.control_has): "at the cable's end"}
    drawn = "".join(draw_plug(*plug, where) for plug, where in plugs.items())
    pins = ((pin.line.value, str(pin.de9 or "shell"), str(pin.db25), pin.direction.value, pin.name) for pin in PINS)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{named}</title>
<style>{_STYLE}</style>
</head>
<body>
<section class="sheet">
<h1>{named}</h1>
{"".join(f"<p>{escape(fact)}</p>" for fact in facts(order))}
{draw_cable(cable, order.control_has)}<div class="wires">
{_table("done", ("from", "to", "what", "done"), ((*row, "") for row in table_rows(cable)))}
<p>{escape(_HOW)} Drawn for a control that has {order.control_has.value}: if it has {order.control_has.other.value}, print
this with <code>--control-has {order.control_has.other.value}</code>.</p></div>
<div class="note"><h2>Note</h2><ul>
{"".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)}
</ul></div>
</section>
<section class="sheet">
<h1>Loopback plugs and test of {escape(order.machine)}</h1>
<p class="note">{escape(CAUTIONS[-1])}</p>
<div class="plugs">{drawn}</div>
<p>{escape(_HOW)}</p>
<h2>Test</h2>
<ol>
{"".join(f"<li>{step}</li>" for step in _steps(escape(order.machine)))}
</ol>
<h2>Pins, seen from the computer or the control</h2>
{_table("", ("circuit", "DE-9", "DB-25", "goes", "name"), pins)}
</section>
</body>
</html>
"""


_HOW: Final = (
    "Each plug is drawn from the side of its solder, turned so that pin 1 is at the top; the number moulded beside a pin"
    " decides. A dot joins; wires that cross without a dot do not touch."
)


def _steps(machine: str) -> tuple[str, ...]:
    return (
        f"Nothing but the plug at dncd’s port: <code>dncd line test {machine}</code>. Port and adaptor are good, or it says"
        " which pin to look at.",
        f"The cable at the port, its other end out of the control and in the plug:"
        f" <code>dncd line test {machine} --far</code>. It tries the whole cable at its rate.",
        f"The cable at the control: <code>dncd line trial {machine}</code> goes through the rest with you and leaves a sheet"
        " to sign.",
    )


def _table(kind: str, heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    head = "".join(f"<th>{each}</th>" for each in heads)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>\n" for row in rows)
    return f'<table class="{kind}"><thead><tr>{head}</tr></thead><tbody>\n{body}</tbody></table>'
