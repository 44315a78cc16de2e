"""`dncd line health`: a line over months, by week, from the ledger alone."""

import dataclasses
from datetime import UTC, datetime
from textwrap import fill
from typing import Any, Final

import click

from dncd.cli.asking import JSON, MACHINE, Asked, command
from dncd.cli.layout import number, print_json, table
from dncd.cli.log import known
from dncd.commissioning.line_health import BEFORE_LEAST, LineHealth, Verdict, Week, health_of
from dncd.commissioning.wiring import COLUMNS
from dncd.records import ledger

SHOWN: Final = 13
"""Newest weeks that the table has, unless --weeks says otherwise."""

_HEADS: Final = (
    "week", "characters", "damaged in a million", "damaged", "interrupted", "holds", "held s", "char/s", "port lost",
)  # fmt: skip
_SAID: Final = {
    Verdict.STEADY: "as it was, as far as the weeks that are over show",
    Verdict.WORSE: "worse than it was",
    Verdict.UNKNOWN: f"needs {BEFORE_LEAST + 1} weeks of traffic before it can judge",
}


@command(MACHINE, JSON)
@click.option("--weeks", type=click.IntRange(min=1), default=SHOWN, show_default=True, help="So many are shown.")
def health(given: Asked, *, machine: str, weeks: int, as_json: bool) -> int:
    """Each week of transfers: what was hit, holds, rate, losses of the port. Where the weeks that are over are worse than
    those before, it says so, and where to look, before programs are lost.
    """
    known(given, machine)
    found = health_of(ledger.records(given.state, machine), datetime.now(UTC).date(), machine)
    if as_json:
        print_json(as_object(machine, found, weeks))
    elif not found.weeks:
        click.echo(f"{machine}: nothing has gone over its line yet")
    else:
        click.echo("\n".join(table(_HEADS, [_row(week) for week in found.weeks[-weeks:]], right=range(1, len(_HEADS)))))
        click.echo("\n".join(fill(line, COLUMNS, subsequent_indent="  ") for line in report(machine, found)))
    return 1 if found.verdict is Verdict.WORSE else 0


def report(machine: str, found: LineHealth) -> list[str]:
    """The verdict, and of what grew a line each: what it was and is, and where to look."""
    return [f"{machine}: {_SAID[found.verdict]}.", *(f"- {each.said}: {each.look}." for each in found.worse)]


def _row(week: Week) -> tuple[str, ...]:
    if not week.captures and not week.sendings:
        return (week.name, "0", *[""] * (len(_HEADS) - 2))
    counts = (week.damaged, week.interrupted, week.holds)
    rate = f"{week.rate:.0f}" if week.rate else ""
    hit = f"{week.hit_per_million:.1f}" if week.hit else "0"
    return (week.name, number(week.chars), hit, *map(number, counts), f"{week.held_s:.0f}", rate, number(week.losses))


def as_object(machine: str, found: LineHealth, weeks: int) -> dict[str, Any]:
    return {
        "machine": machine,
        "verdict": found.verdict.name.lower(),
        "said": report(machine, found)[0],
        "worse": [dataclasses.asdict(each) for each in found.worse],
        "weeks": [
            {
                "week": week.name,
                **dataclasses.asdict(week),
                "monday": week.monday.isoformat(),
                "held_s": round(week.held_s, 3),
                "seconds": round(week.seconds, 3),
                "hit_per_million": round(week.hit_per_million, 1),
                "rate": round(week.rate, 1) or None,
            }
            for week in found.weeks[-weeks:]
        ],
    }
