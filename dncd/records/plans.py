"""What is under way, written down before it is done: a plan for each transfer, in `STATE/underway/ID.json`.

A plan is durable before the first character of a sending goes out, and before the first step of an ending is taken. At
the next start every plan that is left is carried out; one that cannot be read stops its machine (`records/recovery`).
"""

import enum
import hashlib
import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from dncd.program.substance import Answer
from dncd.records import codec, durable
from dncd.records.holdings import SignedOff
from dncd.records.orders import UNCOUNTED, Batch
from dncd.values import Result

STAMP: Final = "%Y%m%dT%H%M%SZ"


def fresh_id(machine: str) -> str:
    """The name of a transfer: machine, time and chance; it is in plans, spool files and ledger lines."""
    return f"{machine}@{datetime.now(UTC).strftime(STAMP)}-{secrets.token_hex(4)}"


class Counted(enum.StrEnum):
    """Whether anybody is left who saw how long a sending took and how far it came. nothing: not one character went out."""

    SEEN = "seen"
    NOTHING = "nothing"
    UNKNOWN = "unknown"


class Feed(enum.StrEnum):
    """Whether the control stores a program or cuts while it reads it."""

    STORED = ""
    DRIP = "yes"


class ReaderOff(enum.StrEnum):
    """Whether a control that was sent a program switched its reader off behind it."""

    NOT_SEEN = ""
    SEEN = "seen"


class Comparison(enum.StrEnum):
    """What became of comparing a program that came back with what was sent; NONE: nothing to compare, or it is not new."""

    NONE = ""
    MATCHED = "matched"
    DIFFERS = "differs"


class Evidence(enum.StrEnum):
    """What says that no flipped bit stands in a program that came over a line; PARITY: the line's own."""

    PARITY = ""
    TWICE = "punched twice, equal"
    AS_SENT = "equal to what was sent"
    ONCE = "punched once, not verifiable by parity"
    UNLIKE = "unlike the punch before it, not verifiable by parity"


@dataclass(frozen=True, slots=True)
class OnWire:
    """What went over the line between the marks, both with it. chars: how many; sha256: in hex."""

    chars: int
    sha256: str


def on_wire(image: Iterable[bytes], lead: int, chars: int) -> OnWire:
    """Of a tape image of which `chars` characters were handed over: those from the opening mark on, behind `lead`
    others. chars: at most up to the closing mark's block end; what follows is blank tape."""
    digest, at = hashlib.sha256(), 0
    for piece in image:
        digest.update(piece[max(0, lead - at) : max(0, chars - at)])
        at += len(piece)
    return OnWire(max(0, min(chars, at) - lead), digest.hexdigest())


@dataclass(frozen=True, slots=True)
class Sent:
    """How a sending ended. seconds, held_s: seconds; chars: handed to the port, leader and trailer included.
    line_faults: what port or driver counted of the characters that came meanwhile, by kind (`Counters.kinds`). counted:
    UNKNOWN where the service died meanwhile: then seconds, holds, held_s, chars and wire say nothing. wire: what went
    over the line (`on_wire`); null: the whole image, as the plan has it. reader_off: whether the control switched its
    reader off behind the closing mark. port_losses: times the port went away since the last such ending. doubts: why it is
    not sure that the control read all of it."""

    result: Result
    reasons: tuple[str, ...] = ()
    seconds: float = 0.0
    holds: int = 0
    held_s: float = 0.0
    chars: int = 0
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    line_faults: dict[str, int] = field(default_factory=dict)
    counted: Counted = Counted.SEEN
    wire: OnWire | None = None
    reader_off: ReaderOff = ReaderOff.NOT_SEEN
    port_losses: int = 0
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OutPlan:
    """A dropped file on its way. titles: as the receipt shows each program; revisions: number of each that was made.
    revised: the program of each revision: data between programs, and a number that comes twice, are revisions as well.
    wire_chars, wire_sha256: of the image from mark to mark; began: ISO 8601; placed_as: the name it gets at its end;
    signed: who proved the text of each program that is revised; number 0 where nobody did; batch: which piece it is."""

    id: str
    machine: str
    file: str
    sha256: str
    programs: tuple[str, ...]
    titles: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    revised: tuple[str, ...] = ()
    revisions: tuple[int, ...] = ()
    commits: tuple[str, ...] = ()
    wire_chars: int = 0
    wire_sha256: str = ""
    began: str = ""
    drip_feed: Feed = Feed.STORED
    signed: tuple[SignedOff, ...] = ()
    ended: Sent | None = None
    placed_as: str = ""
    batch: Batch = UNCOUNTED


@dataclass(frozen=True, slots=True)
class Part:
    """A program of a capture. text: LF line ends; mark_line: as it came, "" for none; origin facts of its revision.
    told: `matched`, `differs` or ""; against: number of the revision it was compared with, 0 for none; how: what the
    comparison said, a value of `program.substance.Answer`, "" where there was none; sure: on a line without parity,
    what stands for the parity: a value of `Evidence`; carry: a value of `program.carrying.Carry`, "" where nobody
    asked; carried: the office's own text with the edit, "" for none; spelling: how the control spelt it, as
    `program.habits` says; otherwise: in which of these habits it differs from what it was known for; like: percent of
    its blocks that are those of the program whose name it took, 0 where it has a name of its own; end_mark: what closes
    it, "" where its mark does."""

    program: str
    title: str
    text: str
    mark_line: str
    told: Comparison = Comparison.NONE
    against: int = 0
    differences: tuple[str, ...] = ()
    sure: Evidence = Evidence.PARITY
    how: str = ""
    carry: str = ""
    carried: str = ""
    spelling: dict[str, str] = field(default_factory=dict)
    otherwise: tuple[str, ...] = ()
    like: int = 0
    end_mark: str = ""

    @property
    def known(self) -> bool:
        """Whether it is the revision that it was compared with, perhaps in the control's own spelling."""
        return self.against > 0 and (self.told is Comparison.MATCHED or self.how in (Answer.EQUAL, Answer.SUBSTANCE))


@dataclass(frozen=True, slots=True)
class InPlan:
    """A capture on its way. whole: for a damaged one, the text as kept; reasons: what is damaged, one line each."""

    id: str
    machine: str
    result: Result
    wire_chars: int
    wire_sha256: str
    seconds: float
    parts: tuple[Part, ...] = ()
    program: str = ""
    whole: str = ""
    reasons: tuple[str, ...] = ()
    placed_as: str = ""
    notes: tuple[str, ...] = ()
    line_faults: dict[str, int] = field(default_factory=dict)


Plan = OutPlan | InPlan


def folder_of(state: Path) -> Path:
    return state / "underway"


def path_of(state: Path, plan_id: str) -> Path:
    return folder_of(state) / f"{plan_id}.json"


def save(state: Path, plan: Plan) -> None:
    kind = "out" if isinstance(plan, OutPlan) else "in"
    durable.replace(path_of(state, plan.id), codec.encode(plan, kind=kind))


def remove(state: Path, plan: Plan) -> None:
    durable.remove(path_of(state, plan.id))


def load(state: Path, plan_id: str) -> Plan | None:
    """The plan of that name as it was saved last; None where there is none."""
    try:
        return _read(path_of(state, plan_id))
    except FileNotFoundError:
        return None


def load_all(state: Path) -> list[Plan]:
    return [_read(path) for path in _files(state)]


def unreadable(state: Path) -> Iterator[Path]:
    """Plans that a failing disk has spoilt, or that a newer dncd wrote."""
    for path in _files(state):
        try:
            _read(path)
        except (ValueError, OSError):
            yield path


def _files(state: Path) -> list[Path]:
    return sorted(folder_of(state).glob("*.json"), key=lambda path: (path.stat().st_mtime_ns, path.name))


def _read(path: Path) -> Plan:
    kinds: dict[str, type[Plan]] = {"out": OutPlan, "in": InPlan}
    return codec.decode(kinds, path.read_bytes())
