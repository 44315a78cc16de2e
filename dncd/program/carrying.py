"""An operator's edit put into the office's own text, where the control spells a program in its own way.

Blocks that nobody changed stay as the office wrote them, with comments and empty blocks; of a changed one the words alone.
What comes out must be the same in substance as what the control punched, and most of the program must be as it was: else
nobody could be sure which block became which.

Or block by block, as somebody chooses (`groups`, `taken_over`): then every character is as one of the two texts has it.
"""

import enum
import re
from collections import Counter, defaultdict
from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from dncd.program.aligning import hunks
from dncd.program.comparing import By, beyond, blocks, compare
from dncd.program.substance import Answer, Numbers, Substance, answer, same_spelling
from dncd.program.words import TokenKind, tokens

_UNCHANGED: Final = 4
"""So many blocks must stand unchanged for each that changed."""


class Carry(enum.StrEnum):
    """NEEDLESS: the control spells as the office does, so what it punched is already the office's text with the edit."""

    DONE = "done"
    NEEDLESS = "needless"
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True)
class Carried:
    """text: LF line ends; "" where none was made."""

    how: Carry
    text: str = ""


def carried(office: str, punched: str) -> Carried:
    found = compare(office, punched, By.SUBSTANCE)
    old, new = blocks(office), blocks(punched)
    at, to = Substance.of(office, Numbers.IGNORE).at, Substance.of(punched, Numbers.IGNORE).at
    gone, came = {change.old_line - 1 for change in found.changes}, {change.new_line - 1 for change in found.changes}
    same = dict(zip((i for i in at if i not in gone), (j for j in to if j not in came), strict=False))
    if found.not_told or len(same) < _UNCHANGED * len(found.changes):
        return Carried(Carry.UNSURE)
    pairs = {c.old_line - 1: c.new_line - 1 for c in found.changes if c.old_line and c.new_line}
    kept = [[_merged(old[i], new[pairs[i]])] if i in pairs else [] if i in gone else [old[i]] for i in range(len(old))]
    made = "".join(f"{block}\n" for block in _in_place(kept, new, to, same | pairs))
    if made == punched:
        return Carried(Carry.NEEDLESS)
    good = answer(made, punched) in (Answer.EQUAL, Answer.SUBSTANCE)
    return Carried(Carry.DONE, made) if good else Carried(Carry.UNSURE)


def _in_place(kept: list[list[str]], new: list[str], to: Iterable[int], partner: dict[int, int]) -> Iterator[str]:
    """The office's blocks in order; each new one behind the block that it follows at the control. kept: what each of
    the office's blocks has become; to: the control's blocks that have words; partner: by the index of an office's
    block, that of the control's which it became."""
    back = {j: i for i, j in partner.items()}
    behind: defaultdict[int, list[str]] = defaultdict(list)
    last = -1
    for j in to:
        last = back.get(j, last)
        if j not in back:
            behind[last].append(new[j])
    first = min(partner, default=-1)
    for i, found in enumerate(kept):
        if i == first:
            yield from behind[-1]
        yield from found
        yield from behind[i]


def _merged(old: str, new: str) -> str:
    """The office's block with the words of the control's; the control's itself where it has comments of its own."""
    mine, came = list(tokens(old)), list(tokens(new))
    comments = [token for token in mine if token.kind is TokenKind.COMMENT]
    if len(comments) == len(mine) or any(token.kind is TokenKind.COMMENT for token in came):
        return new
    stay = Counter(map(same_spelling, mine)) & Counter(map(same_spelling, came))
    fresh = {token.address.upper(): token.text for token in beyond(came, stay, same_spelling)}
    made = old
    for token in reversed([token for token in beyond(mine, stay, same_spelling) if token not in comments]):
        made = made[: token.at] + fresh.pop(token.address.upper(), "") + made[token.at + len(token.text) :]
    end = comments[-1].at + len(made) - len(old) if comments else len(made)
    if fresh:
        made = " ".join(text for text in (made[:end].rstrip(), *fresh.values(), made[end:]) if text)
    if answer(f"{made}\n", f"{new}\n") in (Answer.EQUAL, Answer.SUBSTANCE):
        return made.rstrip()
    return " ".join([new.rstrip(), *(token.text for token in comments)])


@dataclass(frozen=True, slots=True)
class Group:
    """Blocks that changed together, each text with the block ends of its source, "" for none there. old_line, new_line: of
    the first block of them in both texts, from 1 (where there is none: of the block that follows)."""

    old: str
    new: str
    old_line: int
    new_line: int


def groups(office: str, edited: str) -> tuple[Group, ...]:
    """What differs, character by character, in the order of the texts; all between two groups is equal. Neighbours that each
    are a changed block are groups of their own."""
    return tuple(_groups(_lines(office), _lines(edited)))


def _groups(old: list[str], new: list[str]) -> Iterator[Group]:
    for hunk in hunks(old, new):
        mine, his = old[hunk.old_start : hunk.old_end], new[hunk.new_start : hunk.new_end]
        step = 1 if list(map(_head, mine)) == list(map(_head, his)) else max(len(mine), len(his))
        for n in range(0, max(len(mine), len(his)), step):
            parts = "".join(mine[n : n + step]), "".join(his[n : n + step])
            yield Group(*parts, hunk.old_start + 1 + n, hunk.new_start + 1 + n)


def _head(block: str) -> tuple[str, ...]:
    """By which a changed block is known to be the same one: its number, or the letters of its words in their order."""
    words = [token for token in tokens(block) if token.address]
    number = words[:1] if words and words[0].address.upper() == "N" else []
    return tuple(token.text for token in number) or tuple(token.address.upper() for token in words)


def taken_over(office: str, edited: str, chosen: Container[int]) -> str:
    """The office's text with those of `groups` as the operator has them, counted from 0, and nothing else of his."""
    lines, made, at = _lines(office), list[str](), 0
    for number, group in enumerate(groups(office, edited)):
        start = group.old_line - 1
        made += lines[at:start]
        made.append(group.new if number in chosen else group.old)
        at = start + len(_lines(group.old))
    return "".join([*made, *lines[at:]])


def _lines(text: str) -> list[str]:
    """Blocks with their ends. Each but a text's last one ends with LF, so parts of two texts never run into one block: what
    has no end stands in the last group of both, or ends both."""
    return [line for line in re.split(r"(?<=\n)", text) if line]
