"""One machine as people look at it: what the next start brings, what the line does, what last became of a file.

`board` takes what `service/status` says of a machine (with `backup` and `last`, as `service/notes` adds them). Every string
of a board is printable; fields are named as there, and have their default where it says nothing. Times are UTC.
"""

import enum
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any, Final, TypeVar, cast

from dncd.ledger_lines import Record, programs_of
from dncd.peer_text import printable, some
from dncd.records.holdings import Holding, Holdings, How
from dncd.records.revisions import Revision
from dncd.station.states import line_said
from dncd.values import Keys, Origin

Status = Mapping[str, Any]

_T = TypeVar("_T")


class Rank(enum.IntEnum):
    """Where a machine stands on the floor: who needs somebody first."""

    TROUBLE = 0
    LOOK = 1
    BUSY = 2
    QUIET = 3


class Standing(enum.StrEnum):
    """Whether the text that waits is proven; OPEN: it is being looked at."""

    PROVEN = "proven"
    UNPROVEN = "not proven"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Brings:
    """What the next start brings; program "" where nothing waits. by: what brings it; programs: of the file; text_of: the
    newest revision that has this very text, 0 for none; of: the piece of a batch, ""; asked_by: who had it dropped by the
    page, asked_do: as `drop` or `bring`; then_more: how many come behind `then`; withheld: why the key alone brings
    nothing, ""."""

    by: str = ""
    file: str = ""
    program: str = ""
    programs: int = 1
    revision: int = 0
    is_new: bool = False
    text_of: int = 0
    title: str = ""
    proven: bool = False
    dropped: str = ""
    asked_by: str = ""
    asked_do: str = ""
    of: str = ""
    warnings: tuple[str, ...] = ()
    then: tuple[str, ...] = ()
    then_more: int = 0
    withheld: str = ""
    next_step: str = ""

    @property
    def key(self) -> str:
        """The key, or the word, that brings it."""
        return self.by.removeprefix("the next ").strip("`")

    @property
    def standing(self) -> Standing:
        if not self.revision:
            return Standing.OPEN
        return Standing.PROVEN if self.proven else Standing.UNPROVEN


@dataclass(frozen=True, slots=True)
class Pressed:
    """The control's key, before anything waited: when, and until when what is dropped goes at once; "" for not pressed."""

    at: str = ""
    until: str = ""


@dataclass(frozen=True, slots=True)
class Waits:
    """A file that waits. asked_by: who had it dropped by the page, "" for nobody; revision: which it will be; text_of: the
    newest that has this very text, 0 for none."""

    file: str = ""
    program: str = ""
    revision: int = 0
    is_new: bool = False
    text_of: int = 0
    dropped: str = ""
    asked_by: str = ""


@dataclass(frozen=True, slots=True)
class Doing:
    """What the line does, in seconds and characters. direction: "out", "in" or "" for no transfer."""

    state: str = ""
    direction: str = ""
    file: str = ""
    program: str = ""
    chars: int = 0
    of_chars: int = 0
    seconds: float = 0.0
    holds: int = 0
    held_s: float = 0.0
    held_for_s: float = 0.0
    block: str = ""
    waits_for: str = ""
    port: str = ""
    lent_to: str = ""
    not_seated: str = ""

    @property
    def said(self) -> str:
        return line_said({field.name: getattr(self, field.name) for field in fields(self)})

    @property
    def rate(self) -> float:
        """Characters a second since its start, holds counted in; 0 before the first second."""
        return self.chars / self.seconds if self.seconds >= 1 else 0.0

    @property
    def left_s(self) -> float:
        """What is to come at that rate; 0 where nobody knows."""
        return max(0, self.of_chars - self.chars) / self.rate if self.rate else 0.0


@dataclass(frozen=True, slots=True)
class Ending:
    """What last became of a file; time "" for never. damaged: captures that came damaged since the last good one; in_doubt:
    it was sent, and it is not sure that the control read all of it."""

    time: str = ""
    event: str = ""
    file: str = ""
    damaged: int = 0
    in_doubt: bool = False


@dataclass(frozen=True, slots=True)
class Open:
    """What waits until somebody has looked at it: refused files, and programs that were changed at the machine; count: of
    both, of which only some are named."""

    count: int = 0
    refused: tuple[str, ...] = ()
    edits: tuple[str, ...] = ()

    @property
    def named(self) -> str:
        return some([*self.refused[::-1], *self.edits[::-1]], 3)


@dataclass(frozen=True, slots=True)
class Backup:
    """Of the whole memory. last: when, "" for never; due: why one should be made now, "" if none need be; wanted: whether
    the settings want any."""

    last: str = ""
    programs: int = 0
    due: str = ""
    wanted: bool = False

    @property
    def lacks(self) -> bool:
        """Whether there is none though one is wanted, or one that is too old."""
        return bool(self.due) or (self.wanted and not self.last)


@dataclass(frozen=True, slots=True)
class Proof:
    """Of the line. since: the day, "" where it is not proven; by: who did; why: in a sentence."""

    since: str = ""
    by: str = ""
    why: str = ""

    @property
    def untried(self) -> bool:
        return self.why.startswith("not proven: no trial")

    @property
    def failed(self) -> str:
        """The day of the trial that failed, "" for none."""
        found = re.fullmatch(r"not proven: the trial of (\S+) failed", self.why)
        return found[1] if found else ""

    @property
    def changed(self) -> tuple[str, ...]:
        """The day of the trial and which settings are others since; () for none."""
        found = re.fullmatch(r"no longer proven: since the trial of (\S+) (.+)", self.why)
        return found.groups() if found else ()


@dataclass(frozen=True, slots=True)
class Board:
    """All of one machine. trouble: what is wrong with it now, the worst first; holds, unsure: programs that the control is
    known to hold whole, and those of which it may hold a part; waiting: files in their order; files: the first of them;
    folder: what is odd in its to-machine/; pending: settings to come."""

    name: str
    brings: Brings
    doing: Doing
    last: Ending
    backup: Backup
    line: Proof
    keys: Keys
    holds: int
    unsure: int
    files: tuple[Waits, ...] = ()
    pressed: Pressed = Pressed()
    title: str = ""
    trouble: tuple[str, ...] = ()
    waiting: tuple[str, ...] = ()
    drip_feed: bool = False
    pending: str = ""
    folder: str = ""
    open: Open = Open()

    @property
    def alike(self) -> bool:
        """Whether two of the first files that wait are of one program."""
        return len({file.program for file in self.files}) < len(self.files)

    def waits(self, program: str) -> tuple[Waits, ...]:
        return tuple(file for file in self.files if file.program == program)

    @property
    def rank(self) -> Rank:
        if self.trouble or self.doing.state == "no-port":
            return Rank.TROUBLE
        heed = self.last.damaged or self.last.event in _HEED or self.unsure or self.brings.withheld or self.backup.due
        heed = heed or self.open.count
        if heed or self.doing.state == "held":
            return Rank.LOOK
        return Rank.BUSY if self.doing.direction or self.waiting else Rank.QUIET


_HEED: Final = ("interrupted", "refused", "damaged")
"""Endings after which somebody has something to do."""


def board(name: str, status: Status, held: Holdings) -> Board:
    holdings, whole = held.of(name).values(), held.backup(name)
    kept = {"last": whole.time, "programs": len(whole.programs)} if whole else None
    return _of(
        Board,
        {"title": name} | {key: value for key, value in status.items() if value},
        name=name,
        brings=_of(Brings, status.get("next")),
        doing=_of(Doing, {**status, **(status.get("transfer") or {})}),
        last=_of(Ending, status.get("last")),
        backup=_of(Backup, status.get("backup") or kept),
        line=_of(Proof, status.get("proven")),
        keys=_of(Keys, status.get("keys")),
        open=_of(Open, status.get("open")),
        holds=sum(holding.held for holding in holdings),
        unsure=sum(holding.how is How.IN_PART for holding in holdings),
        pressed=_of(Pressed, status.get("pressed")),
        files=tuple(_of(Waits, file) for file in status.get("files") or ()),
    )


def _of(kind: Callable[..., _T], found: Mapping[str, Any] | None, **given: Any) -> _T:
    """A value whose fields are what is found under their names, each of the type of its default."""
    said = found or {}
    wanted = (field for field in fields(cast(Any, kind)) if field.name not in given)
    there = {field.name: _as(field.default, said[field.name]) for field in wanted if said.get(field.name) is not None}
    return kind(**there, **given)


def _as(default: object, value: Any) -> object:
    if isinstance(default, tuple):
        return tuple(printable(str(each)) for each in value)
    kind: Callable[[Any], object] = type(default)
    return printable(str(value)) if isinstance(default, str) else kind(value)


@dataclass(frozen=True, slots=True)
class Program:
    """A program of a machine. newest: its newest revision, of number 0 where the library has none; proven: the newest one
    that is, 0 for none; from_office: whether the office has a text of its own."""

    name: str
    holding: Holding
    newest: Revision
    proven: int
    from_office: bool = True

    @property
    def only(self) -> str:
        """Where alone it is known to be: a key of ONLY, "" for both. The office has what it made or sent."""
        if self.holding.held or self.office_lacks:
            return "" if self.from_office and not self.office_lacks else "control"
        return "here" if self.holding.how is not How.IN_PART else ""

    @property
    def older(self) -> bool:
        """Whether the control has an older one than the library."""
        return self.holding.held and self.holding.revision < self.newest.number

    @property
    def office_lacks(self) -> bool:
        """Whether the control has what the library has not."""
        return self.newest.number == 0 and self.holding.how is not How.MISSING


_NO_REVISION: Final = Revision(0, Origin.OFFICE, "", "", "")

ONLY: Final[Mapping[str, Callable[[Program], bool]]] = {
    "": lambda program: True,
    "control": lambda program: program.only == "control",
    "here": lambda program: program.only == "here",
    "older": lambda program: program.older,
}
"""Which programs may be asked for."""


def programs(
    machine: str, newest: Mapping[str, Revision], held: Holdings, by_office: Callable[[str], bool] = lambda _: False
) -> tuple[Program, ...]:
    """Every program that went over this machine's line; those that the control holds first, then by name. by_office: whether
    the office made a revision of one whose newest is the control's, and which it never sent."""
    known = held.of(machine)
    found = []
    for name in {*newest, *known}:
        holding, signed = known.get(name, Holding()), held.signed_off(machine, name)
        revision = newest.get(name, _NO_REVISION)
        made_there = name in newest and revision.origin is Origin.OFFICE
        own = bool(holding.last_sent) or made_there or by_office(name)
        found.append(Program(printable(name), holding, revision, signed[-1].revision if signed else 0, own))
    return tuple(sorted(found, key=lambda p: (not p.holding.held, p.name)))


def last_out(machine: str, held: Holdings) -> str:
    """The program that went out last to this machine; "" for none."""
    return next(map(printable, held.checks.last_out(machine)), "")


def named(record: Record) -> tuple[str, ...]:
    """The programs of a ledger line."""
    return tuple(printable(program) for program, _ in programs_of(record))
