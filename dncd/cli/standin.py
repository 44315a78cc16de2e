"""`dncd standin`: a stand-in control to learn on, at a pseudo-terminal or a TCP port."""

import sys
from dataclasses import replace
from pathlib import Path

import click

from dncd.cli.asking import Asked, asked, unknown
from dncd.errors import NotDoneError, UsageError
from dncd.outside.config_rules import PROFILES
from dncd.standin.control import StandIn
from dncd.standin.counterpart import counterpart, of_profile
from dncd.standin.network_plug import NetworkPlug, Speaks
from dncd.standin.null_modem import NullModem, Rates
from dncd.standin.plug import Plug
from dncd.standin.screen import Screen
from dncd.standin.training import first_programs
from dncd.standin.yard import Yard


@click.command()
@click.option("--profile", metavar="NAME", help="A control for which this shipped starting point is right.")
@click.option("--machine", metavar="MACHINE", help="A control for which the settings of this machine are right.")
@click.option("--listen", metavar="HOST:PORT", help="At a TCP port. Without it: a pseudo-terminal.")
@click.option("--raw", is_flag=True, help="With --listen: characters alone (socket://), without RFC 2217.")
@click.option("--link", metavar="PATH", type=click.Path(path_type=Path), help="A name for the pseudo-terminal.")
@click.option(
    "--reads", metavar="CHARS", type=float, default=0.0, help="It reads this many characters a second, and holds."
)
@asked
def standin(
    given: Asked,
    *,
    profile: str | None,
    machine: str | None,
    listen: str | None,
    raw: bool,
    link: Path | None,
    reads: float,
) -> None:
    """A stand-in control to learn on; nothing moves.

    Its operator's keys are words that you type.

    It reads its words from standard input, so a script can play the operator: `help` lists them.
    """
    if (profile is None) == (machine is None):
        raise UsageError("no control is named", "dncd standin", "Give --profile or --machine")
    settings = of_profile(_profile(profile)) if profile is not None else given.machine(str(machine))
    build = replace(counterpart(settings), reads_per_s=reads, title=f"stand-in control for {profile or machine}")
    control = StandIn(build, plug=_plug(listen, raw))
    for program in first_programs():
        control.memory.store(program)
    linked = _link(link, control.path) if link is not None else None
    try:
        with Yard(control):
            Screen(
                control,
                str(linked.absolute()) if linked else control.path,
                sys.stdout,
                "control> " if sys.stdin.isatty() else "",
            ).play(sys.stdin)
    finally:
        if linked is not None:
            linked.unlink(missing_ok=True)


def _profile(name: str) -> str:
    if name not in PROFILES:
        raise unknown("profile", name, PROFILES, "--profile")
    return name


def _plug(listen: str | None, raw: bool) -> Plug:
    if listen is None:
        return NullModem(Rates.SEEN)
    host, colon, port = listen.rpartition(":")
    if not colon or not port.isdigit() or int(port) > 65535:
        raise UsageError(f"{listen!r} is not HOST:PORT", "--listen", "Write it like 127.0.0.1:4001")
    return NetworkPlug(host.strip("[]"), int(port), Speaks.RAW if raw else Speaks.COM_PORT)


def _link(link: Path, path: str) -> Path:
    """Makes the name; one that an earlier stand-in left behind is taken over, any other file is left alone."""
    if not path.startswith("/"):
        raise UsageError("only a pseudo-terminal can have a name", "--link", "Leave out --link or --listen")
    try:
        if link.is_symlink() and (str(link.readlink()).startswith("/dev/pts/")):
            link.unlink()
        link.symlink_to(path)
    except OSError as error:
        raise NotDoneError(
            f"the link cannot be made: {error.strerror}", f"--link {link}", "Name another that does not exist yet"
        ) from None
    return link
