"""What every command is asked with: the settings, the machine that its words name, and what TAB offers for them."""

import re
from collections.abc import Callable, Iterable
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

import click

from dncd.errors import DncdError, NoServiceError, SettingsError, UsageError
from dncd.peer_text import nearest, printable, shown, some

if TYPE_CHECKING:
    from pathlib import Path

    from dncd.outside.config_outline import Outline
    from dncd.values import MachineSettings, Settings


answered: list[object] = []
"""What this command has printed as JSON: an error adds none of its own then."""


class Asked:
    """The file that --config named, if any, and what it says, read when first needed. Commands that work on a line read
    all `settings`. Those that ask the service or read its records need the `outline` alone, and work whatever else the
    file says."""

    def __init__(self, file: "Path | None") -> None:
        self._file = file

    @cached_property
    def file(self) -> "Path":
        """The settings file; SettingsError where none is named and none lies at the usual places."""
        from dncd.outside.config_outline import PLACES

        for place in PLACES if self._file is None else (self._file,):
            if self._file is not None or place.exists():
                say_more(f"settings: {place}")
                return place
        looked = " or ".join(map(str, PLACES))
        problem = f"There is no settings file at {looked}."
        raise SettingsError(looked, (problem,), "Name one with --config FILE or $DNCD_CONFIG, or put one there")

    @cached_property
    def settings(self) -> "Settings":
        """The settings; SettingsError with every fault of the file."""
        from dncd.outside.config import load

        return load(self.file)

    @cached_property
    def outline(self) -> "Outline":
        """The folders and the machines' names; says on standard error where a folder is a guess."""
        from dncd.outside.config_outline import outline

        found = outline(self.file)
        if not found.whole:
            what = f"{self.file} has a mistake; `dncd check-config` names it. The state folder is taken to be {found.state}"
            click.echo(printable(f"{what}."), err=True)
        say_more(f"state folder: {found.state}; machines: {', '.join(found.machines)}")
        return found

    @property
    def state(self) -> "Path":
        return self.outline.state

    @property
    def folder(self) -> "Path":
        return self.outline.folder

    @property
    def machines(self) -> tuple[str, ...]:
        """Names of the machines, whether their settings are right or not."""
        return self.outline.machines

    def machine(self, name: str) -> "MachineSettings":
        """A machine of the settings; UsageError with the nearest name."""
        if name not in self.settings.machines:
            raise self.unknown_machine(name)
        return self.settings.machines[name]

    def ask(self, do: str, machine: str = "", **more: Any) -> dict[str, Any]:
        """The service's answer to a request of `service/requests`; UsageError for a machine that nobody knows."""
        from dncd.outside.command_client import ask

        if machine:
            self.need(machine)
            more["machine"] = machine
        say_more(f"asks the service: {do}")
        return ask(self.state, {"do": do, **more})

    def need(self, name: str) -> None:
        """UsageError with the nearest name unless the file, or the service that runs, knows a machine of this name."""
        served: Iterable[str] = ()
        if name in self.machines:
            return
        try:
            served = self.ask("status")["machines"]
        except NoServiceError:
            if not self.outline.whole:
                raise
        if name not in served:
            raise self.unknown_machine(name, served)

    def unknown_machine(self, name: str, more: Iterable[str] = ()) -> UsageError:
        """The error for a name that no machine has; more: names besides those in the file."""
        return unknown("machine", name, dict.fromkeys((*self.machines, *more)), str(self.file))


def unknown(kind: str, name: str, known: Iterable[str], where: str) -> UsageError:
    """A word that names nothing: with the nearest that does, or the known ones."""
    names = list(known)
    if not re.fullmatch(r"[Oo:]?\d+", name) and (near := nearest(name, names)):  # another number is another program
        next_step = f"Did you mean '{near}'?"
    elif names:
        next_step = f"Known are {some(names, 20)}"
    else:
        next_step = f"No {kind} is known yet"
    return UsageError(f"there is no {kind} {shown(name)}", where, next_step)


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


_complete_machines = completing(lambda given, _: given.machines)

MACHINE: Final = click.Argument(["machine"], shell_complete=_complete_machines)
ANY_MACHINE: Final = click.Argument(["machine"], required=False, shell_complete=_complete_machines)
PROGRAM: Final = click.Argument(["program"], shell_complete=complete_programs)
JSON: Final = click.Option(["--json", "as_json"], is_flag=True, help="Print JSON alone.")
"""Words that many commands take, for `command`."""


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
    from dncd.outside import command_client

    context.obj = root.obj = Asked(file)
    command_client.start_with = "dncd"
    if file is not None:
        import shlex

        command_client.start_with = f"dncd --config {shlex.quote(str(file))}"


def _quiet(context: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if wanted and not context.meta.get(_QUIET):
        import contextlib
        import os

        context.meta[_QUIET] = True
        answered.append(None)  # nor is an error told as JSON
        root = context.find_root()
        nowhere = root.with_resource(open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123 - the root closes it
        root.with_resource(contextlib.redirect_stdout(nowhere))


def _verbose(context: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if wanted:
        context.meta[_VERBOSE] = True


def everywhere(*, hidden: bool) -> list[click.Parameter]:
    """Options of the program, for it and for each command. hidden: the help of a command does not list them again."""
    place = "The settings. Without it: $DNCD_CONFIG, ./config/dncd.toml, /etc/dncd/dncd.toml."
    quiet = "Print cautions and errors alone; the exit status says the rest."
    more = "Say on standard error as well which settings, state folder and requests to the service a command uses."
    shared: dict[str, Any] = {"expose_value": False, "hidden": hidden}
    env, file = None if hidden else "DNCD_CONFIG", ["--config", "settings_file"]
    return [
        click.Option(file, metavar="FILE", type=FILE, envvar=env, callback=_named, help=place, **shared),
        click.Option(["--quiet", "-q"], is_flag=True, callback=_quiet, help=quiet, **shared),
        click.Option(["--verbose", "-v"], is_flag=True, callback=_verbose, help=more, **shared),
    ]


_QUIET: Final = "dncd.quiet"
_VERBOSE: Final = "dncd.verbose"


def say_more(text: str) -> None:
    """Tells it on standard error where --verbose is given."""
    if (context := click.get_current_context(silent=True)) and context.meta.get(_VERBOSE):
        click.echo(printable(text), err=True)


def caution(text: str) -> None:
    """Tells what must not be missed: with --quiet on standard error."""
    click.echo(printable(text), err=bool(click.get_current_context().meta.get(_QUIET)))


def user_name() -> str:
    """The login name, "" of a user without one."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a user without a name
        return ""
