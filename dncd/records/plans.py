"""What is under way, written down before it is done: a plan for each transfer, in `STATE/underway/ID.json`.

A plan is durable before the first character of a sending goes out, and before the first step of an ending is taken. At
the next start every plan that is left is carried out or named (`recovery`).
"""

import dataclasses
import enum
import json
import secrets
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from dncd.program.substance import Answer
from dncd.records import durable

STAMP: Final = "%Y%m%dT%H%M%SZ"


def fresh_id(machine: str) -> str:
    """The name of a transfer: machine, time and chance; it is in plans, spool files and ledger lines."""
    return f"{machine}@{datetime.now(UTC).strftime(STAMP)}-{secrets.token_hex(4)}"


class Counted(enum.StrEnum):
    """Whether anybody is left who saw how long a sending took and how far it came."""

    SEEN = "seen"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Sent:
    """How a sending ended. result: one of contract 1; seconds, held_s: seconds; chars: handed to the port.

    line_faults: what port or driver counted of the characters that came meanwhile, by kind (`Counters.kinds`).
    counted: UNKNOWN where the service died meanwhile: then seconds, holds, held_s and chars say nothing.
    """

    result: str
    reasons: tuple[str, ...] = ()
    seconds: float = 0.0
    holds: int = 0
    held_s: float = 0.0
    chars: int = 0
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    line_faults: dict[str, int] = field(default_factory=dict)
    counted: Counted = Counted.SEEN


@dataclass(frozen=True, slots=True)
class OutPlan:
    """A dropped file on its way. titles: as the receipt shows each program; revisions: number of each that was made.

    revised: the program of each revision: data between programs, and a number that comes twice, are revisions as well.
    wire_chars, wire_sha256: of the image from mark to mark; began: ISO 8601; placed_as: the name it gets at its end;
    proven: whether its revisions are, as lines of the receipt.
    """

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
    drip_feed: str = ""
    proven: tuple[str, ...] = ()
    ended: Sent | None = None
    placed_as: str = ""


class Sure(enum.StrEnum):
    """How sure it is that no flipped bit stands in a program that came over a line without parity."""

    TWICE = "punched twice, equal"
    AS_SENT = "equal to what was sent"
    ONCE = "punched once, not verifiable by parity"
    UNLIKE = "unlike the punch before it, not verifiable by parity"


@dataclass(frozen=True, slots=True)
class Part:
    """A program of a capture. text: LF line ends; mark_line: as it came, "" for none; origin facts of its revision.

    told: `matched`, `differs` or ""; against: number of the revision it was compared with, 0 for none; how: what the
    comparison said, a value of `program.substance.Answer`, "" where there was none; sure: on a line without parity, what
    stands for the parity: one of the values of `Sure`; carry: a value of `program.carrying.Carry`, "" where nobody
    asked; carried: the office's own text with the edit, "" for none; spelling: how the control spelt it, as
    `program.habits` says; otherwise: in which of these habits it differs from what it was known for.
    """

    program: str
    title: str
    text: str
    mark_line: str
    told: str = ""
    against: int = 0
    differences: tuple[str, ...] = ()
    sure: str = ""
    how: str = ""
    carry: str = ""
    carried: str = ""
    spelling: dict[str, str] = field(default_factory=dict)
    otherwise: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether it is the revision that it was compared with, perhaps in the control's own spelling."""
        return self.against > 0 and (self.told == "matched" or self.how == Answer.SUBSTANCE)


@dataclass(frozen=True, slots=True)
class InPlan:
    """A capture on its way. whole: for a damaged one, the text as kept; reasons: what is damaged, one line each."""

    id: str
    machine: str
    result: str
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
    """Where plans are."""
    return state / "underway"


def path_of(state: Path, plan_id: str) -> Path:
    """The file of a plan."""
    return folder_of(state) / f"{plan_id}.json"


def save(state: Path, plan: Plan, disk: durable.Disk = durable.DISK) -> None:
    """Writes a plan, durably, over an older form of it."""
    kind = "out" if isinstance(plan, OutPlan) else "in"
    data = json.dumps({"kind": kind, **dataclasses.asdict(plan)}, ensure_ascii=True, indent=1)
    durable.replace(path_of(state, plan.id), data.encode("ascii"), disk)


def remove(state: Path, plan: Plan, disk: durable.Disk = durable.DISK) -> None:
    """The transfer is on record: its plan goes."""
    durable.remove(path_of(state, plan.id), disk)


def load(state: Path, plan_id: str) -> Plan | None:
    """The plan of that name as it was saved last; None where there is none."""
    try:
        return _read(path_of(state, plan_id))
    except FileNotFoundError:
        return None


def load_all(state: Path) -> list[Plan]:
    """Every plan that is left, oldest first."""
    return [_read(path) for path in _files(state)]


def set_aside_unreadable(state: Path, disk: durable.Disk = durable.DISK) -> list[Path]:
    """Gives a plan that a failing disk has spoilt another name, so that it stops no start; where they lie now."""
    aside = []
    for path in _files(state):
        try:
            _read(path)
        except (ValueError, TypeError, KeyError, AttributeError):
            aside.append(durable.place(path, path.parent, f"unreadable-{path.stem}.bytes", disk))
    return aside


def _files(state: Path) -> list[Path]:
    folder = folder_of(state)
    found = folder.glob("*.json") if folder.is_dir() else ()
    return sorted(found, key=lambda path: (path.stat().st_mtime_ns, path.name))


def _read(path: Path) -> Plan:
    return _from_json(json.loads(path.read_text("ascii")))


def _from_json(data: dict[str, Any]) -> Plan:
    kind = data.pop("kind")
    plain: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in data.items()}
    if kind == "out":
        if plain["ended"] is not None:
            ended: dict[str, Any] = plain["ended"]
            again: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in ended.items()}
            again["counted"] = Counted(again.get("counted", Counted.SEEN))  # plans of older versions do not say
            plain["ended"] = Sent(**again)
        return OutPlan(**plain)
    parts = []
    for part in plain["parts"]:
        fields: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in part.items()}
        parts.append(Part(**fields))
    plain["parts"] = tuple(parts)
    return InPlan(**plain)
