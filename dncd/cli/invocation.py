"""What every command is asked with: the settings and the machine that its words name; and how it speaks.

Nothing here loads click: see `service_commands`.
"""

import contextlib
import os
import re
import sys
from collections.abc import Iterable
from functools import cached_property
from typing import TYPE_CHECKING, Any

from dncd import errors
from dncd.errors import NoServiceError, SettingsError, UsageError
from dncd.peer_text import nearest, printable, shown, some

if TYPE_CHECKING:
    from pathlib import Path

    from dncd.outside.config_outline import Outline
    from dncd.values import MachineSettings, Settings


marks: set[str] = set()
"""Of this command: `quiet` and `verbose` as it was given them; `answered` where an error adds no JSON of its own."""


def echo(text: str = "", err: bool = False, nl: bool = True) -> None:
    """A line on standard output, or on standard error; it is out when this returns. OSError: it cannot be written."""
    stream = sys.stderr if err else sys.stdout
    stream.write(f"{text}\n" if nl else text)
    stream.flush()


def say_more(text: str) -> None:
    """Tells it on standard error where --verbose is given."""
    if "verbose" in marks:
        echo(printable(text), err=True)


def caution(text: str) -> None:
    """Tells what must not be missed: with --quiet on standard error."""
    echo(printable(text), err="quiet" in marks)


class Asked:
    """The file that --config named, "" for none, and what it says, read when first needed. Commands that work on a line read
    all `settings`. Those that ask the service or read its records need the `outline` alone, and work whatever else the
    file says."""

    def __init__(self, file: str) -> None:
        self._file = file
        errors.start_with = ("dncd", "--config", file) if file else ("dncd",)

    @cached_property
    def _place(self) -> str:
        from dncd.outside.config_outline import PLACES

        for place in (self._file,) if self._file else PLACES:
            if self._file or _is_there(place):
                say_more(f"settings: {place}")
                return place
        looked = " or ".join(PLACES)
        problem = f"There is no settings file at {looked}."
        raise SettingsError(looked, (problem,), "Name one with --config FILE or $DNCD_CONFIG, or put one there")

    @property
    def file(self) -> "Path":
        """The settings file; SettingsError where none is named and none lies at the usual places."""
        from pathlib import Path

        return Path(self._place)

    @cached_property
    def settings(self) -> "Settings":
        """The settings; SettingsError with every fault of the file."""
        from dncd.outside.config import load

        return load(self.file)

    @cached_property
    def outline(self) -> "Outline":
        """The folders and the machines' names; says on standard error where a folder is a guess."""
        from dncd.outside.config_outline import outline

        found = outline(self._place)
        if not found.whole:
            what = f"{self._place} has a mistake; `dncd check-config` names it."
            echo(printable(f"{what} The state folder is taken to be {found.state}."), err=True)
        say_more(f"state folder: {found.state}; machines: {', '.join(found.machines)}")
        return found

    @property
    def state(self) -> "Path":
        from pathlib import Path

        return Path(self.outline.state)

    @property
    def folder(self) -> "Path":
        from pathlib import Path

        return Path(self.outline.folder)

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
        return ask(self.outline.state, {"do": do, **more})

    def need(self, name: str) -> None:
        """UsageError with the nearest name unless the file, or the service that runs, knows a machine of this name."""
        served: Iterable[str] = ()
        if name in self.outline.machines:
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
        return unknown("machine", name, dict.fromkeys((*self.outline.machines, *more)), self._place)


def _is_there(place: str) -> bool:
    """OSError where nobody may look: what lies there might say another thing than the next place."""
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        os.stat(place)
        return True
    return False


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


def user_name() -> str:
    """The login name, "" of a user without one."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a user without a name
        return ""
