"""`check-config`."""

from typing import Any

import click

from dncd.cli.asking import Asked, as_json, asked
from dncd.cli.layout import print_json


@click.command("check-config")
@as_json
@asked
def check_config(given: Asked, as_json: bool) -> None:
    """Check the settings; print what holds."""
    from dncd.outside import config

    settings = given.settings
    for hint in settings.hints:
        click.echo(hint, err=True)
    if as_json:
        print_json(config.plain(settings))
    else:
        click.echo(config.explain(settings), nl=False)


COMMANDS: tuple[Any, ...] = (check_config,)
