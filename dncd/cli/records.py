"""Commands that read the library; none of them needs the service: programs, show, diff."""

import os
import sys
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from dncd.cli.asking import ANY_MACHINE, FILE, JSON, MACHINE, PROGRAM, Asked, command, unknown
from dncd.cli.holdings import HOW
from dncd.cli.layout import count, number, print_json, save_page, table
from dncd.cli.log import known
from dncd.cli.proving import signed_json, standing, standing_words
from dncd.errors import UsageError
from dncd.peer_text import local_text, printable, printable_lines
from dncd.program.names import spelt

if TYPE_CHECKING:
    from dncd.records.holdings import Holdings, SignedOff
    from dncd.records.library import Library, Revision


@command(ANY_MACHINE, JSON)
@click.option("--sheet", is_flag=True, help="A printable page (HTML) for the clip on the machine's door.")
@click.option("--phone", metavar="ADDRESS", default="", help="On the sheet as well: what `dncd people phone` gave.")
@click.option("--output", "-o", metavar="FILE", type=FILE, help="The sheet's file.")
def programs(given: Asked, *, machine: str | None, sheet: bool, phone: str, output: Path | None, as_json: bool) -> None:
    if machine is not None:
        known(given, machine)
    if sheet or phone or output is not None:
        if machine is None or not sheet or as_json:
            raise click.UsageError(
                "a sheet is for one machine: dncd programs MACHINE --sheet [--phone …] [--output FILE]"
            )
        if output is None and sys.stdout.isatty():
            raise click.UsageError("the sheet is a page for a browser: name its file with --output FILE")
        _sheet(given, machine, phone, output)
        return
    from dncd.program.substance import NOT_KEPT

    names = [machine] if machine is not None else list(given.outline.machines)
    from dncd.records.holdings import Holdings

    held = Holdings.read(given.state, machine or "")  # the ledger is read once, however many machines there are
    with _library(given) as library:
        every = {name: _programs(library, held, name) for name in names}
    if as_json:
        print_json(every[machine] if machine is not None else every)
        return
    for name, found in every.items():
        if machine is None:
            click.echo(f"{name}:")
        _print_programs(found)
        lost = [habit for habit, how in held.checks.spelling(name).items() if how == NOT_KEPT]
        if lost:
            click.echo(f"the control punches what it was given without its {', '.join(lost)}: that is no edit")


def _programs(library: "Library", held: "Holdings", machine: str) -> list[dict[str, Any]]:
    from dncd.records.holdings import Holding

    known = held.of(machine)
    newest = {program: library.described(revision) for program, revision in library.newest(machine).items()}
    found = []
    for program in sorted({*newest, *known}):
        revision, holding = newest.get(program), known.get(program, Holding())
        checked = held.checks.checked(machine, program)  # the newest of them came back equal to what was sent
        found.append(
            {
                "program": program,
                "title": revision.title if revision else "",
                "revisions": revision.number if revision else 0,
                "chars": revision.chars if revision else 0,
                "last_sent": holding.last_sent or None,
                "last_back": holding.last_back or None,
                **standing(held, library, machine, program, revision.number if revision else 0),
                "holds": {"revision": holding.revision, "how": holding.how.value, "since": holding.since or None},
                "checked": {"revision": max(checked), "time": checked[max(checked)]} if checked else None,
            }
        )
    return found


def _sheet(given: Asked, machine: str, phone: str, output: Path | None) -> None:
    from dncd.cli import door_sheet

    page = door_sheet.make(given, machine, datetime.now().astimezone(), phone)
    if output is None:
        click.echo(page, nl=False)
        return
    save_page(output, page, door_sheet.GENERATOR)
    click.echo(f"the sheet of {machine} is {printable(str(output))}: open it in a browser and print it")


def _print_programs(found: list[dict[str, Any]]) -> None:
    if not found:
        click.echo("no programs yet")
        return
    heads = (
        "program", "title", "revisions", "characters", "proven", "last sent", "last back", "the control holds", "checked",
    )  # fmt: skip
    rows = [
        (
            p["program"],
            p["title"],
            number(p["revisions"]),
            number(p["chars"]),
            standing_words(p),
            local_text(p["last_sent"] or ""),
            local_text(p["last_back"] or ""),
            HOW[p["holds"]["how"]].format(p["holds"]["revision"] or "?"),
            f"revision {p['checked']['revision']}, {local_text(p['checked']['time'])}" if p["checked"] else "",
        )
        for p in found
    ]
    click.echo("\n".join(table(heads, rows, right=(2, 3), spare=(8,))))


def _library(given: Asked) -> "Library":
    from dncd.records.library import Library

    return Library(given.state)


def _history(library: "Library", machine: str, said: str) -> "tuple[str, list[Revision]]":
    """The program that is meant, as the library has it, and its revisions. UsageError where there is none."""
    for program in (said, spelt(said)):
        if history := library.history(machine, program):
            return program, history
    raise unknown("program", spelt(said), library.programs(machine), f"the library of {machine}")


def _revision(history: "list[Revision]", wanted: int, program: str) -> "Revision":
    if wanted <= len(history):
        return history[wanted - 1]
    has = count(len(history), "revision")
    raise UsageError(f"there is no revision {wanted}", program, f"It has {has}; -r counts from 1")


def _proven(signed: "SignedOff | None") -> str:
    if signed is None:
        return "not proven"
    return f"proven {local_text(signed.time)} as revision {signed.revision} by {signed.by}: {signed.note}"


_REVISION: Final = click.IntRange(min=1)


@command(MACHINE, PROGRAM, JSON)
@click.option("-r", "--revision", type=_REVISION, metavar="N", help="Revision N instead of the newest.")
def show(given: Asked, machine: str, program: str, revision: int | None, as_json: bool) -> None:
    from dncd.records.holdings import Holdings
    from dncd.records.proving import Standing

    known(given, machine)
    with _library(given) as library:
        program, history = _history(library, machine, program)
        wanted = history[-1] if revision is None else _revision(history, revision, program)
        text = library.text(machine, program, wanted.number)
        held = Holdings.read(given.state, machine)
        signed = Standing(library, held, machine).of_revision(program, wanted.number)
    checked = held.checks.checked(machine, program).get(wanted.number)
    about = {"machine": machine, "program": program, "revision": wanted.number, "from": str(wanted.origin)}
    if as_json:
        print_json({**about, "time": wanted.time, "checked": checked, "proven": signed_json(signed), "text": text})
        return
    if sys.stdout.isatty():
        which = f"{program}, revision {wanted.number} of {len(history)}"
        said = f", checked {local_text(checked)}" if checked else ", not checked: it has not come back equal"
        click.echo(printable(f"{which}, from the {wanted.origin}, {local_text(wanted.time)}{said}"), err=True)
        click.echo(printable(_proven(signed)), err=True)
        text = printable_lines(text)
    click.echo(text, nl=False)


@command(MACHINE, PROGRAM, JSON)
@click.option(
    "-r", "--revision", "revisions", type=_REVISION, multiple=True, metavar="N", help="From N; twice: from, to."
)
@click.option("--unified", "-u", is_flag=True, help="As a unified diff.")
def diff(given: Asked, *, machine: str, program: str, revisions: tuple[int, ...], unified: bool, as_json: bool) -> None:
    """Between the last two; -r N compares N with the newest, -r A -r B compares A with B."""
    if len(revisions) > 2:
        raise click.UsageError("-r may be given twice at most: two revisions are compared")
    known(given, machine)
    with _library(given) as library:
        program, history = _history(library, machine, program)
        new = _revision(history, revisions[1], program) if len(revisions) == 2 else history[-1]
        old = _revision(history, revisions[0], program) if revisions else history[max(0, len(history) - 2)]
        texts = [library.text(machine, program, r.number) for r in (old, new)]
    about = {"machine": machine, "program": program, "from": old.number, "to": new.number}
    (_tell_unified if unified else _tell_compared)(about, texts[0], texts[1], as_json)


_KINDS: Final = {"new": "green", "dropped": "red", "changed": "yellow", "order": "cyan"}
_UNIFIED: Final = {"+": "green", "-": "red", "@": "cyan"}
"""Colours on a terminal, by `ChangeKind`, and by the first character of a line."""


def _tell_compared(about: Mapping[str, Any], old: str, new: str, as_json: bool) -> None:
    """Block by block and word by word. about: machine, program, from and to (numbers of the revisions)."""
    from dncd.program.comparing import compare
    from dncd.program.differences import line, summary

    comparison = compare(old, new)
    if as_json:
        print_json({**about, **comparison.as_json()})
        return
    click.echo(f"{printable(about['program'])}, revision {about['from']} to {about['to']}:")
    click.echo(f"  {summary(comparison)}")
    for change in comparison.changes:
        _echo(line(change), _KINDS[change.kind])


def _tell_unified(about: Mapping[str, Any], old: str, new: str, as_json: bool) -> None:
    from dncd.program.differences import unified

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
