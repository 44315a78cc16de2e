"""`dncd prove`, and how the other commands tell what is proven and checked."""

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import click

from dncd.cli.asking import JSON, MACHINE, PROGRAM, Asked, command, user_name
from dncd.cli.layout import print_json
from dncd.peer_text import local_text, printable
from dncd.program.names import spelt

if TYPE_CHECKING:
    from dncd.records.holdings import Holdings, SignedOff
    from dncd.records.library import Library


_NOBODY: Final = ("root", "dncd", "")
"""Login names that all share who look after the box."""


@command(MACHINE, PROGRAM, JSON)
@click.option(
    "-r",
    "--revision",
    type=click.IntRange(min=1),
    metavar="N",
    help="Revision N. Without it: the newest, if the control is known to hold just that.",
)
@click.option("--note", required=True, metavar="TEXT", help="What was looked at: part, order, inspection.")
@click.option("--by", default=user_name, show_default="your login name", metavar="NAME", help="Who signs it off.")
def prove(given: Asked, *, machine: str, program: str, revision: int | None, note: str, by: str, as_json: bool) -> None:
    """After a supervised first part: single block, dry run, reduced rapid, a good part. The signature stands in the ledger
    and as a git note in the library.
    """
    from dncd.records.proving import Signing
    from dncd.service.signing import sign

    given.need(machine)
    if by in _NOBODY and sys.stdin.isatty():
        by = click.prompt(f"{by} is no person. Who signs it off", err=True)
    done = sign(given.state, Signing(machine, spelt(program), note, by, revision or 0))
    if as_json:
        print_json({"machine": machine, **done})
        return
    said = "is proven" if done["new"] else "is on record already"
    click.echo(
        printable(
            f"{machine}: {program}, revision {done['revision']} {said}: {done['note']} "
            f"({done['by']}, {local_text(str(done['time']))})"
        )
    )


def signed_json(signed: "SignedOff | None") -> dict[str, Any] | None:
    if signed is None:
        return None
    return {"revision": signed.revision, "time": signed.time, "by": signed.by, "note": signed.note}


def standing(held: "Holdings", library: "Library", machine: str, program: str, newest: int) -> dict[str, Any]:
    """For JSON: `proven`, the signature of the newest revision's text or null; `last_proven`, the newest one signed or 0."""
    from dncd.records.proving import Standing

    every = held.signed_off(machine, program)
    if not every:
        return {"proven": None, "last_proven": 0}
    signed = Standing(library, held, machine).of_revision(program, newest)
    return {"proven": signed_json(signed), "last_proven": every[-1].revision}


def standing_words(program: Mapping[str, Any]) -> str:
    """The cell of a table: `yes, 2026-11-25`, `no` or `no (revision 2 is)`."""
    if signed := program["proven"]:
        return f"yes, {local_text(signed['time'])[:10]}"
    return f"no (revision {program['last_proven']} is)" if program["last_proven"] else "no"
