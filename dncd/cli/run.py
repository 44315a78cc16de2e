"""Commands in the foreground: `run`, the service; `demo` and `learn`, the whole job with stand-in controls."""

from pathlib import Path

import click

from dncd.cli.asking import Asked, command

_FOLDER = click.Path(path_type=Path, file_okay=False)


@command()
def run(given: Asked) -> int:
    settings = given.settings  # its faults come before everything that takes time to load
    from dncd.outside import journal
    from dncd.service import run as service

    journal.set_up()
    for hint in settings.hints:
        journal.journal().info("settings", hint=hint)
    return int(service.run(settings))


@click.command()
@click.option("--keep", "folder", metavar="DIR", type=_FOLDER, help="Leave all its files there.")
@click.option("--page", is_flag=True, help="Show it on the page as well, and go on until ctrl-C so that one can look.")
def demo(folder: Path | None, page: bool) -> int:
    from dncd.standin import demo as story

    return int(story.main(folder, page=page))


@click.command()
@click.option("--folder", metavar="DIR", type=_FOLDER, help="Leave all its files there: a new or an empty folder.")
def learn(folder: Path | None) -> int:
    """The service, two stand-in controls, six programs and the page. You type what the office does and the operators' keys.
    Nothing moves, and nothing is left behind.
    """
    from dncd.standin import learning

    return int(learning.main(folder))
