"""Commands about what a control holds: holds, restore, backup."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from dncd.cli.asking import FILE, JSON, MACHINE, Asked, caution, command
from dncd.cli.layout import count, number, print_json, table
from dncd.cli.moments import at_option
from dncd.peer_text import local_text, printable

if TYPE_CHECKING:
    from dncd.records.holdings import Backup, Holding, Holdings

HOW: Final = {
    "unknown": "",
    "sent": "revision {}, sent",
    "checked": "revision {}, checked",
    "punched": "revision {}, as it came back",
    "changed at the machine": "revision {}, changed at the machine",
    "in part": "not known: a sending of revision {} was interrupted",
    "missing": "not in the last backup",
}
"""How a holding is told; the keys are `records.holdings.How`."""


def read(given: Asked, machine: str, at: str | None) -> "Holdings":
    """What a machine held; UsageError for one that neither the settings nor the ledger know."""
    state = given.state
    from dncd.records.holdings import Holdings

    found = Holdings.read(state, machine, at or "")
    if found.out_of_time:
        lines = count(len(found.out_of_time), "line")
        click.echo(
            f"The clock ran backwards: {lines} of the ledger, from number {found.out_of_time[0]} on, came before others of"
            f" that time and bear a later one. They count, by their order; give --at with such a number (`seq`"
            " in `dncd log --json`) to say exactly what is meant.",
            err=True,
        )
    if machine not in given.outline.machines and not found.seq:
        raise given.unknown_machine(machine)
    return found


@command(MACHINE, JSON)
@at_option
def holds(given: Asked, machine: str, at: str | None, as_json: bool) -> None:
    """sent: it went out whole, and only the control knows whether it was kept; checked: it came back equal to what was
    sent."""
    found = read(given, machine, at)
    held, backup = found.of(machine), found.backup(machine)
    if as_json:
        print_json(_as_json(held, backup))
        return
    if not held:
        click.echo(f"nothing is known of what {machine} holds: no program has gone over its line")
        return
    rows = [
        (
            program,
            number(h.revision or None),
            HOW[h.how.value].format(h.revision or "?").removeprefix(f"revision {h.revision}, "),
            local_text(h.since),
        )
        for program, h in _in_order(held)
    ]
    click.echo("\n".join(table(("program", "revision", "how sure", "as of"), rows, right=(1,))))
    if unnamed := len(held) - len(rows):
        punches = count(unnamed, "punch", "punches")
        click.echo(f"{punches} without a number or name, of whatever program: see from-machine/")
    click.echo(backup_line(backup))


def _in_order(held: "dict[str, Holding]") -> "list[tuple[str, Holding]]":
    """Those that have a name: what came without one may be any program."""
    from dncd.records.holdings import is_unnamed

    return sorted((program, known) for program, known in held.items() if not is_unnamed(program))


def _as_json(held: "dict[str, Holding]", backup: "Backup | None") -> dict[str, Any]:
    programs = [
        {"program": program, "revision": h.revision, "how": h.how.value, "since": h.since or None}
        for program, h in _in_order(held)
    ]
    keys = ("time", "file", "programs", "missing", "unknown")
    kept = {key: getattr(backup, key) for key in keys} if backup is not None else None
    return {"programs": programs, "unnamed": len(held) - len(programs), "backup": kept}


def backup_line(backup: "Backup | None") -> str:
    if backup is None:
        return "backup: none yet"
    missing = f", {len(backup.missing)} missing" if backup.missing else ""
    return printable(f"backup: {local_text(backup.time)}, {count(len(backup.programs), 'program')}{missing}")


@command(MACHINE)
@at_option
@click.option("--output", "-o", metavar="FILE", type=FILE, help="The dump's file. It must be new.")
@click.option("--each", is_flag=True, help="A file for each program, into the folder that --output names.")
@click.option("--drop", is_flag=True, help="Drop it for the machine, to be sent at its next start.")
def restore(given: Asked, *, machine: str, at: str | None, output: Path | None, each: bool, drop: bool) -> int:
    """Held now, or at a time. The order is that of the last backup. Nothing is sent unless --drop is given."""
    from dncd.cli import restoring

    made = restoring.make(given, machine, read(given, machine, at), each=each)
    if drop:
        import tempfile

        given.ask("status")  # nothing is dropped where nobody serves
        with tempfile.TemporaryDirectory() as folder:
            names = restoring.drop(given, machine, restoring.write(made, Path(folder), None))
        click.echo(f"{machine}: {printable(', '.join(names[:5]))}{' …' if len(names) > 5 else ''} waits to be sent")
    else:
        paths = restoring.write(made, output if each and output else Path(), None if each else output)
        click.echo(f"{count(len(made.pieces), 'program')} in {printable(', '.join(str(p) for p in paths[:5]))}")
    for told_line in made.told():
        caution(told_line)
    return 0
