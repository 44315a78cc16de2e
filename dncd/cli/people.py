"""`dncd people`: who may use the shop's page, and which phones are joined to a machine."""

import sys
from collections.abc import Iterable
from typing import Any, Final

import click

from dncd.cli.asking import JSON, MACHINE, Asked, caution, command, completing
from dncd.cli.layout import print_json, table
from dncd.errors import UsageError
from dncd.page.people import Person, Role, keep, new_code, new_token, phrase_kept, read
from dncd.peer_text import printable

ROLES: Final = {
    "look": "look at everything",
    "bring": "bring programs, stop them, sign first parts off",
    "office": "drop programs, take edits over",
    "keeper": "have the records checked",
}
"""Of people: what each may beside those before it, as `page/people.MAY` has it."""

_HERE: Final = (
    "By the settings the page listens on this computer alone, at {listen}; [page] there lets others reach it."
)


@completing
def _names(given: Asked, _machine: str) -> Iterable[str]:
    return [person.name for person in read(given.state).people]


@command(JSON, name="list")
def everybody(given: Asked, as_json: bool) -> None:
    """None of them: then whoever sits at this computer uses the page without signing on, and nobody else reaches it."""
    found = read(given.state).people
    if as_json:
        print_json([_plain(person) for person in found])
    elif not found:
        click.echo("Nobody yet: `dncd people add NAME --role keeper` adds the first one.")
    else:
        rows = [(p.name, p.role, p.machine and f"{p.machine} alone") for p in found]
        click.echo("\n".join(table(("name", "role", ""), rows)))


def _plain(person: Person) -> dict[str, Any]:
    return {"name": person.name, "role": person.role, "machine": person.machine or None, "may": sorted(person.may)}


@command()
@click.argument("name")
@click.option("--role", type=click.Choice(list(ROLES)), required=True, help="What this one may do; see below.")
def add(given: Asked, name: str, role: str) -> None:
    """NAME is what the ledger will have. The pass phrase is asked for twice, or read from standard input: its first line.

    look may look at everything; bring may also bring programs, stop them and sign first parts off; office may also drop
    programs and take edits over; keeper may also have the records checked.
    """
    from dncd.outside import config_page
    from dncd.outside.config import page_of

    wanted, before = Person(" ".join(name.split()), Role(role)), read(given.state)
    page = page_of(given.file, "")
    before.with_one(wanted)  # what is wrong with it is told before a phrase is asked for
    made = Person(wanted.name, wanted.role, phrase_kept(_phrase(wanted.name)))
    keep(given.state, before.with_one(made))
    may = list(ROLES.values())[: list(ROLES).index(role) + 1]
    click.echo(f"{printable(made.name)} may, from now on: {'; '.join(may)}.")
    if config_page.is_here(page):
        click.echo(_HERE.format(listen=page.listen))
    else:
        click.echo(f"Sign on at {config_page.address_of(page)} with this name and the pass phrase.")
    if all(each.role is Role.BOX for each in before.people):
        caution("Somebody is on record now: nobody uses the page without signing on, at this computer neither.")
    if not made.may and not any(each.may for each in before.people if each.role is not Role.PHONE):
        caution("Nobody on record may do anything by the page but look: add somebody with `--role keeper` as well.")


def _phrase(name: str) -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    return str(click.prompt(f"Pass phrase of {printable(name)}", hide_input=True, confirmation_prompt="Once more"))


@command()
@click.argument("name", shell_complete=_names)
def remove(given: Asked, name: str) -> None:
    """A person, or a phone: out at the next thing that a browser asks for. What stands in the ledger stays there."""
    keep(given.state, read(given.state).without(name))
    click.echo(f"{printable(name)} is out, in every browser, at the next thing that it asks for.")


@command(MACHINE, JSON)
@click.option("--name", default="", help="What the ledger will have. Without it: phone of MACHINE.")
def phone(given: Asked, machine: str, name: str, as_json: bool) -> None:
    """A phone that opens the address sees this one machine and may bring programs to it, no more, for 90 days; then it opens
    it again. The address is shown once: print it for the machine's door, and remove it by its name when it is in wrong
    hands.
    """
    from dncd.outside import config_page
    from dncd.outside.config import page_of

    given.need(machine)
    page = page_of(given.file, "")
    if config_page.is_here(page):
        next_step = "Set [page] listen to an address of the network, with a certificate and its key"
        raise UsageError("no phone reaches the page: it listens on this computer alone", page.listen, next_step)
    code, kept = new_code()
    made = Person(" ".join(name.split()) or f"phone of {machine}", Role.PHONE, kept, machine)
    keep(given.state, read(given.state).with_one(made))
    address = f"{config_page.address_of(page)}join/{code}"
    if as_json:
        print_json(_plain(made) | {"address": address})
        return
    click.echo(f"Open this on the phone. It sees {machine} alone, and may bring programs to it:\n\n    {address}\n")
    click.echo(f"For the door: dncd programs {machine} --sheet --phone {address} -o door.html")
    click.echo(f"To revoke it: dncd people remove {_quoted(made.name)}")


@command()
@click.argument("name")
def box(given: Asked, name: str) -> None:
    """The page of another box shows the machines of this one too: it looks, and can ask for nothing. NAME is how the list
    here calls it. The token is shown once; remove it by NAME when it is in wrong hands.
    """
    token, kept = new_token()
    wanted = Person(" ".join(name.split()), Role.BOX, kept)
    keep(given.state, read(given.state).with_one(wanted))
    click.echo(
        f"A line for the other box's file of [page] box_tokens, behind the name that it has for this one:\n\n    {token}\n"
    )
    click.echo(f"To revoke it: dncd people remove {_quoted(wanted.name)}")


def _quoted(name: str) -> str:
    import shlex

    return shlex.quote(printable(name))
