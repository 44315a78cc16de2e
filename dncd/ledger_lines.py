"""What the lines of the ledger say (contract 5): the one type that writers and readers of a line share.

A line has no key that its event does not need. One of a newer dncd may have others, which nobody here asks for; one of an
older dncd lacks some.
"""

from collections.abc import Iterator, Mapping
from typing import Final, TypedDict

_Source = TypedDict("_Source", {"from": str}, total=False)  # no name of Python's


class Fields(_Source, total=False):
    """All that the events have besides `seq`, `time`, `event`, `prev` and `hash`."""

    machine: str
    transfer: str
    reasons: list[str]
    by: str

    # of a transfer, and of a plan that cannot be read
    program: str
    programs: list[str]
    file: str
    sha256: str
    wire_sha256: str
    wire_chars: int
    chars: int
    seconds: float
    holds: int
    held_s: float
    port_losses: int
    line_faults: Mapping[str, int]
    hit: int
    revision: int
    revisions: list[int]
    commit: str
    commits: list[str]
    of: str
    reader_off: str
    doubts: list[str]
    sure: str
    like: int
    plan: str

    # of a readback: matched, differs; the spelling of a trial too
    against: int
    how: str
    spelling: dict[str, str]

    # backup, no-backup
    changed: list[str]
    missing: list[str]
    unknown: list[str]
    mark_line: str

    # proven, not-proven
    note: str
    sheet: str
    settings_sha256: str
    rounds: str

    # recovered, revived
    before: str
    main: str
    line: int
    under_way: list[str]

    # started, stopped, reloaded, seated, asked, overflow and its end
    version: str
    machines: list[str]
    reason: str
    new: list[str]
    removed: list[str]
    switch: str
    do: str
    what: str
    why: str
    kept: str
    captures: int


class Record(Fields):
    """One line. seq: from 1; time: UTC, ISO 8601 with `Z`; prev, hash: SHA-256 in hex, of the line before and of this."""

    seq: int
    time: str
    event: str
    prev: str
    hash: str


NO_FIELDS: Final[Fields] = {}

NO_TIME: Final = "no time"
"""`time` of a line that says none, or none that there is: readers get it, and people read it as it stands."""

NO_HASH: Final = "0" * 64
"""`prev` of the first line."""

NO_LINE: Final[Record] = {"seq": 0, "time": "", "event": "", "prev": "", "hash": NO_HASH}
"""Stands for the line before the first."""


def transfer_of(record: Record) -> str:
    """The transfer that a line belongs to, of whichever of its programs it tells; "" for none."""
    return record.get("transfer", "").partition(".")[0]


def programs_of(record: Record) -> Iterator[tuple[str, int]]:
    """Each program of a line and its revision, 0 where none is known."""
    program, many, numbers = record.get("program", ""), record.get("programs", []), record.get("revisions", [])
    if many and len(numbers) == len(many):
        yield from zip(many, numbers, strict=True)
    elif program:
        yield program, record.get("revision", 0)
        yield from ((name, 0) for name in many if name != program)
