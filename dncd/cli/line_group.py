"""The group `dncd line`: from an untested port to a line that is known to be good. Its commands stand in modules of
their own, each with a tuple `COMMANDS`, and are joined here.
"""

from typing import Any

import click

from dncd.cli import line_setup

COMMANDS: tuple[Any, ...] = (*line_setup.COMMANDS,)
"""Commands of the group, in the order in which a new line needs them."""


@click.group()
def line() -> None:
    """From a bare port to a line known to be good."""


for command in COMMANDS:
    line.add_command(command)
