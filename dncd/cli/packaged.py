"""What comes with dncd for the system and for the shell: `unit`, `completion`."""

import sys
from pathlib import Path
from typing import Final

import click

from dncd.errors import NotDoneError

_SHIPPED: Final = Path(__file__).with_name("shipped")

_PLACES: Final = {
    "dncd.service": "usr/lib/systemd/system/dncd.service",
    "dncd.sysusers": "usr/lib/sysusers.d/dncd.conf",
    "dncd.tmpfiles": "usr/lib/tmpfiles.d/dncd.conf",
    "99-dncd-serial.rules": "usr/lib/udev/rules.d/99-dncd-serial.rules",
    "dncd.toml": "usr/share/doc/dncd/dncd.toml",
    "alerts.yml": "usr/share/doc/dncd/alerts.yml",
    "dashboard.json": "usr/share/doc/dncd/dashboard.json",
}
"""Each file that comes with dncd, and where a system looks for it."""

_PROGRAM: Final = "/opt/dncd/bin/dncd"
"""As the files name it."""


@click.command()
@click.argument("name", required=False, type=click.Choice(list(_PLACES)), metavar="[FILE]")
@click.option("--into", metavar="DIR", type=click.Path(path_type=Path), help="Install all files: / for this computer.")
@click.option("--program", metavar="PATH", help="Where dncd is, for the unit. Without it: this one.")
def unit(name: str | None, into: Path | None, program: str | None) -> None:
    """The systemd unit and other files that come with dncd.

    Prints one, or installs all. FILE is dncd.service (if left out), dncd.sysusers, dncd.tmpfiles, 99-dncd-serial.rules
    for udev, dncd.toml, the manual of the settings, alerts.yml, rules for Prometheus, or dashboard.json.
    """
    here = program or str(Path(sys.executable).parent / "dncd")
    texts = {each: (_SHIPPED / each).read_text("utf-8").replace(_PROGRAM, here) for each in _PLACES}
    if into is None:
        click.echo(texts[name or "dncd.service"], nl=False)
        return
    from dncd.records import durable

    for each, text in texts.items():
        target = into / _PLACES[each]
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            durable.replace(target, text.encode(), mode=0o644)
        except OSError as error:
            what = f"it cannot be written: {error.strerror}"
            raise NotDoneError(what, str(target), "Run it as root, or name another folder") from None
        click.echo(target)


@click.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    """The script that makes the shell's TAB know dncd.

    It completes commands, machines, programs, waiting files and profiles.
    """
    from click.shell_completion import BashComplete, FishComplete, ZshComplete

    from dncd.cli import PROGRAM, group

    made = {"bash": BashComplete, "zsh": ZshComplete, "fish": FishComplete}[shell]
    click.echo(made(group, {}, PROGRAM, "_DNCD_COMPLETE").source())
