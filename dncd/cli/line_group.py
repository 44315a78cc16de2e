"""The group `dncd line`: from an untested port to a line that is known to be good."""

from typing import Final

import click

from dncd.cli.late_group import LateGroup

LATE: Final = {
    "ports": ("line_ports:ports", "The serial ports of this machine, and who uses them."),
    "setup": ("line_setup:setup", "Write a settings file for a new machine, from a few questions."),
    "wiring": ("line_wiring:wiring", "The cable for a machine: which pins to join, how long it may be."),
    "test": ("line_test:test", "Test port, cable and plug with a loopback plug."),
    "find": ("line_find:find", "Find a line's settings: somebody punches any program."),
    "watch": ("line_watch:watch", "See a line live, both ways, until ctrl-C."),
    "replay": ("line_replay:replay", "What the receiver would keep of a recording."),
    "trial": ("line_trial:trial", "Prove a line with a harmless program, out and back."),
}
"""In the order in which a new line needs them."""


@click.group(cls=LateGroup, late=LATE)
def line() -> None:
    """From a bare port to a line known to be good."""
