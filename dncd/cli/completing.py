"""What the shell's TAB offers after a command: programs, waiting files, profiles. Nothing where it cannot be read."""

from collections.abc import Callable, Iterable

import click

from dncd.cli.asking import Asked
from dncd.errors import DncdError

Complete = Callable[[click.Context, click.Parameter, str], list[str]]


def _of(names: Callable[[Asked, str], Iterable[str]]) -> Complete:
    """names: of the machine that the command already names, if any."""

    def complete(context: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
        given = Asked(context.find_root().params.get("file"))
        try:
            return [name for name in names(given, context.params.get("machine") or "") if name.startswith(start)]
        except (DncdError, OSError):
            return []

    return complete


def _programs(given: Asked, machine: str) -> Iterable[str]:
    from dncd.records.library import Library

    with Library(given.state) as library:
        return library.programs(machine)


def _waiting(given: Asked, machine: str) -> Iterable[str]:
    from dncd.outside.folder_looks import left_alone

    folder = given.folder / machine / "to-machine"
    return sorted(file.name for file in folder.iterdir() if file.is_file() and not left_alone(file.name))


def _profiles(_given: Asked, _machine: str) -> Iterable[str]:
    from dncd.outside.config_rules import PROFILES

    return PROFILES


programs = _of(_programs)
waiting = _of(_waiting)
profiles = _of(_profiles)
