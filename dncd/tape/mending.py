"""Two damaged captures of one program, put together to the whole one where each has what the other lacks. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from dncd.tape.capture import DAMAGED

_DAMAGED_BLOCKS: Final = 100
"""Blocks with damage that are looked for: more are garbage, in which the others say enough."""


@dataclass(frozen=True, slots=True)
class Mended:
    """whole: all characters, marks included, "" where the two do not give them; first, second: how many came from each."""

    whole: str
    first: int
    second: int


def put_together(first: str, second: str) -> Mended:
    """first, second: `Capture.whole` of two captures whose every damaged character was found (by parity). The whole
    comes only where each damaged character is good in the other and all else is equal. Time in proportion."""
    none = Mended("", 0, 0)
    if len(first) != len(second) or DAMAGED not in first or DAMAGED not in second:
        return none
    lost = [index for index, char in enumerate(first) if char == DAMAGED]
    other = [index for index, char in enumerate(second) if char == DAMAGED]
    one, two = list(first), list(second)
    for index in lost:
        one[index] = second[index]
    for index in other:
        two[index] = first[index]
    whole = "".join(one)
    if DAMAGED in whole or one != two:
        return none
    return Mended(whole, len(other), len(lost))


def came_again(whole: str, texts: Iterable[str]) -> bool:
    """Whether each block with a digit of a damaged capture stands in texts that came whole. whole: as `Capture.whole`.
    A damaged character may be any; mark lines say nothing; the last block may be broken off."""
    there = {block for text in texts for block in text.split("\n")}
    wanted = [block for block in whole.split("\n") if any(map(str.isdigit, block)) and block[0] not in "%$*&"]
    if wanted and any(block.startswith(wanted[-1]) for block in there):
        wanted.pop()
    damaged = [block for block in wanted if DAMAGED in block]
    return all(block in there for block in wanted if DAMAGED not in block) and all(
        any(_may_be(block, other) for other in there) for block in damaged[:_DAMAGED_BLOCKS]
    )


def _may_be(block: str, other: str) -> bool:
    return len(block) == len(other) and all(a in (b, DAMAGED) for a, b in zip(block, other, strict=True))
