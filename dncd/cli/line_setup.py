"""`dncd line setup`: a commented settings file for a new machine, from a few questions or from options."""

from importlib import resources
from pathlib import Path
from string import Template
from typing import Any, Final

import click

from dncd.cli import completing
from dncd.errors import NotDoneError, UsageError
from dncd.outside import config
from dncd.outside.config import toml_value
from dncd.outside.config_rules import MACHINE_NAME, MACHINE_NAME_ALLOWED, PROFILES
from dncd.peer_text import printable
from dncd.values import Frame

METRE_CHARS: Final = 393.7
"""Characters of a metre of tape: ten to the inch (arithmetic)."""

LIKES: Final = {
    "iso-tape": "paper-tape age, ISO code, DC1 and DC3 (most of them)",
    "eia-tape": "paper-tape age, EIA code, DC1 and DC3",
    "paced-reader": "wired in place of the tape reader, cannot say stop",
    "hardware-flow": "later, holds with RTS/CTS over a full cable",
    "pc-control": "built round a personal computer, CR LF, SUB at the end",
    "xmodem-control": "takes and gives XMODEM packets",
}
"""What a control is like, by profile, in the order in which they are offered."""

_STDOUT = Path("-")


@click.command()
@click.argument("file", required=False, metavar="[FILE]", type=click.Path(path_type=Path))
@click.option("--name", metavar="NAME", help="Name of the machine and of its folder: a-z, 0-9 and -.")
@click.option("--title", metavar="TEXT", help="What people call it.")
@click.option("--port", metavar="PORT", help="Such as /dev/serial/by-id/... or rfc2217://HOST:PORT.")
@click.option(
    "--profile",
    shell_complete=completing.profiles,
    metavar="PROFILE",
    help="What the control is like: " + ", ".join(LIKES) + ".",
)
@click.option("--baud", type=int, metavar="RATE", help="Bits a second, as its parameters say.")
@click.option("--frame", metavar="FRAME", help="Such as 7E2 or 8N1.")
@click.option("--metres", type=float, metavar="M", help="Tape that its memory holds, in metres.")
@click.option("--folder", metavar="DIR", default="shop", show_default=True, help="The office's folder.")
@click.option("--state", metavar="DIR", default="state", show_default=True, help="dncd's own records.")
@click.option(
    "--no-questions", is_flag=True, help="Ask nothing and take the usual answers; NAME and PORT must be given."
)
def setup(file: Path | None, *, folder: str, state: str, no_questions: bool, **given: Any) -> None:
    """Write a settings file for a new machine, from a few questions.

    FILE is NAME.toml unless it is named; nothing is ever overwritten. With - the machine's tables alone are printed, to
    add to a file that you have.
    """
    answers = _answers(given, folder, state, ask=not no_questions)
    path = file if file is not None else Path(f"{answers['name']}.toml")
    tables = _filled("new_machine.toml", answers)
    text = _filled("new_shop.toml", answers) + tables
    config.read(path, text)  # the settings' own rules say what is wrong, by key
    if path == _STDOUT:
        click.echo(tables, nl=False)
        return
    try:
        with path.open("x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise NotDoneError(
            "the file exists, and nothing is ever overwritten", str(path), "Name another FILE, or - to print the tables"
        ) from None
    except OSError as error:
        raise NotDoneError(f"it cannot be written: {error.strerror}", str(path), "Name another FILE") from None
    name, baud, frame, port = (answers[key] for key in ("name", "baud", "frame", "port"))
    click.echo(f"{path} is written: {name}, {baud} baud, {frame}, on {printable(port)}")
    click.echo(f"Next: export DNCD_CONFIG={path.absolute()}, then dncd check-config, then dncd line wiring {name}")


def _filled(file: str, answers: dict[str, Any]) -> str:
    """A file of this room with the answers in their places, as TOML has them."""
    values = {key: toml_value(value) for key, value in answers.items()} | {"name": answers["name"]}
    values["like"] = LIKES.get(answers["profile"], "a shipped starting point")
    return Template(resources.files("dncd.cli").joinpath(file).read_text("utf-8")).substitute(values)


def _answers(given: dict[str, Any], folder: str, state: str, *, ask: bool) -> dict[str, Any]:

    def answer(key: str, question: str, offered: Any) -> Any:
        if given[key] is not None:
            return given[key]
        if not ask:
            if offered is None:
                raise UsageError(f"--{key} is missing", "dncd line setup", f"Give --{key}, or leave out --no-questions")
            return offered
        return click.prompt(question, default=offered, err=True)

    name = answer("name", "Name of the machine, also of its folder (a-z, 0-9, -)", None)
    if not MACHINE_NAME.fullmatch(name):
        raise UsageError(f"{name!r} cannot be a machine's name", "--name", f"Allowed are {MACHINE_NAME_ALLOWED}")
    title = answer("title", "What people call it", name)
    if ask and given["port"] is None:
        _tell_ports()
    port = answer("port", "Port", None)
    if ask and given["profile"] is None:
        for number, (word, like) in enumerate(LIKES.items(), 1):
            click.echo(f"  {number}  {word:<15} {like}", err=True)
    profile = str(answer("profile", "What the control is like (number or name)", "iso-tape"))
    if profile.isdecimal() and 1 <= int(profile) <= len(LIKES):
        profile = list(LIKES)[int(profile) - 1]
    line = _line_of(profile) if profile in PROFILES else (4800, Frame.parse("7E2"))
    baud = answer("baud", "Rate in bits a second, as its parameters say", line[0])
    frame = answer("frame", "Data bits, parity, stop bits", str(line[1]))
    metres = answer("metres", "Metres of tape that its memory holds", 80.0)
    try:
        parsed = Frame.parse(str(frame).upper())
    except ValueError as error:
        raise UsageError(str(error), "--frame", "Look at the control's parameters") from None
    return {
        "name": name,
        "title": title,
        "port": port,
        "profile": profile,
        "baud": baud,
        "frame": parsed,
        "metres": metres,
        "memory_chars": int(metres * METRE_CHARS),
        "folder": folder,
        "state": state,
    }


def _line_of(profile: str) -> tuple[int, Frame]:
    text = f'[machines.control]\nprofile = "{profile}"\n[machines.control.line]\nport = "/dev/null"\n'
    line = config.read(Path("profile.toml"), text).machines["control"].line
    return line.baud, line.frame


def _tell_ports() -> None:
    device = Path("/dev")
    found = sorted(device.glob("serial/by-id/*")) or sorted(device.glob("ttyS[0-9]*"))[:4]
    for port in found:
        click.echo(f"  {printable(str(port))}", err=True)
    if not found:
        click.echo("  (no serial port is found; is the adaptor plugged in?)", err=True)
