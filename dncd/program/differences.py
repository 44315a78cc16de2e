"""A comparison in the words of a machinist, and as a unified diff for tools."""

import difflib
from collections.abc import Iterator
from functools import partial
from typing import Final

from dncd.peer_text import short
from dncd.program.aligning import Hunk, hunks
from dncd.program.comparing import BlockChange, By, Category, ChangeKind, Comparison, Level, WordChange, blocks, compare
from dncd.program.substance import Answer, answer, comments_in, said_in

_CONTEXT: Final = 3
_LONGEST: Final = 60
"""Characters that are shown of a block, word or comment."""

_printable: Final = partial(short, longest=_LONGEST)

_SMALL_LINES: Final = 2_000
"""Lines of a text up to which difflib makes the unified diff; it is quadratic, so larger ones are made here."""

_PLURALS: Final = {Category.ARC: "arcs or radii"}
_NAMES: Final = {Category.COMMENT: "comment", Category.SKIP: "block skip"}


def summary(comparison: Comparison) -> str:
    """`3 feeds, 1 tool offset, 2 blocks new, 1 comment`; for equal texts a sentence on how equal they are."""
    if comparison.level is Level.EXACT:
        return "equal, character by character"
    if comparison.level is Level.BLOCKS:
        return "equal, block by block (only block numbers, blanks, signs or zeros without effect differ)"
    said = [_counted(n, category.value, _PLURALS.get(category)) for category, n in comparison.words]
    order = sum(change.kind is ChangeKind.ORDER for change in comparison.changes)
    if order:
        said.append(f"{_counted(order, 'block')} in another order")
    if comparison.blocks_new:
        said.append(f"{_counted(comparison.blocks_new, 'block')} new")
    if comparison.blocks_dropped:
        said.append(f"{_counted(comparison.blocks_dropped, 'block')} dropped")
    if comparison.not_told:
        said.append(f"{comparison.not_told} differences not told one by one")
    return ", ".join(said)


def lines(comparison: Comparison) -> Iterator[str]:
    """One line for each block that changed: `block N40: F 0.15 → 0.10`."""
    return map(line, comparison.changes)


def substance_lines(old: str, new: str) -> Iterator[str]:
    """What changed, without what is only spelling: words block by block, then comments if the new text has any."""
    comparison = compare(old, new, By.SUBSTANCE)
    yield from lines(comparison)
    if comparison.level is Level.BLOCKS and answer(old, new) is Answer.CHANGED:
        yield "block numbers alone changed"
    gone, came = comments_in(old), comments_in(new)
    for hunk in hunks(list(map(said_in, gone)), list(map(said_in, came))) if came else ():
        yield from (f"comment {_printable(text)} dropped" for text in gone[hunk.old_start : hunk.old_end])
        yield from (f"comment {_printable(text)} added" for text in came[hunk.new_start : hunk.new_end])


def line(change: BlockChange) -> str:
    """The line for one block. A block without a number is named by its line between the marks, and shown."""
    match change.kind:
        case ChangeKind.NEW:
            return f"{_block(change)} new: {_shown(change.new)}"
        case ChangeKind.DROPPED:
            return f"{_block(change)} dropped: {_shown(change.old)}"
        case ChangeKind.ORDER:
            old, new = _shown(change.old), _shown(change.new)
            return f"{_block(change)}: the same words in another order: {old} → {new}"
    said = ", ".join(_word(word) for word in change.words)
    return f"{_block(change)}: {said}" if change.block else f"{_block(change)}, {_shown(change.old)}: {said}"


def unified(old: str, new: str, old_name: str, new_name: str) -> Iterator[str]:
    """The lines of a unified diff of the exact texts, without their ends; nothing for equal ones."""
    old_lines, new_lines = blocks(old), blocks(new)
    if max(len(old_lines), len(new_lines)) <= _SMALL_LINES:
        yield from difflib.unified_diff(old_lines, new_lines, old_name, new_name, lineterm="", n=_CONTEXT)
        return
    groups = list(_groups(hunks(old_lines, new_lines)))
    if groups:
        yield f"--- {old_name}"
        yield f"+++ {new_name}"
    for group in groups:
        yield from _unified_group(group, old_lines, new_lines)


def _groups(found: list[Hunk]) -> Iterator[list[Hunk]]:
    """Differences whose contexts touch stand in one group."""
    group: list[Hunk] = []
    for hunk in found:
        if group and hunk.old_start - group[-1].old_end > 2 * _CONTEXT:
            yield group
            group = []
        group.append(hunk)
    if group:
        yield group


def _unified_group(group: list[Hunk], old: list[str], new: list[str]) -> Iterator[str]:
    before = min(_CONTEXT, group[0].old_start)
    after = min(_CONTEXT, len(old) - group[-1].old_end)
    old_start, old_end = group[0].old_start - before, group[-1].old_end + after
    new_start, new_end = group[0].new_start - before, group[-1].new_end + after
    yield f"@@ -{_range(old_start, old_end)} +{_range(new_start, new_end)} @@"
    at = old_start
    for hunk in group:
        yield from (f" {text}" for text in old[at : hunk.old_start])
        yield from (f"-{text}" for text in old[hunk.old_start : hunk.old_end])
        yield from (f"+{text}" for text in new[hunk.new_start : hunk.new_end])
        at = hunk.old_end
    yield from (f" {text}" for text in old[at:old_end])


def _range(start: int, end: int) -> str:
    """Start and length of a range; an empty one names the line before it (POSIX diff -u)."""
    length = end - start
    return f"{start + 1}" if length == 1 else f"{start + 1 if length else start},{length}"


def _block(change: BlockChange) -> str:
    if change.block:
        return f"block {change.block}"
    return f"block at line {change.new_line if change.kind is ChangeKind.NEW else change.old_line}"


def _word(word: WordChange) -> str:
    what, old, new = _NAMES.get(word.category) or word.address or "word", word.old, word.new
    if not old:
        return f"{what} {_printable(new)} added"
    if not new:
        return f"{what} {_printable(old)} dropped"
    return f"{what} {_printable(old)} → {_printable(new)}"


def _shown(block: str) -> str:
    return f"'{_printable(block)}'" if block else "an empty block"


def _counted(n: int, one: str, many: str | None = None) -> str:
    return f"{n} {one}" if n == 1 else f"{n} {many or one + 's'}"
