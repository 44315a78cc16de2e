"""Whether a dropped program holds the edits that operators made at the machine.

An edit is what a revision from the machine changed against the one before it, block by block in substance: how a control
spells a block is no edit, nor are comments and block numbers. A text holds an edit if every block that the operator
changed or added stands in it so, and none that the operator took out is back in its place. What a later revision gave up
on purpose (sent over it) is not asked for again; the rest of the same edit is.

A program that came from the machine first is held until the office has sent something over it once: nobody can tell
whether an office's file that differs was built on it, or is as old as the shop.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Final

from dncd.program.aligning import Hunk, hunks
from dncd.program.comparing import By, blocks, compare
from dncd.program.differences import lines
from dncd.program.substance import Answer, Numbers, Substance, answer
from dncd.values import Origin

_LINES: Final = 10
"""Of one lost edit that are told."""


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


def lost_edits(versions: Sequence[Version], dropped: str) -> tuple[LostEdit, ...]:
    """The edits among these revisions (oldest first, all of one program) that `dropped` does not hold. The last one
    says what is given up. A revision from the machine stands behind the one before it, whose text says what the
    operator changed; one that is the first here is no edit, unless it is the program's first revision (number 1).
    differences: of what is lost alone; of a program that began at the machine, from it to the dropped text."""
    if not versions or answer(versions[-1].text, dropped) is not Answer.CHANGED:
        return ()
    found = []
    newest = versions[-1]
    for index, version in enumerate(versions):
        before = versions[index - 1].text if index else ""
        first_of_all = not before and version is newest
        if version.origin is not Origin.MACHINE or (index == 0 and version.number > 1) or not (before or first_of_all):
            continue
        lost = not_held(before, version.text, dropped)
        if lost and version is not newest:
            given_up = not_held(before, version.text, newest.text)
            lost = [edit for edit in lost if edit not in given_up]
        if lost:
            old, new = (version.text, dropped) if first_of_all else (before, _with_edits(before, version.text, lost))
            found.append(LostEdit(version.number, tuple(islice(lines(compare(old, new, By.SUBSTANCE)), _LINES))))
    return tuple(found)


def not_held(before: str, edited: str, text: str) -> list[Hunk]:
    """The parts of the edit that made `edited` out of `before` that `text` does not hold; indices among the blocks that
    have words. before is "" for a program that began at the machine: any of its blocks may be an edit of years ago, so
    all count."""
    base, made, asked = (Substance.of(each, Numbers.IGNORE).keys for each in (before, edited, text))
    against = hunks(made, asked)
    return [edit for edit in hunks(base, made) if _undone(edit, base, asked, against)]


def _with_edits(before: str, edited: str, edits: Sequence[Hunk]) -> str:
    """`before` with these parts of the edit alone."""
    base, made = blocks(before), blocks(edited)
    old, new = Substance.of(before, Numbers.IGNORE).at, Substance.of(edited, Numbers.IGNORE).at
    for edit in reversed(edits):
        first = last = old[edit.old_start - 1] + 1 if edit.old_start else 0
        if edit.old_end > edit.old_start:
            first, last = old[edit.old_start], old[edit.old_end - 1] + 1
        base[first:last] = [made[i] for i in new[edit.new_start : edit.new_end]]
    return "".join(f"{block}\n" for block in base)


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
