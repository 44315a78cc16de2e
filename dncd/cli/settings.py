"""Commands about the settings file: `check-config`, `reload`."""

import re
import time
from pathlib import Path
from typing import Final

import click

from dncd.cli.asking import JSON, Asked, command
from dncd.cli.layout import count, print_json
from dncd.peer_text import printable, printable_lines

RELOAD_S: Final = 40.0
"""Seconds that `reload` waits for the service: new ports are tried first, and a device server may take its time."""

LOOK_S: Final = 0.1


@command(JSON, name="check-config")
@click.option("--all", "everything", is_flag=True, help="Also what is the default: every key that holds.")
def check_config(given: Asked, everything: bool, as_json: bool) -> None:
    from dncd.outside import config_shown

    settings = given.settings
    for hint in settings.hints:
        click.echo(hint, err=True)
    if as_json:
        print_json(config_shown.plain(settings))
    else:
        names = settings.machines
        click.echo(f"# No faults. {count(len(names), 'machine')}: {', '.join(names)}")
        for port in (machine.line.port for machine in names.values()):
            if "://" not in port and not Path(port).exists():
                click.echo(
                    f"# Note: the port {printable(port)} is not there now; the service opens it as soon as it is."
                )
        text = config_shown.explain(settings)
        if not everything:  # neither the keys that are at their default, nor tables that have no other
            text = re.sub(r"^\[[^\n]*\n(\n|\Z)", "", re.sub(r"(?m)^.*    # default\n", "", text), flags=re.MULTILINE)
        click.echo(text, nl=False)


@command(JSON)
def reload(given: Asked, as_json: bool) -> int:
    """Lines whose settings stay go on undisturbed; others change over when what is under way is over. A bad file changes
    nothing.
    """
    from dncd.errors import NotDoneError, SettingsError
    from dncd.outside.command_client import ask

    try:
        state = given.settings.shop.state
    except SettingsError as error:
        next_step = f"{error.next_step}. A running service goes on with its old settings"
        raise SettingsError(error.where, error.problems, next_step) from None
    number = int(ask(state, {"do": "reload"})["number"])
    until = time.monotonic() + RELOAD_S
    while (outcome := ask(state, {"do": "status"})["service"]["reload"])["number"] < number:
        if time.monotonic() > until:
            what = f"the service did not read its settings within {RELOAD_S:.0f} s"
            raise NotDoneError(what, str(given.file), "Look at `dncd status` and into its journal")
        time.sleep(LOOK_S)
    if as_json:
        print_json(outcome)
    else:
        click.echo(printable_lines(outcome["what"]), err=outcome["result"] != "done")
        for name in outcome["pending"]:
            click.echo(f"{name}: its new settings hold as soon as what is under way is over")
    return 0 if outcome["result"] == "done" else 2
