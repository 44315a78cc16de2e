"""Which lines of two sequences belong together: built for pairs of 400,000 blocks that differ in a few.

1. What is equal at both ends is set aside.
2. Lines that stand exactly once on both sides are anchors; of those that cross, the longest increasing row is kept
   (patience sorting). Between anchors the same begins anew.
3. A gap without anchors goes to difflib if it is small, else to a search for the shortest edit (O(ND)), which is quick
   where repeated lines differ in little; where even that would take too long, the gap is one replacement.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import pairwise
from typing import Final

_SMALL: Final = 40_000
"""Product of the lengths of a gap up to which difflib, which is quadratic, is quick: 200 lines by 200."""

_STEPS: Final = 20_000_000
"""Steps that all searches for a shortest edit may take together before they are given up: one to two seconds."""

_EDITS: Final = 1_500
"""Longest edit that is searched for: its memory is the square of it."""


@dataclass(frozen=True, slots=True)
class Hunk:
    """Lines old[old_start:old_end] became new[new_start:new_end]; one of the two may be empty."""

    old_start: int
    old_end: int
    new_start: int
    new_end: int


_Lines = Sequence[Hashable]
_Gap = tuple[int, int, int, int]
_Matches = list[tuple[int, int, int]]
"""Old index, new index and length of what is equal."""


def hunks(old: _Lines, new: _Lines) -> list[Hunk]:
    """The differences in order, none touching the next; everything between them is equal."""
    matches: _Matches = []
    todo = [(0, len(old), 0, len(new))]
    steps = _STEPS
    while todo:
        gap = _trim(old, new, todo.pop(), matches)
        if gap[0] == gap[1] or gap[2] == gap[3]:
            continue
        anchors = _anchors(old, new, gap)
        if anchors:
            todo += _between(anchors, gap)
        else:
            found, used = _gap(old, new, gap, steps)
            matches += found
            steps -= used
    matches.sort()
    return list(_differences(matches, len(old), len(new)))


def _trim(old: _Lines, new: _Lines, gap: _Gap, matches: _Matches) -> _Gap:
    """Takes what is equal at both ends of a gap into the matches."""
    a, a_end, b, b_end = gap
    most = min(a_end - a, b_end - b)
    n = 0
    while n < most and old[a + n] == new[b + n]:
        n += 1
    if n:
        matches.append((a, b, n))
    a, b, most = a + n, b + n, most - n
    n = 0
    while n < most and old[a_end - 1 - n] == new[b_end - 1 - n]:
        n += 1
    if n:
        matches.append((a_end - n, b_end - n, n))
    return a, a_end - n, b, b_end - n


def _anchors(old: _Lines, new: _Lines, gap: _Gap) -> list[tuple[int, int]]:
    """Pairs of lines that are unique on both sides of the gap, in increasing order on both."""
    a, a_end, b, b_end = gap
    old_counts, new_counts = Counter(old[a:a_end]), Counter(new[b:b_end])
    where = {line: j for j, line in enumerate(new[b:b_end], b) if new_counts[line] == 1}
    pairs = [(i, where[line]) for i, line in enumerate(old[a:a_end], a) if old_counts[line] == 1 and line in where]
    return _increasing(pairs)


def _increasing(pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The longest row of pairs whose second parts increase (patience sorting)."""
    tops: list[int] = []
    piles: list[int] = []
    back: list[int] = []
    for n, (_, j) in enumerate(pairs):
        at = len(tops) if not tops or j > tops[-1] else bisect_left(tops, j)
        if at == len(tops):
            tops.append(j)
            piles.append(n)
        else:
            tops[at], piles[at] = j, n
        back.append(piles[at - 1] if at else -1)
    row = []
    n = piles[-1] if piles else -1
    while n >= 0:
        row.append(pairs[n])
        n = back[n]
    row.reverse()
    return row


def _between(anchors: list[tuple[int, int]], gap: _Gap) -> Iterator[_Gap]:
    """The gaps before, between and after anchors; each anchor is the first line of the gap that follows it."""
    a, a_end, b, b_end = gap
    first = anchors[0]
    if first != (a, b):
        yield a, first[0], b, first[1]
    start = first
    for one, two in pairwise(anchors):
        if (two[0] - one[0], two[1] - one[1]) != (1, 1):
            yield start[0], two[0], start[1], two[1]
            start = two
    yield start[0], a_end, start[1], b_end


def _gap(old: _Lines, new: _Lines, gap: _Gap, steps: int) -> tuple[_Matches, int]:
    """Matches in a gap that has no anchors, and the steps that they took."""
    a, a_end, b, b_end = gap
    if (a_end - a) * (b_end - b) <= _SMALL:
        blocks = SequenceMatcher(None, old[a:a_end], new[b:b_end], autojunk=False).get_matching_blocks()
        return [(a + i, b + j, n) for i, j, n in blocks if n], 0
    found, used = _shortest_edit(old[a:a_end], new[b:b_end], steps)
    return [(a + i, b + j, n) for i, j, n in found], used


def _shortest_edit(old: _Lines, new: _Lines, most_steps: int) -> tuple[_Matches, int]:
    """Matches of the shortest edit (Myers' O(ND) algorithm) and steps; no matches where it takes too many of either."""
    rows, columns = len(old), len(new)
    furthest = {1: 0}
    trail: list[dict[int, int]] = []
    steps = 0
    for edits in range(_EDITS):
        trail.append(furthest.copy())
        for k in range(-edits, edits + 1, 2):
            down = k == -edits or (k != edits and furthest[k - 1] < furthest[k + 1])
            x = furthest[k + 1] if down else furthest[k - 1] + 1
            start, y = x, x - k
            while x < rows and y < columns and old[x] == new[y]:
                x, y = x + 1, y + 1
            furthest[k] = x
            steps += x - start + 1
            if x >= rows and y >= columns:
                return _walk_back(trail, rows, columns), steps
        if steps > most_steps:
            break
    return [], steps


def _walk_back(trail: list[dict[int, int]], x: int, y: int) -> _Matches:
    matches = []
    for edits in range(len(trail) - 1, -1, -1):
        furthest, k = trail[edits], x - y
        down = k == -edits or (k != edits and furthest[k - 1] < furthest[k + 1])
        before = k + 1 if down else k - 1
        x_before = furthest[before] if edits else 0
        y_before = x_before - before if edits else 0
        start = x_before if down or not edits else x_before + 1
        if x > start:
            matches.append((start, start - k, x - start))
        x, y = x_before, y_before
    return matches


def _differences(matches: _Matches, old_end: int, new_end: int) -> Iterator[Hunk]:
    a = b = 0
    for i, j, n in [*matches, (old_end, new_end, 0)]:
        if a < i or b < j:
            yield Hunk(a, i, b, j)
        a, b = i + n, j + n
