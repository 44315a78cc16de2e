"""A cable or a loopback plug drawn in text: every wire can be followed with a finger, from `o` to `o`.

`-` and `|` are wires, `+` joins what touches it, `o` is a contact with its pin number and circuit beside it.
"""

from collections.abc import Sequence
from typing import Final

from dncd.commissioning.pins import Connector, Line, pin_of
from dncd.commissioning.wiring import Cable, Contact, End, Join, Plug, Variant

SPAN: Final = 34
"""Columns between the contacts of the two ends."""

NEAR_BUS: Final = 4
FAR_BUS: Final = SPAN - 5
"""Columns, in the span, of the upright wires at each end."""


def draw_cable(cable: Cable) -> str:
    """The cable, near end at the left. Lines end in newlines."""
    head = [f"{'DNCD PORT':<13}{'':{SPAN}}  CONTROL", f"{cable.near.value:<13}{'':{SPAN}}  {cable.far.value}", ""]
    groups = _groups(cable.joins)
    through = [group for group in groups if any(not join.is_bridge for join in group)]
    near = [group for group in groups if group not in through and group[0].a.end is End.NEAR]
    far = [group for group in groups if group not in through and group not in near]
    rows: list[str] = []
    for group in [*through, *([*pair[0], *pair[1]] for pair in zip(near, far, strict=True))]:
        rows += [*_group_rows(group), ""]
    shield = "the shell" if cable.near is Connector.DE9 else f"pin {pin_of(Line.SHIELD, cable.near)}"
    rows.append(f"SHIELD: to {shield} at dncd's end; open and insulated at the control's end")
    return "\n".join(line.rstrip() for line in [*head, *rows]) + "\n"


def _groups(joins: Sequence[Join]) -> list[list[Join]]:
    groups: list[list[Join]] = []
    for join in joins:
        touching = [group for group in groups if any({join.a, join.b} & {old.a, old.b} for old in group)]
        merged = [old for group in touching for old in group] + [join]
        groups = [group for group in groups if group not in touching] + [merged]
    first = {id(group): min(joins.index(join) for join in group) for group in groups}
    return sorted(groups, key=lambda group: first[id(group)])


def _group_rows(group: Sequence[Join]) -> list[str]:
    """One net, or the loops of both ends side by side: near contacts down the left, far ones down the right, and a wire
    between them in the first row if a join has one."""
    crosses = any(not join.is_bridge for join in group)
    contacts = list(dict.fromkeys(contact for join in group for contact in (join.a, join.b)))
    near = [contact for contact in contacts if contact.end is End.NEAR]
    far = [contact for contact in contacts if contact.end is End.FAR]
    rows = []
    for k in range(max(len(near), len(far))):
        wire = [" "] * SPAN
        if k < len(near):
            _stub(wire, range(NEAR_BUS + 1 if len(near) > 1 else 1))
        if k < len(far):
            _stub(wire, range(FAR_BUS if len(far) > 1 else SPAN - 1, SPAN))
        if k == 0 and crosses:
            _stub(wire, range(SPAN))
        if len(near) > 1 and k < len(near):
            wire[NEAR_BUS] = "+"
        if len(far) > 1 and k < len(far):
            wire[FAR_BUS] = "+"
        left = _label(near[k], near_side=True) if k < len(near) else " " * 13
        right = _label(far[k], near_side=False) if k < len(far) else ""
        rows.append(left + "".join(wire) + right)
    return rows


def _stub(wire: list[str], columns: range) -> None:
    for column in columns:
        wire[column] = "-"


def _label(contact: Contact, *, near_side: bool) -> str:
    if near_side:
        return f"{contact.line.value:>6} {contact.pin:>4} o"
    return f"o {contact.pin:<4} {contact.line.value}"


def draw_plug(plug: Plug) -> str:
    """A loopback plug: its pins down the left, the bridges at the right. Lines end in newlines."""
    rows = [f"Loopback plug, {plug.connector.value}", ""]
    nets: list[list[Line]] = []
    for a, b in plug.joins:
        for net in nets:
            if a in net:
                net.append(b)
                break
        else:
            nets.append([a, b])
    for net in nets:
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


def wire_count(cable: Cable) -> int:
    """Wires between the two ends: a net that joins several pins of one end needs one."""
    return sum(any(not join.is_bridge for join in group) for group in _groups(cable.joins))


def is_looped(cable: Cable) -> bool:
    return cable.variant is Variant.THREE_WIRE
