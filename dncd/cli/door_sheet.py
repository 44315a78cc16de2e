"""The index sheet of a machine: one printable page for the clip on its door, in HTML that needs nothing from elsewhere.

The page is `door_sheet.html`. Everything that comes from a program, a name or a setting is escaped; the page itself forbids
scripts and fetching.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from html import escape
from importlib import resources
from string import Template
from typing import Final

from dncd.cli.invocation import Asked
from dncd.errors import UsageError
from dncd.peer_text import local_text, printable
from dncd.program.names import title_in
from dncd.records.holdings import Holding, Holdings, How, is_data
from dncd.records.library import Library
from dncd.records.proving import Standing
from dncd.values import TapeSettings

CHAR_MM: Final = 2.54
"""Tape pitch: ten characters to the inch."""

GENERATOR: Final = '<meta name="generator" content="dncd index sheet">'

HEADS: Final = {
    "Program": "p", "Title and note": "", "Rev.": "n", "Proven": "t", "Chars": "n s", "Tape m": "n s", "Last sent": "s",
    "Last back": "s",
}  # fmt: skip
"""Columns, and the class of their cells in `door_sheet.html`. A note stands below its title and has its room."""

NOTES: Final = {
    How.SENT: "sent, not checked",
    How.CHANGED: "changed at the machine",
    How.IN_PART: "UNKNOWN: sending of rev. {} was interrupted; delete it there and send again",
    How.MISSING: "missing in the last backup",
    How.UNKNOWN: "not in the control, as far as is known",
}
"""What somebody at the machine should know before a program runs."""

GONE: Final = '<tr class="gone">'

CAUTIONS: Final = (
    "Prove out a new or changed program before it cuts: single block, dry run, reduced rapid, a hand at feed hold.",
    "“Sent” means handed over whole. What the control stored is known only once it was punched back.",
    "This sheet is as old as its date. The machine's own manual and the shop's rules come first.",
)


@dataclass(frozen=True, slots=True)
class Row:
    """A program on the sheet. metres: of tape; held: whether the control is known to hold it; line: of the table, HTML."""

    program: str
    metres: float
    held: bool
    line: str


def make(given: Asked, machine: str, now: datetime, phone: str = "") -> str:
    """phone: the address by which one joins, "" for none; UsageError where it joins none to this machine."""
    joining = _joining(given, machine, phone) if phone else ""
    settings = given.settings.machines.get(machine)
    held = Holdings.read(given.state, machine)
    with Library(given.state) as library:
        rows = sorted(_rows(library, machine, held, settings.tape if settings else TapeSettings()), key=_place)
    title = settings.title if settings and settings.title else machine
    inside = [row for row in rows if row.held]
    backup = held.backup(machine)
    backed = f"last backup {_day(backup.time)}" if backup else "no backup yet"
    summary = f"{len(inside)} programs in the control, {sum(row.metres for row in inside):.1f} m of tape; {backed}"
    template = resources.files("dncd.cli").joinpath("door_sheet.html").read_text("utf-8")
    return Template(template).substitute(
        generator=GENERATOR,
        title=_safe(title),
        name=f" ({_safe(machine)})" if title != machine else "",
        when=_safe(now.strftime("%Y-%m-%d %H:%M")),
        summary=_safe(summary),
        joining=joining,
        cautions="".join(f"<p>{_safe(caution)}</p>" for caution in CAUTIONS),
        heads="".join(_cell("th", kind, head) for head, kind in HEADS.items()),
        body="\n".join(row.line for row in rows) or f'<tr><td colspan="{len(HEADS)}">no programs yet</td></tr>',
    )


def _joining(given: Asked, machine: str, address: str) -> str:
    from dncd.page.people import read

    start, _, code = address.rpartition("/join/")
    found = read(given.state).joined(code) if start else None
    if found is None or found.machine != machine:
        next_step = f"Give it the address that `dncd people phone {machine}` told, or have that make another one"
        raise UsageError(f"no phone joins {machine} by this address", printable(address)[:120], next_step)
    words = f"<p>This machine on a phone. Open<br><strong>{_safe(start)}/join/<br>{_safe(code)}</strong></p>"
    return f'<div class="phone">{_drawing(address)}{words}</div>'


def _drawing(address: str) -> str:
    """As a QR code, where the library for it is there."""
    try:
        import segno
    except ImportError:
        return ""
    return segno.make(address, micro=False).svg_inline(unit="mm", scale=0.8, border=4)


def _rows(library: Library, machine: str, held: Holdings, tape: TapeSettings) -> Iterator[Row]:
    known, standing = held.of(machine), Standing(library, held, machine)
    more = len(tape.ends.chars) - 1
    for program in {*library.programs(machine), *known}:
        newest = len(library.history(machine, program))
        holding = known.get(program, Holding())
        revision = holding.revision if holding.held else 0
        text = library.text(machine, program, revision if 0 < revision <= newest else newest) if newest else ""
        chars = len(text) + more * text.count("\n")
        metres = chars * CHAR_MM / 1000
        signed = standing.of_revision(program, revision) if holding.held else None
        proven = f"yes, {_day(signed.time)}" if signed else "NO" if holding.held else "–"
        note = "; ".join(_notes(holding, newest))
        figures = f"{chars:,}", f"{metres:.2f}", _day(holding.last_sent), _day(holding.last_back)
        cells = [_safe(cell) for cell in (program, title_in(text), str(revision or "–"), proven, *figures)]
        cells[1] += f"<p>Note: {_safe(note)}</p>" if note else ""
        line = "".join(_cell("td", kind, cell) for kind, cell in zip(HEADS.values(), cells, strict=True))
        yield Row(program, metres, holding.held, f"{'<tr>' if holding.held else GONE}{line}</tr>")


def _cell(tag: str, kind: str, html: str) -> str:
    return f'<{tag} class="{kind}">{html}</{tag}>' if kind else f"<{tag}>{html}</{tag}>"


def _notes(holding: Holding, newest: int) -> Iterator[str]:
    if said := NOTES.get(holding.how):
        yield said.format(holding.revision)
    if holding.held and holding.revision < newest:
        yield f"not the newest: rev. {newest} is in the library"


def _place(row: Row) -> tuple[bool, bool, int, str]:
    digits = row.program[1:]
    numbered = row.program[:1] == "O" and digits.isdecimal()
    return is_data(row.program), not numbered, int(digits) if numbered else 0, row.program


def _day(time: str) -> str:
    """A record's time as a day of the clock here; a dash for never."""
    return local_text(time)[:10] or "–"


def _safe(text: str) -> str:
    return escape(printable(text), quote=True)
