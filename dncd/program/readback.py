"""What a control punched, against the revisions that it may hold: which it is, or what changed and the edit put in order;
and which program it is, where it says no name."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Final

from dncd.peer_text import printable
from dncd.program.carrying import Carried, Carry, carried
from dncd.program.differences import substance_lines
from dncd.program.edits import Version
from dncd.program.substance import Answer, Numbers, Substance, answer, habits
from dncd.values import Origin

DIFFERENCES: Final = 40
"""Lines of a receipt that say what changed."""

ALIKE: Final = 80
CLEARLY: Final = 10
FEW_BLOCKS: Final = 10
"""A capture takes the name of a program with which it shares so many percent of its blocks, and so many more than with any
other, unless it was last sent. Of fewer blocks the frame that all have (G21, G90, M30) is too much for that."""

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


@dataclass(frozen=True, slots=True)
class Like:
    """Which known program a capture without a name is. program: "" for none; percent: of its blocks that are that program's;
    sent: whether it is of what was last sent."""

    program: str = ""
    percent: int = 0
    sent: bool = False


def shares(known: Sequence[str], punched: str) -> list[int]:
    """`share` of each text and what was punched."""
    *blocks, here = (Substance.of(text, Numbers.IGNORE).keys for text in (*known, punched))
    return [share(there, here) for there in blocks]


def share(one: tuple[str, ...], two: tuple[str, ...]) -> int:
    """Percent of the blocks of the longer one that the other has too; 100 for the same in the same order alone."""
    if not (one and two):
        return 0
    return 100 if one == two else min(99, 100 * (Counter(one) & Counter(two)).total() // max(len(one), len(two)))


def taken_for(shared: Mapping[str, int], sent: Collection[str], punched: str) -> Like:
    """The program that a capture without a name is. shared: `share` of each known program; sent: what went out last."""
    ranked = sorted(((percent, name in sent, name) for name, percent in shared.items()), reverse=True)
    if not ranked or ranked[0][0] < ALIKE:
        return Like()
    (percent, was_sent, name), second = ranked[0], ranked[1][0] if len(ranked) > 1 else 0
    clear = second < percent if percent == 100 else percent - second >= CLEARLY and punched.count("\n") >= FEW_BLOCKS
    return Like(name, percent, was_sent) if was_sent or clear else Like()
