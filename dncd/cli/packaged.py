"""What comes with dncd for the system, the shell and the reader: `unit`, `completion`, `manual`."""

import re
import sys
from pathlib import Path
from typing import Final

import click

from dncd.cli.asking import FILE
from dncd.cli.layout import save_page
from dncd.errors import NotDoneError, UsageError

_SHIPPED: Final = Path(__file__).with_name("shipped")

_PLACES: Final = {
    "dncd.service": "usr/lib/systemd/system/dncd.service",
    "dncd-page.service": "usr/lib/systemd/system/dncd-page.service",
    "dncd.sysusers": "usr/lib/sysusers.d/dncd.conf",
    "dncd.tmpfiles": "usr/lib/tmpfiles.d/dncd.conf",
    "99-dncd-serial.rules": "usr/lib/udev/rules.d/99-dncd-serial.rules",
    "dncd.toml": "usr/share/doc/dncd/dncd.toml",
    "alerts.yml": "usr/share/doc/dncd/alerts.yml",
    "dashboard.json": "usr/share/doc/dncd/dashboard.json",
}
"""Each file that comes with dncd, and where a system looks for it."""

_MANUAL: Final = Path(__file__).parent.parent / "manual"

TOPICS: Final = (
    "operator", "shop", "sending", "receiving", "day", "page", "settings", "line", "trial", "backup", "records", "server",
    "install", "upkeep", "commands", "promises", "trouble",
)  # fmt: skip
"""Of the manual, in the order in which it is read."""

_PAGE: Final = """\
<!DOCTYPE html><meta charset="utf-8"><title>{title}</title>
<style>@page {{ size: A4; margin: 8mm }} body {{ width: 97mm; font: 9pt/1.3 sans-serif }} h1 {{ font-size: 12pt; margin: 0 }}
ul {{ padding-left: 4mm; margin: 2mm 0 }} li {{ margin: 1mm 0 }}</style>
"""
"""A quarter of a sheet of A4 where the topic is `operator`; others take what they need."""

_PROGRAM: Final = "/opt/dncd/bin/dncd"
"""As the files name it."""


@click.command()
@click.argument("name", required=False, type=click.Choice(list(_PLACES)), metavar="[FILE]")
@click.option("--into", metavar="DIR", type=FILE, help="Install all files: / for this computer.")
@click.option("--program", metavar="PATH", help="Where dncd is, for the unit. Without it: this one.")
def unit(name: str | None, into: Path | None, program: str | None) -> None:
    """Prints one, or installs all. FILE is dncd.service (if left out), dncd-page.service, dncd.sysusers, dncd.tmpfiles,
    99-dncd-serial.rules for udev, dncd.toml, the manual of the settings, alerts.yml, rules for Prometheus, or
    dashboard.json.
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
    """It completes commands, machines, programs, waiting files and profiles."""
    from click.shell_completion import BashComplete, FishComplete, ZshComplete

    from dncd.cli.late_group import PROGRAM, group

    made = {"bash": BashComplete, "zsh": ZshComplete, "fish": FishComplete}[shell]
    click.echo(made(group, {}, PROGRAM, "_DNCD_COMPLETE").source())


@click.command()
@click.argument("topic", required=False, type=click.Choice(TOPICS), metavar="[TOPIC]")
@click.option(
    "--page",
    metavar="FILE",
    type=FILE,
    help="Write the topic as an HTML page to print: operator is a quarter page for the machine's door.",
)
def manual(topic: str | None, page: Path | None) -> None:
    """Without TOPIC the topics are listed."""
    if topic is not None and page is not None:
        save_page(page, _html(topic_text(topic)), "<!DOCTYPE html>")
        click.echo(f"{page} is written: open it in a browser and print it")
    elif topic is not None:
        click.echo_via_pager(topic_text(topic)) if sys.stdout.isatty() else click.echo(topic_text(topic), nl=False)
    elif page is not None:
        raise UsageError("no topic is named", "dncd manual", "Name one, such as operator")
    else:
        click.echo("\n".join(f"{each:<11}{title_of(each)}" for each in TOPICS))
        click.echo("\n`dncd manual TOPIC` shows one. The settings' own manual: dncd unit dncd.toml")


def topic_text(topic: str) -> str:
    return (_MANUAL / f"{topic}.md").read_text("utf-8")


def title_of(topic: str) -> str:
    return topic_text(topic).partition("\n")[0].removeprefix("# ")


def _html(text: str) -> str:
    """What of Markdown the topics have: a heading, lists, **strong** words, `code`; the rest stands as it is written."""
    from html import escape

    title, _, rest = text.partition("\n")
    body = re.sub(r"`([^`\n]+)`", r"<code>\1</code>", escape(rest, quote=False))
    body = re.sub(r"\*\*(.+?)\*\*", r"<b>\1</b>", body)
    body = re.sub(r"((?:^- .*\n(?:  .*\n)*)+)", r"<ul>\n\1</ul>\n", body, flags=re.MULTILINE)
    body = re.sub(r"^- ", "<li>", body, flags=re.MULTILINE)
    body = re.sub(r"^(```\w*)\n(.*?)^```$", r"<pre>\2</pre>", body, flags=re.MULTILINE | re.DOTALL)
    body = re.sub(r"^(#+) (.*)$", r"<h2>\2</h2>", body, flags=re.MULTILINE)
    body = re.sub(r"^((?:\|.*\n)+)", r"<pre>\1</pre>", body, flags=re.MULTILINE)
    name = escape(title.removeprefix("# "))
    return f"{_PAGE.format(title=name)}<h1>{name}</h1>\n" + re.sub(r"\n\n(?=[^<\n])", "\n<p>", body)
