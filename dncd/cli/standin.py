"""`dncd standin`: a stand-in control to learn on, at a pseudo-terminal."""

import sys
from dataclasses import replace
from pathlib import Path

import click

from dncd.cli.asking import FILE, Asked, command, complete_profiles, unknown
from dncd.errors import NotDoneError, UsageError
from dncd.outside.config_rules import PROFILES
from dncd.standin.build import counterpart, of_profile
from dncd.standin.control import StandIn
from dncd.standin.demo_programs import first_programs
from dncd.standin.keyboard import Keyboard
from dncd.standin.plug import NullModem, Rates
from dncd.standin.screen import Screen
from dncd.standin.yard import Yard


@command()
@click.option(
    "--profile",
    shell_complete=complete_profiles,
    metavar="NAME",
    help="A control for which this shipped starting point is right.",
)
@click.option("--machine", metavar="MACHINE", help="A control for which the settings of this machine are right.")
@click.option("--link", metavar="PATH", type=FILE, help="A name for the pseudo-terminal.")
@click.option(
    "--reads", metavar="CHARS", type=float, default=0.0, help="It reads this many characters a second, and holds."
)
def standin(given: Asked, *, profile: str | None, machine: str | None, link: Path | None, reads: float) -> None:
    """Its operator's keys are words that you type.

    It reads its words from standard input, so a script can play the operator: `help` lists them.

    A pseudo-terminal has no RTS and CTS: a control that holds or starts by them waits here for ever.
    """
    if (profile is None) == (machine is None):
        raise UsageError("no control is named", "dncd standin", "Give --profile or --machine")
    if profile is not None and profile not in PROFILES:
        raise unknown("profile", profile, PROFILES, "--profile")
    settings = of_profile(profile) if profile is not None else given.machine(str(machine))
    build = replace(counterpart(settings), reads_per_s=reads, title=f"stand-in control for {profile or machine}")
    control = StandIn(build, plug=NullModem(Rates.SEEN))
    control.memory.store(*first_programs())
    linked = _link(link, control.path) if link is not None else None
    try:
        with Yard(control):
            port = str(linked.absolute()) if linked else control.path
            Screen(control, port, Keyboard(sys.stdin), sys.stdout).play()
    finally:
        if linked is not None:
            linked.unlink(missing_ok=True)


def _link(link: Path, path: str) -> Path:
    """Makes the name; one that an earlier stand-in left behind is taken over, any other file is left alone."""
    try:
        if link.is_symlink() and (str(link.readlink()).startswith("/dev/pts/")):
            link.unlink()
        link.symlink_to(path)
    except OSError as error:
        what = f"the link cannot be made: {error.strerror}"
        raise NotDoneError(what, f"--link {link}", "Name another that does not exist yet") from None
    return link
