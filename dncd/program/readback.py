"""What a control punched, against the revisions that it may hold: which it is, or what changed and the edit put in order."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Final

from dncd.peer_text import printable
from dncd.program.carrying import Carried, Carry, carried
from dncd.program.differences import substance_lines
from dncd.program.edits import Version
from dncd.program.habits import habits
from dncd.program.substance import Answer, answer
from dncd.values import Origin

DIFFERENCES: Final = 40
"""Lines of a receipt that say what changed."""

NOTHING: Final = Carried(Carry.NEEDLESS)


@dataclass(frozen=True, slots=True)
class Reading:
    """number: of the revision that it is held against; differences: printable, a line each; carried: the
    newest of them that is the office's, with what the operator changed since; spelling: `habits` that this
    readback shows."""

    number: int
    answer: Answer
    differences: tuple[str, ...] = ()
    carried: Carried = NOTHING
    spelling: dict[str, str] = field(default_factory=dict)


def read_back(known: Sequence[Version], punched: str) -> Reading:
    """The first of these revisions that it is, perhaps in the control's own spelling; else what changed against the last."""
    said = Answer.CHANGED
    for version in known:
        said = answer(version.text, punched)
        if said in (Answer.EQUAL, Answer.SUBSTANCE):
            return Reading(version.number, said, spelling=habits(version.text, punched))
    last = known[-1]
    lines = islice(substance_lines(last.text, punched), DIFFERENCES)
    office = next((version.text for version in reversed(known) if version.origin is Origin.OFFICE), "")
    made = carried(office, punched) if office and said is Answer.CHANGED else NOTHING
    return Reading(last.number, said, tuple(printable(line) for line in lines), made)
