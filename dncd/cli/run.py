"""Commands in the foreground: `run`, the service; `demo`, the whole job with stand-in controls."""

from pathlib import Path

import click

from dncd.cli.asking import Asked, asked


@click.command()
@asked
def run(given: Asked) -> int:
    """Serve all machines, until SIGTERM or ctrl-C."""
    settings = given.settings  # its faults come before everything that takes time to load
    from dncd.outside import journal
    from dncd.service import run as service

    journal.set_up()
    for hint in settings.hints:
        journal.journal().info("settings", hint=hint)
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
