"""A program's story: its revisions and what became of each; its text to be read; two revisions block by block."""

import enum
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from typing import Final

from dncd.ledger_lines import Record, programs_of
from dncd.page.views.ledger import Line, line_of
from dncd.peer_text import printable
from dncd.program.carrying import Group, groups
from dncd.program.comparing import BlockChange, ChangeKind, blocks, compare
from dncd.program.differences import line, summary
from dncd.program.words import Token, TokenKind, tokens
from dncd.records.durable import unnumbered
from dncd.records.holdings import DROPPED, SignedOff
from dncd.records.revisions import Revision

BLOCKS_SHOWN: Final = 2_000
"""Blocks of a text on one page."""

CHANGES_SHOWN: Final = 500
"""Changed blocks that one page lists: half a second's work."""

COMPARED_CHARS: Final = 1_000_000
"""Characters of a text up to which two are compared for the page, within about two seconds."""

_LOOKED_INTO: Final = 2_000
"""Characters of a block up to which its words are told apart."""

_SAID_CHARS: Final = 60
"""Of a block in a sentence."""

_WENT_OUT: Final = ("sent", "interrupted")
_OF_A_REVISION: Final = (*_WENT_OUT, "received", "matched", "differs", "backup")


@dataclass(frozen=True, slots=True)
class Chapter:
    """A revision with what became of it, oldest first; signed: who proved it."""

    revision: Revision
    happenings: tuple[Line, ...]
    signed: tuple[SignedOff, ...]


@dataclass(frozen=True, slots=True)
class Story:
    """chapters: newest first; others: what became of files of this program of which no revision was made, newest first."""

    machine: str
    program: str
    title: str
    chapters: tuple[Chapter, ...]
    others: tuple[Line, ...]


def story(
    machine: str,
    program: str,
    history: Sequence[Revision],
    lines: Sequence[Record],
    signed: Sequence[SignedOff],
) -> Story:
    """history: oldest first; lines: of the ledger for this program, newest first, with those by which somebody had a file
    sent over an edit."""
    found, left = list[Line](), dict[tuple[str, str], tuple[str, str]]()
    for record in reversed(lines):
        if record.get("do") == "drop-over-edits":
            if over := DROPPED.fullmatch(record.get("what", "")):
                said = printable(record.get("by", "")), printable(over["left"] or "")
                left[over["sha256"], unnumbered(over["file"])] = said
        elif record["event"] not in ("proven", "asked"):
            each = replace(line_of(record), revision=dict(programs_of(record)).get(program, 0))
            by, lost = left.pop((record.get("sha256", ""), unnumbered(record.get("file", ""))), ("", ""))
            found.append(replace(each, by=by, reasons=(lost,)) if lost and each.event in _WENT_OUT else each)
    chapters = [
        Chapter(
            r,
            tuple(each for each in found if each.revision == r.number and each.event in _OF_A_REVISION),
            tuple(each for each in signed if each.revision == r.number),
        )
        for r in reversed(history)
    ]
    told = {each.seq for chapter in chapters for each in chapter.happenings}
    title = history[-1].title if history else ""
    others = tuple(each for each in reversed(found) if each.seq not in told and each.event != "backup")
    return Story(machine, printable(program), title, tuple(chapters), others)


class Mark(enum.StrEnum):
    """How a part of a block is to be read. QUIET: a comment; GONE, CAME: only in the old text, only in the new one."""

    PLAIN = "plain"
    QUIET = "quiet"
    GONE = "gone"
    CAME = "came"


@dataclass(frozen=True, slots=True)
class Piece:
    """A part of a block, printable."""

    mark: Mark
    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """A part of a text. first: number of its first block, from 1; of: how many blocks there are in all."""

    lines: tuple[tuple[Piece, ...], ...]
    first: int
    of: int


_QUIET: Final = (TokenKind.COMMENT, TokenKind.BAD_COMMENT, TokenKind.TAIL)


def text_from(text: str, first: int = 1) -> Text:
    """BLOCKS_SHOWN blocks from that one on."""
    every = blocks(text)
    start = max(0, min(first, len(every)) - 1)
    shown = every[start : start + BLOCKS_SHOWN]
    return Text(tuple(tuple(_read(block)) for block in shown), start + 1, len(every))


def _read(block: str) -> Iterator[Piece]:
    return _split(block, [token for token in _tokens(block) if token.kind in _QUIET], Mark.QUIET)


def _split(block: str, marked: Iterable[Token], mark: Mark) -> Iterator[Piece]:
    at = 0
    for token in marked:
        if token.at > at:
            yield Piece(Mark.PLAIN, printable(block[at : token.at]))
        at = token.at + len(token.text)
        yield Piece(mark, printable(token.text))
    if at < len(block):
        yield Piece(Mark.PLAIN, printable(block[at:]))


def _tokens(block: str) -> list[Token]:
    return list(tokens(block)) if len(block) <= _LOOKED_INTO else []


@dataclass(frozen=True, slots=True)
class Change:
    """A block that differs, and how it stands in both texts, with words marked."""

    of: BlockChange
    old: tuple[Piece, ...]
    new: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class Differences:
    """says: in a line; not_told: changed blocks beyond those that are listed; too_long: nothing was compared."""

    says: str
    changes: tuple[Change, ...]
    not_told: int
    too_long: bool


def differences(old: str, new: str) -> Differences:
    if max(len(old), len(new)) > COMPARED_CHARS:
        return Differences("", (), 0, True)
    found = compare(old, new)
    shown, more = found.changes[:CHANGES_SHOWN], max(0, len(found.changes) - CHANGES_SHOWN)
    return Differences(printable(summary(found)), tuple(map(_change, shown)), found.not_told + more, False)


@dataclass(frozen=True, slots=True)
class Part:
    """Blocks that changed together, to be taken over or left. number: from 0; said: a sentence for each change."""

    number: int
    changes: tuple[Change, ...]
    said: tuple[str, ...]


def parts(old: str, new: str) -> tuple[Part, ...]:
    """All that differs, also in spelling alone."""
    return tuple(Part(n, *_in_group(group)) for n, group in enumerate(groups(old, new)))


def _in_group(group: Group) -> tuple[tuple[Change, ...], tuple[str, ...]]:
    before, after = group.old_line - 1, group.new_line - 1
    one, two, found = blocks(group.old), blocks(group.new), compare(group.old, group.new).changes
    told, told_new = {change.old_line for change in found}, {change.new_line for change in found}
    alike = zip(
        (n for n in range(1, len(one) + 1) if n not in told),
        (n for n in range(1, len(two) + 1) if n not in told_new),
        strict=False,
    )
    respelt = [BlockChange(ChangeKind.CHANGED, "", i, j, one[i - 1], two[j - 1], ()) for i, j in alike]
    placed = [
        replace(
            each, old_line=each.old_line and each.old_line + before, new_line=each.new_line and each.new_line + after
        )
        for each in (*found, *respelt)
    ]
    said = [*map(line, placed[: len(found)]), *map(_respelt, placed[len(found) :])]
    order = sorted(range(len(placed)), key=lambda n: placed[n].new_line or placed[n].old_line + after - before)
    return tuple(_change(placed[n]) for n in order), tuple(said[n] for n in order)


def _respelt(change: BlockChange) -> str:
    old, new = (printable(text[:_SAID_CHARS]) for text in (change.old, change.new))
    return f"line {change.old_line}, its spelling alone: '{old}' → '{new}'"


def _change(change: BlockChange) -> Change:
    return Change(change, *_marked(change.old, change.new))


def _marked(old: str, new: str) -> tuple[tuple[Piece, ...], tuple[Piece, ...]]:
    """Both blocks, the words that only one has marked; all of a block that is too long for its words to be told apart."""
    one, two = _tokens(old), _tokens(new)
    if not one or not two:
        return _whole(old, Mark.GONE), _whole(new, Mark.CAME)
    matcher = SequenceMatcher(None, [t.text for t in one], [t.text for t in two], autojunk=False)
    steps = [step for step in matcher.get_opcodes() if step[0] != "equal"]
    gone = [token for _, start, end, _, _ in steps for token in one[start:end]]
    came = [token for _, _, _, start, end in steps for token in two[start:end]]
    return tuple(_split(old, gone, Mark.GONE)), tuple(_split(new, came, Mark.CAME))


def _whole(block: str, mark: Mark) -> tuple[Piece, ...]:
    return (Piece(mark, printable(block)),) if block else ()
