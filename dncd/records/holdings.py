"""What each control is known to hold, computed from the ledger alone, so that it can never disagree with it.

| event         | what it says about the program in the control                                  |
|---------------|--------------------------------------------------------------------------------|
| `sent`        | it was handed over whole; whether it was stored, only the control knows         |
| `matched`     | it came back equal to what was sent: the control held exactly that then         |
| `received`    | it came back: the control held what came then                                   |
| `differs`     | it came back changed at the machine, which `received` before it said already    |
| `interrupted` | a part of it was handed over: what the control holds of it is not known         |
| `proven`      | nothing about what it holds; which revisions were proven is kept here as well   |
| `backup`      | everything was punched: what did not come is missing from the control           |

Everything else (refused, withdrawn, damaged) leaves what was known as it was. A `received` that a `matched` follows is
the same punch. A file of several programs has them in `programs`, and the revision of each in `revisions`.
"""

import contextlib
import enum
import re
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from dncd.ledger_lines import Record, programs_of
from dncd.peer_text import moment
from dncd.program.splitting import Kind
from dncd.records import ledger
from dncd.records.checks import RECOVERED, Checks


class How(enum.StrEnum):
    """How sure it is that the control holds it."""

    UNKNOWN = "unknown"
    SENT = "sent"
    CHECKED = "checked"
    PUNCHED = "punched"
    CHANGED = "changed at the machine"
    IN_PART = "in part"
    MISSING = "missing"


_DATA: Final = frozenset(kind.value.upper() for kind in Kind if kind is not Kind.PROGRAM)

SURE: Final = (How.CHECKED, How.PUNCHED, How.CHANGED)
"""The control itself has shown that it holds it."""

HELD: Final = (How.SENT, *SURE)
"""A revision that the control is taken to hold whole."""


@dataclass(frozen=True, slots=True)
class Holding:
    """One program of one machine. Times as the ledger has them, "" for never. revision: what the control is known to
    hold, 0 where no revision is known; how: how sure that is; since: when the ledger said so last."""

    last_sent: str = ""
    last_back: str = ""
    revision: int = 0
    how: How = How.UNKNOWN
    since: str = ""

    @property
    def held(self) -> bool:
        """Whether the control is taken to hold a known revision whole."""
        return self.how in HELD and self.revision > 0


@dataclass(frozen=True, slots=True)
class SignedOff:
    """A revision that somebody proved at the machine. time: as the ledger has it; note, by: in his words."""

    program: str
    revision: int
    time: str
    note: str
    by: str


@dataclass(frozen=True, slots=True)
class Backup:
    """A dump of a control's whole memory that is on record. programs, revisions: in the order of the dump; missing:
    held before, as far as known, and not in it; unknown: in it, and not known to be held before; mark_line: its opening
    mark line; time: as the ledger has it."""

    time: str
    file: str
    programs: tuple[str, ...]
    revisions: tuple[int, ...]
    missing: tuple[str, ...]
    unknown: tuple[str, ...]
    mark_line: str


@dataclass(frozen=True, slots=True)
class Dropped:
    """A file that somebody dropped by the page. do: by which word; at: seconds since 1970."""

    do: str = ""
    by: str = ""
    at: float = 0.0


_PARTS_NAMED: Final = 10

_DROPS: Final = ("drop", "drop-over-edits", "bring")
DROPPED: Final = re.compile(
    r"(?P<file>.*) \d+ bytes, SHA-256 (?P<sha256>[0-9a-f]{64})(?:, (?P<left>over the operator's edit, without .*))?",
    re.DOTALL,
)
"""What a line has of a file that was dropped by the page. Its name stands first and may look like all of that."""

_DROPS_KEPT: Final = 200
"""Of one machine, the newest contents: more than wait there by the page."""

_SAME_KEPT: Final = 10
_SLOW_SHARE_S: Final = 60.0
"""Between the line that a file was asked for by and the file, at most."""

_HOW: Final = {
    "sent": How.SENT,
    "matched": How.CHECKED,
    "received": How.PUNCHED,
    "differs": How.CHANGED,
    "interrupted": How.IN_PART,
}

_SAME_CAME_BACK: Final = {
    How.SENT: How.CHECKED,
    How.IN_PART: How.CHECKED,
    How.CHECKED: How.CHECKED,
    How.CHANGED: How.CHANGED,
}
"""What a `received` of the very revision that was held says; of all else it says `punched`."""


def _later(until: str) -> Callable[[Record], bool]:
    """Whether a line is behind a time or the number of a line."""
    if until.isdecimal():
        return lambda line: line["seq"] > int(until)
    return lambda line: line.get("time", "") > until


class Holdings:
    """What every control holds, kept up with the ledger: fed each line once, in its order."""

    def __init__(self) -> None:
        self.seq = 0
        self.checks = Checks()
        self._lock = threading.RLock()  # the records thread follows the ledger, others may catch up with it
        self._held: dict[str, dict[str, Holding]] = {}
        self._backups: dict[str, Backup] = {}
        self._first: dict[str, str] = {}
        self._proven: dict[str, dict[str, dict[int, SignedOff]]] = {}
        self._dropped: dict[str, dict[str, tuple[Dropped, ...]]] = {}
        self.out_of_time: list[int] = []
        """Lines that count by their order though their time is later than the one that was asked for."""

    @classmethod
    def read(cls, state: Path, machine: str = "", until: str = "") -> "Holdings":
        """From the ledger of a state folder: of one machine or all, until now, or up to and with a time (ISO 8601, UTC) or
        the number of a line. The order of the ledger decides, for a clock may have been wrong: a time stands for the last
        line that has no later one."""
        found = cls()
        if not until:
            for record in ledger.records(state, machine):
                found.feed(record)
            return found
        lines = list(ledger.records(state, machine))
        late = _later(until)
        last = max((number for number, line in enumerate(lines, 1) if not late(line)), default=0)
        for record in lines[:last]:
            if late(record):
                found.out_of_time.append(record["seq"])
            found.feed(record)
        for record in lines[last:]:  # a number that was lost since may be another text's by now
            if record["event"] == RECOVERED:
                found.feed(record)
        return found

    def catch_up(self, state: Path) -> None:
        with self._lock:
            for record in ledger.records(state) if self.seq == 0 else ledger.since(state, self.seq):
                self.feed(record)

    def follow(self, record: Record) -> None:
        """Takes a line that was just written, if it is the next; else `catch_up` will read it."""
        with self._lock:
            if record.get("seq") == self.seq + 1:
                self.feed(record)

    def feed(self, record: Record) -> None:
        self.seq = record.get("seq", self.seq)
        self.checks.feed(record)
        if not (machine := record.get("machine", "")):
            return
        event, time = record.get("event", ""), record.get("time", "")
        if event == "backup":
            self._take_backup(machine, record)
        elif event == "proven":
            self._take_proven(machine, record)
        elif event == RECOVERED:
            self._take_lost(machine, record)
        elif event == "asked":
            _note_dropped(self._dropped.setdefault(machine, {}), record)
        elif how := _HOW.get(event):
            held = self._held.setdefault(machine, {})
            for program, revision in programs_of(record):
                held[program] = _after(held.get(program, Holding()), how, revision, time)
                self._first.setdefault(machine, time)

    def _take_proven(self, machine: str, record: Record) -> None:
        program, revision = record.get("program"), record.get("revision")
        if program and revision:  # without them it is the line that was proven
            signed = SignedOff(program, revision, record.get("time", ""), record.get("note", ""), record.get("by", ""))
            self._proven.setdefault(machine, {}).setdefault(program, {})[revision] = signed

    def _take_lost(self, machine: str, record: Record) -> None:
        """Revisions that are in the library no more: their numbers will be other texts'."""
        held, time = self._held.get(machine, {}), record.get("time", "")
        for program, revision in programs_of(record):
            self._proven.get(machine, {}).get(program, {}).pop(revision, None)
            before = held.get(program, Holding())
            if revision and before.revision == revision:
                held[program] = Holding(before.last_sent, before.last_back, 0, How.UNKNOWN, time)

    def _take_backup(self, machine: str, record: Record) -> None:
        time, held = record.get("time", ""), self._held.setdefault(machine, {})
        backup = Backup(
            time,
            record.get("file", ""),
            tuple(record.get("programs", ())),
            tuple(record.get("revisions", ())),
            tuple(record.get("missing", ())),
            tuple(record.get("unknown", ())),
            record.get("mark_line", ""),
        )
        self._backups[machine] = backup
        for program in backup.missing:
            before = held.get(program, Holding())
            held[program] = Holding(before.last_sent, before.last_back, before.revision, How.MISSING, time)

    def of(self, machine: str) -> dict[str, Holding]:
        """By program, in the order in which they first went over the line."""
        return dict(self._held.get(machine, {}))

    def one(self, machine: str, program: str) -> Holding:
        return self._held.get(machine, {}).get(program, Holding())

    def backup(self, machine: str) -> Backup | None:
        return self._backups.get(machine)

    def proven(self, machine: str) -> dict[tuple[str, int], str]:
        """Program and revision of what was proven at a machine, and when last."""
        every = self._proven.get(machine, {})
        return {(program, n): signed.time for program, found in every.items() for n, signed in found.items()}

    def signed_off(self, machine: str, program: str) -> tuple[SignedOff, ...]:
        """The proven revisions of a program, each with its newest signature, by number."""
        found = dict(self._proven.get(machine, {}).get(program, {}))  # the records thread may add to it meanwhile
        return tuple(found[number] for number in sorted(found))

    def dropped(self, machine: str, sha256: str, at: float) -> Dropped:
        """Who dropped a file with these contents by the page shortly before then (seconds since 1970)."""
        found = reversed(self._dropped.get(machine, {}).get(sha256, ()))
        return next((each for each in found if -1 <= at - each.at <= _SLOW_SHARE_S), Dropped())

    def first(self, machine: str) -> str:
        """When the first program went over this machine's line; "" for never."""
        return self._first.get(machine, "")


def edited(held: Holdings, machine: str) -> tuple[str, ...]:
    """The programs that came back changed, and of which nothing has gone out since: edits that wait to be decided."""
    return tuple(program for program, holding in held.of(machine).items() if holding.how is How.CHANGED)


def in_part(held: Holdings, machine: str, programs: Iterable[str]) -> tuple[str, ...]:
    """A warning for each of these programs of which the control may hold a part: before another one goes out."""
    found = [(program, held.one(machine, program)) for program in programs]
    parts = [(program, holding.since) for program, holding in found if holding.how is How.IN_PART]
    more = (f"the control may hold parts of {len(parts) - _PARTS_NAMED} more of its programs",)
    return tuple(
        f"the control may hold a part of {program} (stopped {moment(since)}): delete it there first, or see that the"
        " control overwrites it"
        for program, since in parts[:_PARTS_NAMED]
    ) + (more if len(parts) > _PARTS_NAMED else ())


def _note_dropped(kept: dict[str, tuple[Dropped, ...]], record: Record) -> None:
    found = DROPPED.fullmatch(record.get("what", "")) if record.get("do") in _DROPS else None
    with contextlib.suppress(ValueError):  # it has no time
        at = datetime.fromisoformat(record.get("time", "")).timestamp()
        if found is not None:
            same = kept.pop(found["sha256"], ())[1 - _SAME_KEPT :]
            kept[found["sha256"]] = (*same, Dropped(record.get("do", ""), record.get("by", ""), at))
        if len(kept) > _DROPS_KEPT:
            del kept[next(iter(kept))]


UNNAMED: Final = "UNNAMED-"
"""Start of the name of a capture that says none: its time follows. It may be any program, so it is none that is held."""


def is_unnamed(program: str) -> bool:
    return program.startswith(UNNAMED)


def is_data(program: str) -> bool:
    """Whether a name stands for data (offsets, parameters, variables) and not for a program."""
    return program.partition("-")[0] in _DATA


def _after(before: Holding, how: How, known: int, time: str) -> Holding:
    if known == 0 and how in (How.CHECKED, How.CHANGED):
        known = before.revision  # the `received` before it, or the sending, named it
    if how is How.PUNCHED and known and known == before.revision:
        how = _SAME_CAME_BACK.get(before.how, how)
    out = how in (How.SENT, How.IN_PART)
    return Holding(
        last_sent=time if how is How.SENT else before.last_sent,
        last_back=before.last_back if out else time,
        revision=known,
        how=how,
        since=time,
    )
