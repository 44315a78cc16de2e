"""The cable of a machine as text for a terminal and as one printable page of HTML that needs nothing beside it."""

from dataclasses import dataclass
from html import escape
from textwrap import fill
from typing import Final

from dncd.choices import Flow
from dncd.commissioning.pins import PINS, Connector
from dncd.commissioning.wiring import (
    CAUTIONS,
    THREE_WIRE_NOTE,
    Cable,
    Variant,
    draw_cable,
    draw_plug,
    end_test,
    longest_cable,
    loopback_plug,
    table_rows,
    variant_for,
)

COLUMNS: Final = 100
"""Widest line of the text."""


@dataclass(frozen=True, slots=True)
class Order:
    """What the cable is for: machine and title for the heading, baud and flow as its settings have them, the connectors."""

    machine: str
    title: str
    baud: int
    flow: Flow
    near: Connector = Connector.DE9
    far: Connector = Connector.DB25

    @property
    def cable(self) -> Cable:
        return Cable(self.near, self.far, variant_for(self.flow))


def _facts(order: Order) -> list[str]:
    made = order.cable
    longest = longest_cable(order.baud)
    facts = [
        f"Flow {order.flow.value}: {made.variant.value}, {made.wires} wires and the shield.",
        f"Longest cable at {order.baud} bits a second: {longest.metres:g} m ({longest.because}).",
        "Look first which ends have pins and which sockets: a computer's connector has pins, a control's may have either.",
        end_test(order.far),
    ]
    if made.variant is Variant.THREE_WIRE:
        facts.append(THREE_WIRE_NOTE)
    return facts


def _heading(order: Order) -> str:
    return f"Cable for {order.machine}" + (f" ({order.title})" if order.title else "")


def wiring_text(order: Order) -> str:
    rows = table_rows(order.cable)
    wide = max(len(row[0]) for row in rows), max(len(row[1]) for row in rows)
    parts = [_heading(order), *(fill(fact, COLUMNS) for fact in _facts(order)), "", draw_cable(order.cable)]
    parts += [f"{a:<{wide[0]}}  to  {b:<{wide[1]}}  {kind}" for a, b, kind in rows]
    parts += ["", *(draw_plug(loopback_plug(connector)) for connector in dict.fromkeys((order.near, order.far)))]
    parts += [fill(caution, COLUMNS, initial_indent="! ", subsequent_indent="  ") for caution in CAUTIONS]
    return "\n".join(parts) + "\n"


_STYLE: Final = """
body { font: 11pt/1.4 sans-serif; color: #111; background: #fff; max-width: 48em; margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.5em; margin-bottom: 0.2em; } h2 { font-size: 1.1em; margin: 1.4em 0 0.4em; }
pre { font: 10pt/1.25 monospace; border: 1px solid #888; padding: 0.8em; break-inside: avoid; overflow-x: auto; }
table { border-collapse: collapse; break-inside: avoid; }
th, td { border: 1px solid #888; padding: 0.2em 0.6em; text-align: left; }
.cautions { border: 2px solid #111; padding: 0.4em 1em; break-inside: avoid; }
.done td:last-child { width: 5em; }
@media print { body { margin: 0; max-width: none; } @page { margin: 15mm; } }
"""


def wiring_page(order: Order) -> str:
    """The same as one page of HTML, self-contained, for printing: with a column to tick each wire off."""
    wires = "".join(
        f"<tr><td>{escape(a)}</td><td>{escape(b)}</td><td>{escape(kind)}</td><td></td></tr>\n"
        for a, b, kind in table_rows(order.cable)
    )
    plugs = "".join(
        f"<pre>{escape(draw_plug(loopback_plug(connector)))}</pre>\n"
        for connector in dict.fromkeys((order.near, order.far))
    )
    pins = "".join(
        f"<tr><td>{pin.line.value}</td><td>{pin.de9 or 'shell'}</td><td>{pin.db25}</td><td>{pin.direction.value}</td>"
        f"<td>{escape(pin.name)}</td></tr>\n"
        for pin in PINS
    )
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(_heading(order))}</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>{escape(_heading(order))}</h1>
{"".join(f"<p>{escape(fact)}</p>" for fact in _facts(order))}
<div class="cautions"><h2>Note</h2><ul>
{"".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)}
</ul></div>
<h2>Drawing</h2>
<pre>{escape(draw_cable(order.cable))}</pre>
<h2>Wires</h2>
<table class="done"><thead><tr><th>from</th><th>to</th><th>what</th><th>done</th></tr></thead><tbody>
{wires}</tbody></table>
<h2>Loopback plugs</h2>
{plugs}<h2>Pins, seen from the computer or the control</h2>
<table><thead><tr><th>circuit</th><th>DE-9</th><th>DB-25</th><th>goes</th><th>name</th></tr></thead><tbody>
{pins}</tbody></table>
</body>
</html>
"""
