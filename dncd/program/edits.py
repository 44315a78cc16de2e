"""Whether a dropped program holds the edits that operators made at the machine.

An edit is what a revision from the machine changed against the one before it, block by block as `comparing` sees blocks
(without block numbers, blanks and zeros that change nothing). A text holds an edit if every block that the operator
changed or added stands in it so, and none that the operator took out is back in its place. An edit that a later revision
gave up on purpose (sent over it) is not asked for again.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final

from dncd.program.aligning import Hunk, hunks
from dncd.program.comparing import blocks, compare, keys
from dncd.program.differences import lines
from dncd.values import Origin

_LIKE: Final = 0.5
"""Part of a program's blocks that a text must share with it to be built on it where no earlier revision tells more: a
program that began at the machine."""


@dataclass(frozen=True, slots=True)
class Version:
    """One revision with its text, as far as the question needs it."""

    number: int
    origin: Origin
    text: str


@dataclass(frozen=True, slots=True)
class LostEdit:
    """number: of the revision from the machine; differences: what the operator changed, a line a block."""

    number: int
    differences: tuple[str, ...]


def lost_edits(versions: Sequence[Version], dropped: str, most: int = 10) -> tuple[LostEdit, ...]:
    """The edits among the newest revisions (oldest first, all of one program) that `dropped` does not hold.

    The first version only says what the second one changed, unless it is the program's first revision (number 1).
    """
    if not versions or versions[-1].text == dropped:
        return ()
    found = []
    newest = versions[-1]
    for index, version in enumerate(versions):
        before = versions[index - 1].text if index else ""
        if version.origin is not Origin.MACHINE or (index == 0 and version.number > 1):
            continue
        alive = version is newest or holds(before, version.text, newest.text)
        if alive and not holds(before, version.text, dropped):
            said = tuple(islice(lines(compare(before, version.text)), most)) if before else ()
            found.append(LostEdit(version.number, said))
    return tuple(found)


def holds(before: str, edited: str, text: str) -> bool:
    """Whether `text` holds the edit that made `edited` out of `before` ("" where nothing is known to be before it)."""
    base, made, asked = (keys(blocks(each)) for each in (before, edited, text))
    against = hunks(made, asked)
    if not before:
        kept = len(made) - sum(hunk.old_end - hunk.old_start for hunk in against)
        return kept >= _LIKE * len(made)
    return not any(_undone(edit, base, asked, against) for edit in hunks(base, made))


def _undone(edit: Hunk, base: Sequence[str], asked: Sequence[str], against: Sequence[Hunk]) -> bool:
    """edit: of the operator; against: from the operator's text to the one in question."""
    taken_out = set(base[edit.old_start : edit.old_end])
    for hunk in against:
        overlaps = hunk.old_start < edit.new_end and edit.new_start < hunk.old_end
        touches = hunk.old_start <= edit.new_end and edit.new_start <= hunk.old_end
        pure = edit.new_start == edit.new_end
        if overlaps or (pure and touches and taken_out.intersection(asked[hunk.new_start : hunk.new_end])):
            return True
    return False
