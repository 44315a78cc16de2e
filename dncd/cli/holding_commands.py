"""Commands about what a control holds; they read the records and need no service: holds."""

from typing import TYPE_CHECKING, Any, Final

import click

from dncd.cli.asking import Asked, as_json, asked, machine_word, unknown
from dncd.cli.layout import count, local_time, number, print_json, table
from dncd.cli.moments import at_option
from dncd.values import printable

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


def told(known: "Holding") -> str:
    """A holding in a few words."""
    return HOW[known.how.value].format(known.revision or "?")


def read(given: Asked, machine: str, at: str | None) -> "Holdings":
    """What a machine held; UsageError for one that neither the settings nor the ledger know."""
    state = given.state
    from dncd.records.holdings import Holdings

    found = Holdings.read(state, machine, at or "")
    if machine not in given.settings.machines and not found.seq:
        raise unknown("machine", machine, given.settings.machines, str(given.file))
    return found


@click.command()
@machine_word(required=True)
@at_option
@as_json
@asked
def holds(given: Asked, machine: str, at: str | None, as_json: bool) -> None:
    """What the control holds, as far as is known.

    sent: it went out whole, and only the control knows whether it was kept; checked: it came back equal to what was sent.
    """
    found = read(given, machine, at)
    held, backup = found.of(machine), found.backup(machine)
    if as_json:
        print_json(_as_json(held, backup))
        return
    if not held:
        click.echo(f"nothing is known of what {machine} holds: no program has gone over its line")
        return
    rows = [(program, number(h.revision or None), _how(h), local_time(h.since)) for program, h in _in_order(held)]
    click.echo("\n".join(table(("program", "revision", "how sure", "as of"), rows, right=(1,))))
    click.echo(backup_line(backup))


def _how(known: "Holding") -> str:
    return told(known).removeprefix(f"revision {known.revision}, ") if known.revision else told(known)


def _in_order(held: "dict[str, Holding]") -> "list[tuple[str, Holding]]":
    return sorted(held.items())


def _as_json(held: "dict[str, Holding]", backup: "Backup | None") -> dict[str, Any]:
    programs = [
        {"program": program, "revision": h.revision, "how": h.how.value, "since": h.since or None}
        for program, h in _in_order(held)
    ]
    kept = None
    if backup is not None:
        kept = {
            "time": backup.time,
            "file": backup.file,
            "programs": list(backup.programs),
            "missing": list(backup.missing),
            "unknown": list(backup.unknown),
        }
    return {"programs": programs, "backup": kept}


def backup_line(backup: "Backup | None") -> str:
    """The newest backup in one line."""
    if backup is None:
        return "backup: none yet"
    parts = [count(len(backup.programs), "program")]
    parts += [f"{len(names)} {what}" for what, names in (("missing", backup.missing),) if names]
    return printable(f"backup: {local_time(backup.time)}, {', '.join(parts)}")


COMMANDS: tuple[Any, ...] = (holds,)
