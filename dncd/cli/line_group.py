"""The group `dncd line`: from an untested port to a line that is known to be good.

Its commands stand in modules of their own, each with a tuple `COMMANDS`, and are loaded when one of them is asked for: what
knows cables, waveforms and scores has no place in the start of `dncd status`.
"""

import importlib
from collections.abc import Sequence

import click

MODULES = (
    "line_ports",
    "line_setup",
    "line_wiring",
    "line_test",
    "line_find",
    "line_watch",
    "line_replay",
    "line_trial",
)
"""Modules of this room with a tuple `COMMANDS`, in the order in which a new line needs them."""


class _Late(click.Group):
    """A group whose commands are loaded when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of use, not of the alphabet."""
        self._load(ctx)
        return list(self.commands)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Loads them all: each is asked for by name or by TAB, and all are close to each other."""
        self._load(ctx)
        return super().get_command(ctx, cmd_name)

    def _load(self, _context: click.Context) -> None:
        if not self.commands:
            for module in MODULES:
                commands: Sequence[click.Command] = importlib.import_module(f"dncd.cli.{module}").COMMANDS
                for command in commands:
                    self.add_command(command)


@click.group(cls=_Late)
def line() -> None:
    """From a bare port to a line known to be good."""
