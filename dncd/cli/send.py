"""Commands about one file on its way: `send`, `go`, `next`, `withdraw`; and `request`, which asks a control for one."""

from getpass import getuser
from pathlib import Path

import click

from dncd.cli.asking import FILE, JSON, MACHINE, Asked, caution, command, complete_waiting
from dncd.cli.layout import print_json
from dncd.peer_text import printable


@command(MACHINE, JSON)
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=FILE)
@click.option("--over-edits", is_flag=True, help="Even if a file lacks an edit that the operator made at the machine.")
@click.option("--to-prove", is_flag=True, help="Even if send_only_proven holds: for a supervised prove-out.")
@click.option(
    "--again", type=click.IntRange(1, 9999), metavar="N", help="N times, one for each start; nothing else meanwhile."
)
@click.option("--name", metavar="NAME", help="The name of what comes by standard input, which is FILE -.")
def send(
    given: Asked,
    *,
    machine: str,
    files: tuple[Path, ...],
    name: str | None,
    over_edits: bool,
    to_prove: bool,
    again: int | None,
    as_json: bool,
) -> int:
    from dncd.cli import dropping
    from dncd.cli.following import Following, cut_short
    from dncd.errors import NoServiceError
    from dncd.records import durable

    given.need(machine)
    if (files == (dropping.INPUT,)) != (name is not None):
        raise click.UsageError("standard input is sent alone, and by a name: dncd send MACHINE - --name 0004.nc")
    if name is not None:
        files = (dropping.from_input(name),)
    for file in files:
        dropping.check(file)
    service = given.ask("status")["service"]  # nothing is dropped where nobody serves
    folder = given.folder / machine / "to-machine"
    dropped: dict[str, int] = {}
    for file in files:
        for wanted, do in ((over_edits, "over-edits"), (to_prove, "to-prove")):
            if wanted:
                given.ask(do, machine, sha256=durable.sha256_of(file.resolve()))
        if again is not None:
            given.ask("again", machine, sha256=durable.sha256_of(file.resolve()), times=again)
        name = dropping.drop(file, folder)
        dropped[name] = int(service.get("seq", 0))
        if name != file.name and not as_json:
            click.echo(f"{printable(file.name)} waits as {printable(name)}, because its own name is taken")
    following = Following(given.state, folder, machine, dropped, quiet=as_json)
    try:
        following.to_the_end()
    except KeyboardInterrupt:
        click.echo("\n".join(["", *following.left()]), err=True)
    except NoServiceError as error:
        raise cut_short(error, following) from None
    finally:
        if as_json:
            print_json([{"name": name, **following.ended.get(name, {"result": None})} for name in dropped])
    return 0 if all(following.ended.get(name, {}).get("result") == "sent" for name in dropped) else 1


@command(MACHINE)
def go(given: Asked, machine: str) -> None:
    done = given.ask("go", machine)
    click.echo(f"{machine}: {printable(str(done.get('file', 'the program')))} starts")


@command(MACHINE, name="next")
@click.argument("file", metavar="FILE")
def put_first(given: Asked, machine: str, file: str) -> None:
    """FILE is its name in to-machine/. It stays in front over a reload and a restart, and goes at the next start however old
    it is. While a batch is in the middle of its pieces (`dncd send --again`) nothing goes before it.
    """
    done = given.ask("next", machine, file=Path(file).name)
    click.echo(f"{machine}: {printable(str(done['file']))} goes next")


@command(MACHINE)
def seat(given: Asked, machine: str) -> None:
    """The line is this machine's from now on; the others behind the same box keep what waits. Turn the box first, unless it
    turns by itself. No start that was said before counts: press READ, or say `dncd go`, afterwards.
    """
    done = given.ask("seat", machine, by=getuser())
    before = f", and no longer {done['before']}'s" if done["before"] not in ("", machine) else ""
    click.echo(f"{machine}: seated; the line of {done['switch']} is its own now{before}")


@command(MACHINE, name="request")
def request_program(given: Asked, machine: str) -> None:
    given.ask("request", machine)
    click.echo(f"{machine}: asked for a program (DC1); what it punches comes to from-machine/")


@command(MACHINE)
@click.argument("file", required=False, shell_complete=complete_waiting)
def withdraw(given: Asked, machine: str, file: str | None) -> None:
    """Without FILE: what is being sent, else the first that waits; where a plan that cannot be read has stopped the
    machine, it is sent to again.
    """
    given.need(machine)
    before = given.ask("status")["machines"].get(machine) or {}
    done = given.ask("withdraw", machine, **({"file": file} if file else {}))
    if done.get("released"):
        click.echo(f"{machine}: it is sent to again; what waits in its to-machine/ goes out at its next start")
        return
    name = str(done.get("file", file or "the program"))
    click.echo(f"{machine}: {printable(name)} is withdrawn; it lies in refused/ with its receipt")
    moving = before.get("transfer") or {}
    if moving.get("file") == name and moving.get("chars"):
        caution(
            f"Caution: {moving['chars']} of its {moving['of_chars']} characters had gone to the control, which may hold"
            f" a part of {moving['program']}: delete it there before anything cuts."
        )
