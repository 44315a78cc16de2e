"""Writes a manual page for dncd and for each of its commands, from the commands themselves: `python .ci/man.py DIR`.

DIR gets `dncd.1`, `dncd-send.1`, `dncd-line-test.1` and so on, in roff with the macros of man(7).
"""

import sys
from collections.abc import Iterator
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from dncd import __version__
from dncd.cli.late_group import group
from dncd.cli.packaged import TOPICS, title_of

EXIT = {
    "0": "done",
    "1": "it could not be done, or a check found something",
    "2": "wrong words or settings",
    "3": "the service does not run",
}
FILES = {
    "./config/dncd.toml, /etc/dncd/dncd.toml": "the settings, in this order; --config or $DNCD_CONFIG names others",
    "/usr/share/doc/dncd/dncd.toml": "the manual of the settings; `dncd unit dncd.toml` prints it",
}


def roff(text: str) -> str:
    """Text that roff takes for what it is."""
    safe = text.replace("\\", "\\e").replace("-", "\\-").replace("'", "\\(aq").replace("`", "\\(ga")
    return "\n".join("\\&" + line if line.startswith(".") else line for line in safe.split("\n"))


def pages(command: click.Command, context: click.Context) -> Iterator[tuple[str, str]]:
    """Name and text of a command's page, and of those below it."""
    name = context.command_path.replace(" ", "-")
    yield name, page(name, command, context)
    if isinstance(command, click.Group):
        for word in command.list_commands(context):
            below = command.get_command(context, word)
            assert below is not None
            yield from pages(below, click.Context(below, info_name=word, parent=context))


def page(name: str, command: click.Command, context: click.Context) -> str:
    said, _, more = (command.help or "").replace("\b\n", "").partition("\n\n")
    lines = [f'.TH "{roff(name.upper())}" 1 "" "dncd {__version__}" "dncd"', ".SH NAME"]
    lines.append(f"{roff(name)} \\- {roff(' '.join(said.split()).rstrip('.'))}")
    words = " ".join(command.collect_usage_pieces(context))
    lines += [".SH SYNOPSIS", f".B {roff(context.command_path)}", roff(words)]
    lines += [".SH DESCRIPTION", *(roff(p) + "\n.PP" for p in (said, *more.split("\n\n")) if p)]
    records = [record for each in command.get_params(context) if (record := each.get_help_record(context))]
    lines += terms("OPTIONS", records)
    if isinstance(command, click.Group):
        below = [(word, command.get_command(context, word)) for word in command.list_commands(context)]
        lines += terms("COMMANDS", [(word, each.get_short_help_str(200)) for word, each in below if each])
    if command.epilog:
        example = command.epilog.partition("\b\n")[2]
        lines += [".SH EXAMPLES", ".nf", roff(example), ".fi"]
    lines += terms("EXIT STATUS", list(EXIT.items()))
    if context.parent is None:
        lines += terms("FILES", list(FILES.items()))
        lines += terms("MANUAL", [(f"dncd manual {topic}", title_of(topic)) for topic in TOPICS])
    else:
        lines += [".SH SEE ALSO", f".BR {roff(context.parent.command_path.replace(' ', '-'))} (1)"]
    return "\n".join(lines) + "\n"


def terms(head: str, rows: list[tuple[str, str]]) -> Iterator[str]:
    yield f".SH {head}"
    for term, text in (row for row in rows if row[1]):
        yield from (".TP", f".B {roff(term)}", roff(text))


def write(folder: Path) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    found = []
    for name, text in pages(group, click.Context(group, info_name="dncd", **group.context_settings)):
        found.append(folder / f"{name}.1")
        found[-1].write_text(text, "utf-8")
    return found


if __name__ == "__main__":
    print(*write(Path(sys.argv[1])), sep="\n")
