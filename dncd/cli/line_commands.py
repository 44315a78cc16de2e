"""Commands that run the service or speak with it: run, status, send, go, withdraw; and the demo."""

import json
import sys
import time
from pathlib import Path
from typing import Any

import click

from dncd.cli.asking import Asked, as_json, asked, machine_word
from dncd.cli.layout import print_json
from dncd.values import printable

FOLLOW_S = 0.5
"""Seconds between two looks of `status --follow`."""


@click.command()
@asked
def run(given: Asked) -> int:
    """Serve all machines, until SIGTERM or ctrl-C."""
    settings = given.settings  # its faults come before everything that takes time to load
    from dncd.service import run as service

    return int(service.run(settings))


@click.command()
@click.option(
    "--keep",
    "folder",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Leave all its files there.",
)
def demo(folder: Path | None) -> int:
    """The whole job on this machine alone, with stand-in controls."""
    from dncd.standin import demo as story

    return int(story.main(folder))


@click.command()
@machine_word(required=False)
@click.option("--follow", "-f", is_flag=True, help="Show it anew until ctrl-C.")
@as_json
@asked
def status(given: Asked, machine: str | None, follow: bool, as_json: bool) -> None:
    """What each line does, how far it is, what waits."""
    from dncd.cli import status_view

    if machine is not None:
        given.machine(machine)
    now = _status(given, machine)
    if not follow:
        if as_json:
            print_json(now)
        else:
            click.echo("\n".join(status_view.lines(now)))
        return
    try:
        _follow(given, machine, now, as_json)
    except KeyboardInterrupt:
        click.echo(err=True)


def _status(given: Asked, machine: str | None) -> dict[str, Any]:
    from dncd.outside.command_socket import ask

    now = ask(given.state, {"do": "status"})
    if machine is not None:
        now["machines"] = {name: m for name, m in now["machines"].items() if name == machine}
    return now


def _follow(given: Asked, machine: str | None, now: dict[str, Any], as_json: bool) -> None:
    from dncd.cli import status_view

    redraws = sys.stdout.isatty() and not as_json
    shown, kind = 0, None
    while True:
        if as_json:
            click.echo(json.dumps(now))
        elif redraws or status_view.kind_of(now) != kind:
            lines = status_view.lines(now)
            up = f"\x1b[{shown}A\x1b[J" if redraws and shown else ""
            click.echo(up + "\n".join(lines), color=True)
            shown, kind = len(lines), status_view.kind_of(now)
        time.sleep(FOLLOW_S)
        now = _status(given, machine)


@click.command()
@machine_word(required=True)
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path))
@click.option("--over-edits", is_flag=True, help="Even if a file lacks an edit that the operator made at the machine.")
@click.option("--to-prove", is_flag=True, help="Even if send_only_proven holds: for a supervised prove-out.")
@as_json
@asked
def send(
    given: Asked, *, machine: str, files: tuple[Path, ...], over_edits: bool, to_prove: bool, as_json: bool
) -> int:
    """Offer files to a machine; follow them to the end."""
    from dncd.cli import dropping
    from dncd.cli.following import Following, cut_short
    from dncd.errors import NoServiceError
    from dncd.outside.command_socket import ask
    from dncd.records import durable

    given.machine(machine)
    for file in files:
        dropping.check(file)
    service = ask(given.state, {"do": "status"})["service"]  # nothing is dropped where nobody serves
    folder = given.settings.shop.folder / machine / "to-machine"
    dropped: dict[str, int] = {}
    for file in files:
        for wanted, do in ((over_edits, "over-edits"), (to_prove, "to-prove")):
            if wanted:
                ask(given.state, {"do": do, "machine": machine, "sha256": durable.sha256_of(file.resolve())})
        name = dropping.drop(file, folder)
        dropped[name] = int(service.get("seq", 0))
        if name != file.name and not as_json:
            click.echo(f"{printable(file.name)} waits as {printable(name)}, for its own name is taken")
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


@click.command()
@machine_word(required=True)
@asked
def go(given: Asked, machine: str) -> None:
    """Start what waits for a go."""
    from dncd.outside.command_socket import ask

    given.machine(machine)
    done = ask(given.state, {"do": "go", "machine": machine})
    click.echo(f"{machine}: {printable(str(done.get('file', 'the program')))} starts")


@click.command("request")
@machine_word(required=True)
@asked
def request_program(given: Asked, machine: str) -> None:
    """Ask a control for a program (DC1 reader on)."""
    from dncd.outside.command_socket import ask

    given.machine(machine)
    ask(given.state, {"do": "request", "machine": machine})
    click.echo(f"{machine}: asked for a program (DC1); what it punches comes to from-machine/")


@click.command()
@machine_word(required=True)
@click.argument("file", required=False)
@asked
def withdraw(given: Asked, machine: str, file: str | None) -> None:
    """Take back what waits, or stop what runs.

    Without FILE: what is being sent, else the first that waits; where a plan that cannot be read has stopped the
    machine, it is sent to again.
    """
    from dncd.outside.command_socket import ask

    given.machine(machine)
    request = {"do": "withdraw", "machine": machine, **({"file": file} if file else {})}
    done = ask(given.state, request)
    if done.get("released"):
        click.echo(f"{machine}: it is sent to again; what waits in its to-machine/ goes out at its next start")
        return
    click.echo(f"{machine}: {printable(str(done.get('file', file or 'the program')))} is taken back, to refused/")


COMMANDS: tuple[Any, ...] = (run, status, send, go, request_program, withdraw, demo)
