"""Commands about one file on its way: `send`, `go`, `next`, `withdraw`; and `request`, which asks a control for one."""

from pathlib import Path

import click

from dncd.cli.asking import FILE, JSON, MACHINE, Asked, command
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
