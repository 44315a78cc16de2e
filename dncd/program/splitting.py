"""A text between two marks as its programs, and data that is no program under its own kind; nothing is lost.

Where one part ends and the next begins:

- A program begins at its number or name (`names.heads`). What stands before the first one and says nothing (comments,
  empty blocks) belongs to it; so do such blocks between an end (M02, M30, M99) and the next number.
- Data in front of the first number, behind a program's end, or alone in the text is a part of its own.
- A program whose number comes twice is another one: both are kept, under names of their own.
- Any other blocks without a number are a program without a name, if they come first; else they stay with the program
  in front of them, because code behind M30 may be a subprogram that is reached by its block number.
"""

import dataclasses
import enum
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from dncd.program import names


class Kind(enum.StrEnum):
    """What a part is. The name of data is its kind in capitals: common practice knows no number for it."""

    PROGRAM = "program"
    OFFSETS = "offsets"
    PARAMETERS = "parameters"
    VARIABLES = "variables"


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a text. name: safe, "" for a program without one; number: -1 without one; title: "" without one; like:
    percent of its blocks, where the name is that of a program that it is like, else 0."""

    kind: Kind
    name: str
    number: int
    title: str
    text: str
    like: int = 0


_N: Final = r"[ \t]*(?:[Nn][ \t]*\d+[ \t]*)?"
_NUMBER: Final = r"[ \t]*[-+]?(?:\d+\.?\d*|\.\d+)[ \t]*"
_G10_PARAMETERS: Final = rf"{_N}[Gg]10[ \t]*[Ll][ \t]*5[0-9](?!\d).*"
_PARAMETER_LIST: Final = rf"[ \t]*[Nn]{_NUMBER}(?:[AaLlSsTt]\d+[ \t]*)*(?:[PpRr]{_NUMBER})+(?:[A-Za-z]{_NUMBER})*"
_DATA_BLOCK: Final = (
    (Kind.PARAMETERS, re.compile(f"{_G10_PARAMETERS}|{_PARAMETER_LIST}")),
    (Kind.OFFSETS, re.compile(rf"{_N}[Gg]10(?!\d)(?:[ \t]*[A-Za-z]{_NUMBER})*")),
    (Kind.VARIABLES, re.compile(rf"{_N}#[ \t]*\d+[ \t]*=.*")),
)
_FRAME_WORD: Final = r"(?:[Gg]0*(?:9[01]|2[01]|1[1789])|[Mm]0*(?:2|30|99))(?!\d)[ \t]*"
_FRAME_BLOCK: Final = re.compile(rf"{_N}(?:{_FRAME_WORD})*;?")
_LINES: Final = re.compile(r"[^\n]*\n|[^\n]+")


def split(text: str, opening: str = "", mark: str = "%", ends: tuple[str, ...] = names.ENDS) -> tuple[Part, ...]:
    """The parts of a text in order; their texts joined are the text. opening: the mark line before it, for its name; ends:
    what ends a program."""
    found = list(names.heads(text, words=ends))
    on_mark = names.mark_name(opening, mark) if opening else names.NO_HEAD
    parts: list[Part] = []
    starts = [_head_start(text, head.at, i == 0, ends) for i, head in enumerate(found)]
    front = text[: starts[0]] if starts else text
    if front:
        parts += _front(front, on_mark, ends, alone=not found)
    for i, head in enumerate(found):
        part = text[starts[i] : starts[i + 1] if i + 1 < len(starts) else len(text)]
        titles = head.title, on_mark.title if i == 0 else ""
        parts += _program(part, head.name, head.number, titles, ends)
    return tuple(told_apart(parts))


def _head_start(text: str, at: int, first: bool, ends: tuple[str, ...]) -> int:
    """Where the part of a head starts: before the comments and empty blocks in front of it that are its own."""
    last = names.last_code_at(text, at)
    if last < 0:
        return 0
    after = text.find("\n", last) + 1
    return after if first or names.is_end(text[last:after], ends) else at


def _front(front: str, on_mark: names.Head, ends: tuple[str, ...], alone: bool) -> list[Part]:
    """What stands before the first number: data, or a program that has its name from the mark line or none."""
    kind = _kind(front)
    if kind is not Kind.PROGRAM and not (alone and on_mark.number >= 0):
        return [_data(front, kind)]
    return _program(front, on_mark.name, on_mark.number, ("", on_mark.title), ends)


def _program(text: str, name: str, number: int, titles: tuple[str, str], ends: tuple[str, ...]) -> list[Part]:
    """A program, and the data behind its first end if nothing but data follows there. titles: before and after its own."""
    behind = (at for at in names.ends(text, ends) if _kind(text[at:]) is not Kind.PROGRAM)
    at = next(behind, len(text))
    program, data = text[:at], text[at:]
    title = titles[0] or names.title_in(program[: names.TITLE_CHARS]) or titles[1]
    part = Part(Kind.PROGRAM, name, number, title, program)
    return [part, _data(data, _kind(data))] if data else [part]


def _kind(text: str) -> Kind:
    """The kind of a text in which every block with words is data of one kind or goes with it; else PROGRAM."""
    kind = Kind.PROGRAM
    for block in _code(text):
        here = next((kind for kind, pattern in _DATA_BLOCK if pattern.fullmatch(block)), None)
        if here is None:
            if not _FRAME_BLOCK.fullmatch(block):
                return Kind.PROGRAM
        elif kind is Kind.PROGRAM:
            kind = here
        elif here is not kind and Kind.VARIABLES in (here, kind):
            return Kind.PROGRAM
    return kind


def _code(text: str) -> Iterator[str]:
    """The blocks that say something, without their comments and ends."""
    for found in _LINES.finditer(text):
        block = names.without_comments(found[0]).rstrip("\n \t;")
        if block.strip():
            yield block


def _data(text: str, kind: Kind) -> Part:
    return Part(kind, kind.value.upper(), -1, names.title_in(text[: names.TITLE_CHARS]), text)


def told_apart(parts: Iterable[Part]) -> Iterator[Part]:
    """What comes twice in one text, data of a kind or a number (a lathe of two turrets), gets `-2`, `-3` behind its name."""
    seen: dict[str, int] = {}
    for part in parts:
        seen[part.name] = seen.get(part.name, 0) + 1
        if seen[part.name] > 1 and (part.number >= 0 or part.kind is not Kind.PROGRAM):
            yield dataclasses.replace(part, name=f"{part.name}-{seen[part.name]}")
        else:
            yield part
