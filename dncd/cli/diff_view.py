"""How `dncd diff` tells a comparison: for a machinist in lines, in colour on a terminal; as JSON; as a unified diff."""

import os
from collections.abc import Mapping
from typing import Any, Final

import click

from dncd.cli.layout import print_json
from dncd.peer_text import printable
from dncd.program.comparing import ChangeKind, compare
from dncd.program.differences import line, summary, unified

_KINDS: Final = {
    ChangeKind.NEW: "green",
    ChangeKind.DROPPED: "red",
    ChangeKind.CHANGED: "yellow",
    ChangeKind.ORDER: "cyan",
}

_UNIFIED: Final = {"+": "green", "-": "red", "@": "cyan"}


def tell(about: Mapping[str, Any], old: str, new: str, as_json: bool) -> None:
    """Block by block and word by word. about: machine, program, from and to (numbers of the revisions)."""
    comparison = compare(old, new)
    if as_json:
        print_json({**about, **comparison.as_json()})
        return
    click.echo(f"{printable(about['program'])}, revision {about['from']} to {about['to']}:")
    click.echo(f"  {summary(comparison)}")
    for change in comparison.changes:
        _echo(line(change), _KINDS[change.kind])


def tell_unified(about: Mapping[str, Any], old: str, new: str, as_json: bool) -> None:
    file = f"{about['machine']}/{about['program']}.nc revision"
    lines = unified(old, new, f"{file} {about['from']}", f"{file} {about['to']}")
    if as_json:
        print_json({**about, "unified": list(lines)})
        return
    for at, text in enumerate(lines):
        _echo(text, "" if at < 2 else _UNIFIED.get(text[:1], ""))


def _echo(text: str, colour: str) -> None:
    """In colour where standard output is a terminal (click sees to that), unless $NO_COLOR is set."""
    safe = printable(text)
    click.echo(click.style(safe, fg=colour) if colour and not os.environ.get("NO_COLOR") else safe)
