"""The index sheet of a machine: one printable page for the clip on its door, in HTML that needs nothing from elsewhere.

The page is `door_sheet.html`. Everything that comes from a program, a name or a setting is escaped; the page itself forbids
scripts and fetching.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from importlib import resources
from string import Template
from typing import Final

from dncd.cli.asking import Asked
from dncd.cli.layout import local_time
from dncd.peer_text import printable
from dncd.program.names import title_in
from dncd.records.holdings import Backup, Holding, Holdings, How, is_data
from dncd.records.library import Library
from dncd.records.proving import Standing
from dncd.values import MachineSettings, TapeSettings

CHAR_MM: Final = 2.54
"""Tape pitch: ten characters to the inch."""

GENERATOR: Final = '<meta name="generator" content="dncd index sheet">'

HEADS: Final = ("Program", "Title", "Rev.", "Proven", "Chars", "Tape m", "Last sent", "Last back", "Note")

CAUTIONS: Final = (
    "Prove out a new or changed program before it cuts: single block, dry run, reduced rapid, a hand at feed hold.",
    "“Sent” means handed over whole. What the control stored is known only once it was punched back.",
    "This sheet is as old as its date. The machine's own manual and the shop's rules come first.",
)


@dataclass(frozen=True, slots=True)
class Row:
    """A program on the sheet. revision: what the control holds, 0 where that is not known; proven: when, "" for never."""

    program: str
    title: str
    revision: int
    proven: str
    chars: int
    metres: float
    last_sent: str
    last_back: str
    heed: tuple[str, ...]
    held: bool


def make(given: Asked, machine: str, now: datetime) -> str:
    settings = given.settings.machines.get(machine)
    held = Holdings.read(given.state, machine)
    with Library(given.state) as library:
        rows = sorted(_rows(library, machine, held, settings.tape if settings else TapeSettings()), key=_place)
    return page(machine, settings, rows, held.backup(machine), now)


def _rows(library: Library, machine: str, held: Holdings, tape: TapeSettings) -> Iterator[Row]:
    known, standing = held.of(machine), Standing(library, held, machine)
    more = len(tape.ends.chars) - 1
    for program in {*library.programs(machine), *known}:
        history = library.history(machine, program)
        holding = known.get(program, Holding())
        newest = len(history)
        shown = holding.revision if holding.held and 0 < holding.revision <= newest else newest
        text = library.text(machine, program, shown) if history else ""
        chars = len(text) + more * text.count("\n")
        yield Row(
            program,
            title_in(text),
            holding.revision if holding.held else 0,
            signed.time if holding.held and (signed := standing.of_revision(program, holding.revision)) else "",
            chars,
            chars * CHAR_MM / 1000,
            holding.last_sent,
            holding.last_back,
            tuple(_heed(holding, newest)),
            holding.held,
        )


def _heed(holding: Holding, newest: int) -> Iterator[str]:
    """What somebody at the machine should know before this program runs."""
    match holding.how:
        case How.SENT:
            yield "sent, not checked"
        case How.CHANGED:
            yield "changed at the machine"
        case How.IN_PART:
            yield f"UNKNOWN: sending of rev. {holding.revision} was interrupted; delete it there and send again"
        case How.MISSING:
            yield "missing in the last backup"
        case How.UNKNOWN:
            yield "not in the control, as far as is known"
    if holding.held and holding.revision < newest:
        yield f"not the newest: rev. {newest} is in the library"


def _place(row: Row) -> tuple[bool, bool, int, str]:
    digits = row.program[1:]
    numbered = row.program[:1] == "O" and digits.isdecimal()
    return is_data(row.program), not numbered, int(digits) if numbered else 0, row.program


def page(
    machine: str, settings: MachineSettings | None, rows: Sequence[Row], backup: Backup | None, now: datetime
) -> str:
    title = settings.title if settings and settings.title else machine
    name = f" ({_safe(machine)})" if title != machine else ""
    inside = [row for row in rows if row.held]
    metres = sum(row.metres for row in inside)
    backed = f"last backup {_day(backup.time)}" if backup else "no backup yet"
    summary = f"{len(inside)} programs in the control, {metres:.1f} m of tape; {backed}"
    heads = "".join(f"<th{_class(n)}>{head}</th>" for n, head in enumerate(HEADS))
    body = "\n".join(map(_line, rows)) or f'<tr><td colspan="{len(HEADS)}">no programs yet</td></tr>'
    template = resources.files("dncd.cli").joinpath("door_sheet.html").read_text("utf-8")
    return Template(template).substitute(
        generator=GENERATOR,
        title=_safe(title),
        name=name,
        when=_safe(now.strftime("%Y-%m-%d %H:%M")),
        summary=_safe(summary),
        cautions="".join(f"<p>{_safe(caution)}</p>" for caution in CAUTIONS),
        heads=heads,
        body=body,
    )


def _class(column: int) -> str:
    return ' class="n"' if column in (2, 4, 5) else ""


def _line(row: Row) -> str:
    cells = (
        f'<td class="p">{_safe(row.program)}</td>',
        f"<td>{_safe(row.title)}</td>",
        f'<td class="n">{row.revision or "–"}</td>',
        f'<td class="t">{"yes, " + _day(row.proven) if row.proven else "NO" if row.held else "–"}</td>',
        f'<td class="n">{row.chars:,}</td>',
        f'<td class="n">{row.metres:.2f}</td>',
        f'<td class="t">{_day(row.last_sent)}</td>',
        f'<td class="t">{_day(row.last_back)}</td>',
        f'<td class="heed">{_safe("; ".join(row.heed))}</td>',
    )
    kind = "" if row.held else ' class="gone"'
    return f"<tr{kind}>{''.join(cells)}</tr>"


def _day(time: str) -> str:
    """A record's time as a day of the clock here; a dash for never."""
    return local_time(time)[:10] or "–"


def _safe(text: str) -> str:
    return escape(printable(text), quote=True)
