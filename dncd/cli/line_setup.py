"""`dncd line setup`: a commented settings file for a new machine, from a few questions or from options."""

from collections.abc import Callable
from functools import partial
from importlib import resources
from pathlib import Path
from string import Template
from typing import Any, Final

import click

from dncd.cli.asking import FILE, complete_profiles
from dncd.errors import NotDoneError, SettingsError, UsageError
from dncd.outside import config
from dncd.outside.config import toml_value
from dncd.outside.config_rules import MACHINE_NAME, MACHINE_NAME_ALLOWED, PROFILES
from dncd.peer_text import printable
from dncd.standin.build import of_profile
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
@click.argument("file", required=False, metavar="[FILE]", type=FILE)
@click.option("--name", metavar="NAME", help="Name of the machine and of its folder: a-z, 0-9 and -.")
@click.option("--title", metavar="TEXT", help="What people call it.")
@click.option("--port", metavar="PORT", help="Such as /dev/serial/by-id/... or rfc2217://HOST:PORT.")
@click.option(
    "--profile",
    shell_complete=complete_profiles,
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
    """FILE is NAME.toml unless it is named; nothing is ever overwritten. With - the machine's tables alone are printed, to
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
        what = "the file exists, and nothing is ever overwritten"
        raise NotDoneError(what, str(path), "Name another FILE, or - to print the tables") from None
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


def _profile(text: str) -> str:
    return list(LIKES)[int(text) - 1] if text.isdecimal() and 1 <= int(text) <= len(LIKES) else text


_QUESTIONS: Final[tuple[tuple[str, str, Callable[[str], Any]], ...]] = (
    ("name", "Name of the machine, also of its folder (a-z, 0-9, -)", str),
    ("title", "What people call it", str),
    ("port", "Port", str),
    ("profile", "What the control is like (number or name)", _profile),
    ("baud", "Rate in bits a second, as its parameters say", int),
    ("frame", "Data bits, parity, stop bits", lambda text: Frame.parse(text.upper())),
    ("metres", "Metres of tape that its memory holds", float),
)
"""What is asked, in this order, and how an answer is read; ValueError: it cannot be read."""


def _answers(given: dict[str, Any], folder: str, state: str, *, ask: bool) -> dict[str, Any]:
    """Every answer, from the options or asked for until the settings' own rules take it."""
    found: dict[str, Any] = {"folder": folder, "state": state}
    for key, question, read in _QUESTIONS:
        offered = None if key in ("name", "port") else _whole(found)[key]
        if given[key] is not None or not ask:
            answer = offered if given[key] is None else given[key]
            if answer is None:
                raise UsageError(f"--{key} is missing", "dncd line setup", f"Give --{key}, or leave out --no-questions")
            try:
                found[key] = read(str(answer))
            except ValueError as error:
                raise UsageError(str(error), f"--{key}", "Look at the control's parameters") from None
        else:
            _tell_choices(key)
            take = partial(_taken, found, key, read)
            found[key] = click.prompt(question, default=offered and str(offered), value_proc=take, err=True)
        if key == "name" and not MACHINE_NAME.fullmatch(found[key]):
            what = f"{found[key]!r} cannot be a machine's name"
            raise UsageError(what, "--name", f"Allowed are {MACHINE_NAME_ALLOWED}")
    return _whole(found)


def _taken(found: dict[str, Any], key: str, read: Callable[[str], Any], text: str) -> Any:
    """The answer to a question; click.UsageError, which asks it again, with the reason, or with its help for `?`."""
    told = next(str(p.help) for p in setup.params if isinstance(p, click.Option) and p.name == key)
    if text == "?":
        raise click.UsageError(told)
    if key == "name" and not MACHINE_NAME.fullmatch(text):
        raise click.UsageError(f"{text!r} cannot be a machine's name: allowed are {MACHINE_NAME_ALLOWED}")
    try:
        value = read(text)
        draft = _whole({**found, key: value})
        config.read(Path("setup"), _filled("new_shop.toml", draft) + _filled("new_machine.toml", draft))
    except SettingsError as error:
        raise click.UsageError("; ".join(error.problems)) from None
    except ValueError:
        raise click.UsageError(f"{text!r} cannot be used. {told}") from None
    return value


def _whole(found: dict[str, Any]) -> dict[str, Any]:
    name, profile = found.get("name", "machine"), found.get("profile", "iso-tape")
    line = of_profile(profile if profile in PROFILES else "iso-tape").line
    usual = {"name": name, "title": name, "port": "/dev/null", "profile": profile}
    whole = usual | {"baud": line.baud, "frame": line.frame, "metres": 80.0} | found
    return whole | {"memory_chars": int(whole["metres"] * METRE_CHARS)}


def _tell_choices(key: str) -> None:
    if key == "profile":
        for number, (word, like) in enumerate(LIKES.items(), 1):
            click.echo(f"  {number}  {word:<15} {like}", err=True)
    if key != "port":
        return
    device = Path("/dev")
    found = sorted(device.glob("serial/by-id/*")) or sorted(device.glob("ttyS[0-9]*"))[:4]
    for port in found:
        click.echo(f"  {printable(str(port))}", err=True)
    if not found:
        click.echo("  (no serial port is found; is the adaptor plugged in?)", err=True)
