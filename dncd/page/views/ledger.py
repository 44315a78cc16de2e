"""The ledger to be read, what a search finds, and what holding the records against each other found last."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final

from dncd.ledger_lines import Record
from dncd.page.reading import Wanted
from dncd.page.views.machine import named
from dncd.peer_text import printable
from dncd.program.names import spelt
from dncd.records.ledger import utc_text
from dncd.records.revisions import Revision

SHOWN: Final = 100
"""Lines of the ledger on one page, and finds of a search of each kind."""

EVENTS: Final = (
    "sent", "received", "matched", "differs", "damaged", "refused", "interrupted", "withdrawn", "proven", "not-proven",
    "backup", "no-backup", "asked", "started", "stopped", "reloaded",
)  # fmt: skip
"""Events that can be asked for by name."""

_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d")
_GERMAN_DAY: Final = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})")


ANY: Final = Wanted()


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the ledger. facts: characters, seconds and holds where it has them, else 0; reasons: all of them."""

    seq: int
    time: str
    event: str
    machine: str
    programs: tuple[str, ...]
    revision: int
    file: str
    chars: int
    seconds: float
    holds: int
    by: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Log:
    """Lines, newest first. before: the number before which the next page begins, 0 where these are the last."""

    lines: tuple[Line, ...]
    before: int


def wanted(form: Mapping[str, str], zone: datetime) -> Wanted:
    """What a form asks for: machine, program, event, since, until (days here), words, before; what makes no sense is left
    out. zone: any moment with the zone of this place."""
    event = form.get("event", "")
    days = {key: _day(form.get(key, "")) for key in ("since", "until")}
    before = form.get("before", "")
    program = form.get("program", "").strip()
    return Wanted(
        machine=form.get("machine", ""),
        program=spelt(program),
        event=event if event in EVENTS else "",
        since=_start(days["since"], zone) if days["since"] else "",
        until=_start(days["until"] + timedelta(days=1), zone) if days["until"] else "",
        words=tuple(form.get("words", "").casefold().split()[:8]),
        before=int(before) if before.isascii() and before.isdigit() and len(before) < 10 else 0,
    )


_FIRST, _LAST = date(1970, 1, 1), date(9999, 1, 1)  # no zone leads out of what a date can be


def _day(said: str) -> date | None:
    try:
        found = date.fromisoformat(said) if _DAY.fullmatch(said) else None
    except ValueError:
        return None
    return found if found is not None and _FIRST < found < _LAST else None


def _start(day: date, zone: datetime) -> str:
    return utc_text(datetime.combine(day, time(), zone.tzinfo))


def log(found: Iterable[Record], most: int = SHOWN) -> Log:
    """found: newest first, one more than `most` where there is a next page."""
    lines = [line_of(record) for record in found]
    return Log(tuple(lines[:most]), lines[most - 1].seq if len(lines) > most else 0)


def line_of(record: Record) -> Line:
    asked = " ".join(filter(None, (record.get("do"), record.get("what"))))
    reasons = record.get("reasons") or filter(None, (record.get("reason"), record.get("note"), asked))
    return Line(
        seq=record["seq"],
        time=record["time"],
        event=printable(record["event"]),
        machine=printable(record.get("machine", "")),
        programs=named(record),
        revision=record.get("revision", 0),
        file=printable(record.get("file", "")),
        chars=record.get("wire_chars", 0),
        seconds=record.get("seconds", 0.0),
        holds=record.get("holds", 0),
        by=printable(record.get("by", "")),
        reasons=tuple(map(printable, reasons)),
    )


def asked_lines(asked: str, zone: datetime) -> Wanted:
    """Which lines of the ledger a search looks for: a day's, or those with all its words."""
    said = asked.strip()
    found = _GERMAN_DAY.fullmatch(said)
    day = f"{found[3]}-{int(found[2]):02}-{int(found[1]):02}" if found is not None else said
    if _day(day) is not None:
        return wanted({"since": day, "until": day}, zone)
    return Wanted(words=tuple(said.casefold().split()[:8]))


def known(asked: str, newest: Mapping[str, Revision], lines: Wanted = ANY) -> dict[str, Revision]:
    """Of the newest revisions of a machine's programs, those whose number or title has what was asked, or that are of that
    day. lines: what `asked_lines` says."""
    word, name = asked.strip().casefold(), spelt(asked.strip())
    return {
        program: revision
        for program, revision in sorted(newest.items())
        if word
        and (
            program == name
            or word in program.casefold()
            or word in revision.title.casefold()
            or (lines.until and lines.since <= revision.time <= lines.until)
        )
    }
