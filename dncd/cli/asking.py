"""What every command is asked with: the settings, and the machine that its words name."""

import difflib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dncd.errors import SettingsError, UsageError
from dncd.values import MachineSettings, Settings, shown

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Asked", "as_json", "asked", "machine_word", "unknown"]


class Asked:
    """The file that --config named, if any, and the settings, read when first needed."""

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self._settings: Settings | None = None

    @property
    def file(self) -> Path:
        """The settings file; SettingsError where none is named and none lies at the usual places."""
        from dncd.outside.config import PLACES

        if self._file is not None:
            return self._file
        for place in PLACES:
            if place.exists():
                return place
        looked = " or ".join(map(str, PLACES))
        problem = f"There is no settings file at {looked}."
        raise SettingsError(looked, (problem,), "Name one with --config FILE or $DNCD_CONFIG, or put one there")

    @property
    def settings(self) -> Settings:
        """The settings; SettingsError with every fault of the file."""
        from dncd.outside.config import load

        if self._settings is None:
            self._settings = load(self.file)
        return self._settings

    @property
    def state(self) -> Path:
        """The state folder."""
        return self.settings.shop.state

    def machine(self, name: str) -> MachineSettings:
        """A machine of the settings; UsageError with the nearest name."""
        if name not in self.settings.machines:
            raise unknown("machine", name, self.settings.machines, str(self.file))
        return self.settings.machines[name]


def unknown(kind: str, name: str, known: Iterable[str], where: str) -> UsageError:
    """A word that names nothing: with the nearest that does, or the known ones."""
    names = list(known)
    folded = {n.lower(): n for n in names}
    near = difflib.get_close_matches(name.lower(), list(folded), 1, 0.5)
    if near:
        next_step = f"Did you mean '{folded[near[0]]}'?"
    elif names:
        more = f" and {len(names) - 20} more" if len(names) > 20 else ""
        next_step = f"Known are {', '.join(names[:20])}{more}"
    else:
        next_step = f"No {kind} is known yet"
    return UsageError(f"there is no {kind} {shown(name)}", where, next_step)


def _complete(context: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
    """Machine names for the shell's TAB; nothing where the settings cannot be read."""
    root = context.find_root()
    try:
        names = Asked(root.params.get("file")).settings.machines
    except SettingsError:
        return []
    return [name for name in names if name.startswith(start)]


def machine_word(*, required: bool) -> "Callable[[click.decorators.FC], click.decorators.FC]":
    """The word MACHINE."""
    return click.argument("machine", required=required, shell_complete=_complete)


asked = click.pass_obj
"""Gives a command its `Asked`."""

as_json = click.option("--json", "as_json", is_flag=True, help="Print JSON alone.")
