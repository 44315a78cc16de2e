"""What a control is known to hold, computed from the ledger alone: nothing here is kept, so nothing can disagree.

| event         | what it says about the program in the control                                  |
|---------------|--------------------------------------------------------------------------------|
| `sent`        | it was handed over whole; whether it was stored, only the control knows         |
| `matched`     | it came back equal to what was sent: the control held exactly that then         |
| `received`    | it came back: the control held what came then                                   |
| `differs`     | it came back changed at the machine, which `received` before it said already    |
| `interrupted` | a part of it was handed over: the control may hold an incomplete program        |

Everything else (refused, withdrawn, damaged) leaves what was known as it was. A `received` that a `matched` follows is
the same punch.
"""

import enum
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any


class How(enum.StrEnum):
    """How sure it is that the control holds it."""

    UNKNOWN = "unknown"
    SENT = "sent"
    CHECKED = "checked"
    PUNCHED = "punched"
    CHANGED = "changed at the machine"
    IN_PART = "in part"


@dataclass(frozen=True, slots=True)
class Holding:
    """One program of one machine. Times as the ledger has them, "" for never.

    revision: what the control is known to hold, 0 where no revision is known; how: how sure that is; since: from when.
    """

    last_sent: str = ""
    last_back: str = ""
    revision: int = 0
    how: How = How.UNKNOWN
    since: str = ""


_HOW = {
    "sent": How.SENT,
    "matched": How.CHECKED,
    "received": How.PUNCHED,
    "differs": How.CHANGED,
    "interrupted": How.IN_PART,
}


def holdings(records: Iterable[Mapping[str, Any]], machine: str) -> dict[str, Holding]:
    """By program, in the order in which they first went over the line. records: the ledger in its order."""
    found: dict[str, Holding] = {}
    for record in records:
        how = _HOW.get(str(record.get("event")))
        program = record.get("program")
        if how is None or record.get("machine") != machine or not isinstance(program, str):
            continue
        found[program] = _after(found.get(program, Holding()), how, record)
    return found


def _after(before: Holding, how: How, record: Mapping[str, Any]) -> Holding:
    time = str(record.get("time", ""))
    number = record.get("revision")
    known = number if isinstance(number, int) and not isinstance(number, bool) else 0
    if known == 0 and how in (How.CHECKED, How.CHANGED):
        known = before.revision  # the `received` before it, or the sending, named it
    out = how in (How.SENT, How.IN_PART)
    return Holding(
        last_sent=time if how is How.SENT else before.last_sent,
        last_back=before.last_back if out else time,
        revision=known,
        how=how,
        since=time,
    )
