"""`dncd log`: the ledger, readable. It does not need the service."""

import itertools
import json
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

import click

from dncd.cli.asking import ANY_MACHINE, JSON, Asked, command, complete_programs
from dncd.cli.layout import count, fold, paged, print_json, seconds
from dncd.cli.moments import Moment
from dncd.ledger_lines import Record
from dncd.peer_text import local_text, printable

FOLLOW_S: Final = 0.5
"""Seconds between two looks of `log --follow`."""

FOLLOWED: Final = 10
"""Lines that `log --follow` begins with, unless --last or --since say otherwise."""


def known(given: Asked, machine: str) -> None:
    """A machine of the settings, or one that was there once and is still in the ledger; else UsageError."""
    from dncd.records import ledger

    if machine not in given.outline.machines and not any(True for _ in ledger.records(given.state, machine)):
        raise given.unknown_machine(machine)


def _meant(
    machine: str | None, since: str | None, until: str | None, program: str | None, events: tuple[str, ...]
) -> Callable[[Record], bool]:
    """Whether a record is among those that were asked for. since, until: times as the ledger has them, or line numbers."""

    def place(record: Record, bound: str) -> tuple[Any, Any]:
        return (record["seq"], int(bound)) if bound.isdigit() else (record["time"], bound)

    def meant(record: Record) -> bool:
        return (
            (not machine or record.get("machine") == machine)
            and (not events or record["event"] in events)
            and (not program or record.get("program") == program or program in record.get("programs", ()))
            and (not since or (here := place(record, since))[0] >= here[1])
            and (not until or (here := place(record, until))[0] <= here[1])
        )

    return meant


@command(ANY_MACHINE, JSON)
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Only the last N.")
@click.option("--since", metavar="TIME", type=Moment(first=True), help="From then on: 2026-07-01, '2026-07-01 14:30'.")
@click.option(
    "--until", metavar="TIME", type=Moment(), help="Up to then. A day counts whole; a line's number is fine too."
)
@click.option("--program", metavar="PROGRAM", shell_complete=complete_programs, help="Only of this program.")
@click.option(
    "--event", "events", metavar="EVENT", multiple=True, help="Only such, as sent or damaged; may be repeated."
)
@click.option("--follow", "-f", is_flag=True, help="The last ones, then each as it comes, until ctrl-C.")
@click.option("--full", is_flag=True, help="Every reason of a refusal or damage, not the first alone.")
def log(
    given: Asked,
    *,
    machine: str | None,
    last: int | None,
    since: str | None,
    until: str | None,
    program: str | None,
    events: tuple[str, ...],
    follow: bool,
    full: bool,
    as_json: bool,
) -> None:
    """On a terminal it is shown by $PAGER, or less."""
    if machine is not None:
        known(given, machine)
    from dncd.records import ledger

    state, meant = given.state, _meant(machine, since, until, program, events)
    records: Iterable[Record] = filter(meant, ledger.records(state, machine or ""))
    if follow:
        try:
            seq = ledger.last_seq(state)
            before = deque((r for r in records if r["seq"] <= seq), last or (None if since else FOLLOWED))
            for record in itertools.chain(before, filter(meant, _coming(given, seq))):
                click.echo(json.dumps(record) if as_json else printable(log_line(record, full)))
        except KeyboardInterrupt:
            click.echo(err=True)
        return
    if last is not None:
        records = deque(records, maxlen=last)
    if as_json:
        print_json(list(records))
    else:
        paged(fold(printable(log_line(record, full))) for record in records)


def _coming(given: Asked, seq: int) -> Iterator[Record]:
    from dncd.records import ledger

    while True:
        for record in ledger.since(given.state, seq):
            seq = record["seq"]
            yield record
        time.sleep(FOLLOW_S)


def log_line(record: Record, full: bool = False) -> str:
    """One record in one line: when, where, what, and what is worth knowing of it; full: every reason, not the first."""
    parts = [local_text(record.get("time", "")), f"{record.get('event', ''):11}"]
    parts += filter(None, (record.get("machine"), record.get("program"), record.get("file")))
    facts = []
    if record.get("event") == "backup":
        lists = {key: record.get(key) for key in ("programs", "changed", "missing", "unknown")}
        facts += [f"{len(names)} {key}" for key, names in lists.items() if isinstance(names, list) and names]
    if record.get("revision"):
        facts.append(f"revision {record['revision']}")
    if "wire_chars" in record:
        facts.append(count(record["wire_chars"], "character"))
    if record.get("seconds") or ("seconds" in record and "chars" in record):
        facts.append(seconds(record["seconds"]))
    if record.get("holds"):
        facts.append(count(record["holds"], "hold"))
    if record.get("rounds"):
        facts += [f"the line: {record['rounds']}", f"signed {record.get('by', '')}"]
    elif record.get("note"):
        facts += [record["note"], f"signed {record.get('by', '')}"]
    elif record.get("by"):
        about = (record.get("do"), record.get("what"), record.get("switch"))
        facts += [*filter(None, about), f"by {record['by']}"]
    line = "  ".join(parts) + (f"  ({', '.join(facts)})" if facts else "")
    reasons = record.get("reasons") or [*filter(None, [record.get("reason")])]
    said = reasons if full else reasons[:1]
    more = f"; and {len(reasons) - len(said)} more: dncd log --full" if len(said) < len(reasons) else ""
    return line + "".join(f"; {reason}" for reason in said) + more
