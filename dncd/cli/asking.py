"""Words that commands share: the machine that they name, what TAB offers for it, options that stand with every command."""

import contextlib
import os
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, Final

import click

from dncd.cli.commands import OPTIONS
from dncd.cli.invocation import Asked, caution, marks, unknown, user_name
from dncd.errors import DncdError

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["Asked", "caution", "unknown", "user_name"]  # given on to the commands, beside what stands here


def completing(names: Callable[[Asked, str], Iterable[str]]) -> Callable[..., list[str]]:
    """What TAB offers; nothing where it cannot be read. names: of the machine that the command already names, if any."""

    def complete(context: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
        given: Asked = context.find_root().obj
        try:
            return [name for name in names(given, context.params.get("machine") or "") if name.startswith(start)]
        except (DncdError, OSError):
            return []

    return complete


@completing
def complete_programs(given: Asked, machine: str) -> Iterable[str]:
    from dncd.records.library import Library

    with Library(given.state) as library:
        return library.programs(machine)


@completing
def complete_waiting(given: Asked, machine: str) -> Iterable[str]:
    from dncd.outside.folder_looks import left_alone

    folder = given.folder / machine / "to-machine"
    return sorted(file.name for file in folder.iterdir() if file.is_file() and not left_alone(file.name))


@completing
def complete_profiles(_given: Asked, _machine: str) -> Iterable[str]:
    from dncd.outside.config_rules import PROFILES

    return PROFILES


_complete_machines = completing(lambda given, _: given.outline.machines)

MACHINE: Final = click.Argument(["machine"], shell_complete=_complete_machines)
ANY_MACHINE: Final = click.Argument(["machine"], required=False, shell_complete=_complete_machines)
PROGRAM: Final = click.Argument(["program"], shell_complete=complete_programs)
JSON: Final = click.Option(["--json", "as_json"], is_flag=True, help="Print JSON alone.")
"""Words that many commands take, for `command`."""

WORDS: Final[dict[str, click.Parameter]] = {
    "machine": MACHINE,
    "[machine]": ANY_MACHINE,
    "file": click.Argument(["file"], shell_complete=complete_waiting),
    "[file]": click.Argument(["file"], required=False, shell_complete=complete_waiting),
    "--end": click.Option(["--end"], is_flag=True, help="Everything has been punched: end the announced backup now."),
    "--follow": click.Option(["--follow", "-f"], is_flag=True, help="Keep it up to date until ctrl-C."),
    "--json": JSON,
}
"""Those of `service_commands.PLAIN`."""


class _File(click.Path):
    """Gives a `Path`; its module is loaded for a word alone, for `--help` and a TAB need none."""

    def coerce_path_result(self, value: Any) -> Any:
        from pathlib import Path

        return Path(value)


FILE: Final = _File()


def command(*words: click.Parameter, name: str | None = None) -> Callable[[Callable[..., Any]], click.Command]:
    """A command that is given its `Asked`. words: arguments before those of its own, and options behind its own."""

    def made(body: Callable[..., Any]) -> click.Command:
        found = click.command(name)(click.pass_obj(body))
        front = [word for word in words if isinstance(word, click.Argument)]
        found.params = [*front, *found.params, *(word for word in words if word not in front)]
        return found

    return made


# --- options that stand before or behind every command ------------------------------------------------------------


def _named(context: click.Context, _option: click.Parameter, file: "Path | None") -> None:
    root = context.find_root()
    if file is None and root.obj is not None:
        return
    context.obj = root.obj = Asked("" if file is None else str(file))


def _quiet(context: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if wanted and "quiet" not in marks:
        marks.update(("quiet", "answered"))  # nor is an error told as JSON
        root = context.find_root()
        nowhere = root.with_resource(open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123 - the root closes it
        root.with_resource(contextlib.redirect_stdout(nowhere))


def _verbose(_context: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if wanted:
        marks.add("verbose")


def everywhere(*, hidden: bool) -> list[click.Parameter]:
    """Options of the program, for it and for each command. hidden: the help of a command does not list them again."""
    shared: dict[str, Any] = {"expose_value": False, "hidden": hidden}
    env, file = None if hidden else "DNCD_CONFIG", ["--config", "settings_file"]
    return [
        click.Option(
            file, metavar="FILE", type=FILE, envvar=env, callback=_named, help=OPTIONS["--config FILE"], **shared
        ),
        click.Option(["--quiet", "-q"], is_flag=True, callback=_quiet, help=OPTIONS["-q, --quiet"], **shared),
        click.Option(["--verbose", "-v"], is_flag=True, callback=_verbose, help=OPTIONS["-v, --verbose"], **shared),
    ]
