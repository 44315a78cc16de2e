"""Checks of blocks (characters, length, words, comments), each of a piece of text and its first line's number; and of whole
programs: which there are, how they end, their numbers, and what they call.

Normal blocks cost one search over the whole piece; only what is not normal is looked at block by block.
"""

import enum
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from dncd import defaults
from dncd.choices import LowerCase, Programs
from dncd.program import names
from dncd.program.findings import Findings
from dncd.program.names import Head
from dncd.program.words import TokenKind, tokens
from dncd.values import Place, ProgramSettings, TapeSettings


class Saved(enum.Enum):
    """When a file was saved. BEFORE_CUT: it lay there as dncd or its computer ended without a stop, maybe half saved."""

    SINCE_START = "since the start"
    BEFORE_CUT = "before a cut"


@dataclass(frozen=True, slots=True)
class Rules:
    """What a program is checked against. uncodable: indexes of the characters of a text that the tape code does not
    have (LF is a block end and has one). memory_chars: of the image without leader and trailer; 0 for no limit, as with
    drip feed (the one in `program` is not asked). tape: its marks and block ends. knows: whether the machine has the
    program of a name. other_use: name and title of a program in, out a sentence about what the name is used for
    already, or ""."""

    uncodable: Callable[[str], Iterator[int]]
    program: ProgramSettings
    tape: TapeSettings = field(default_factory=TapeSettings)
    memory_chars: int = defaults.MEMORY_CHARS
    knows: Callable[[str], bool] = bool
    other_use: Callable[[str, str], str] = lambda _name, _title: ""
    saved: Saved = Saved.SINCE_START


_BLOCK_CHARS: Final = 400
"""Characters of a block that a finding keeps."""

_WORDS_CHARS: Final = 8_000
"""Characters of a block whose words are looked at: twice the longest block of any known control."""

_SMALL_LETTERS: Final = re.compile(r"[a-z][^\n]*")  # the first of each line: the rest of the line is used up
_WORD: Final = r"[ \t]*+,?[A-Za-z][ \t]*+[+-]?(?:\d++\.?+\d*+|\.\d++)"
_NORMAL: Final = re.compile(rf"(?:(?:/\d?+)?+(?:{_WORD})*+[ \t]*+(?:\([^()\n]*+\)[ \t]*+)*+;?+[ \t]*+\n)*+")


def place(text: str, index: int, line: int) -> Place:
    """The place of text[index], where `line` is the number of the text's first line; lines and columns from 1."""
    start = text.rfind("\n", 0, index) + 1
    stop = text.find("\n", index)
    block = text[start : stop if stop >= 0 else len(text)][:_BLOCK_CHARS]
    return Place(line + text.count("\n", 0, start), index - start + 1, block)


def check_characters(text: str, line: int, rules: Rules, findings: Findings) -> None:
    """Codes `uncodable` and `control-character`; small letters that are refused anyway are left to `lower-case`."""
    small = rules.program.lower_case is LowerCase.REFUSE and findings.refuses("lower-case")
    for index in rules.uncodable(text):
        char = text[index]
        if small and "a" <= char <= "z":
            continue
        control = char < " " or "\x7f" <= char <= "\x9f"
        code = "control-character" if control else "uncodable"
        if not findings.wanted(code):
            if not (findings.wanted("uncodable") or findings.wanted("control-character")):
                return
        elif control:
            findings.add(code, f"control character U+{ord(char):04X}", place(text, index, line))
        else:
            shown = char if char.isprintable() else "this character"
            why = "ends a block at this control" if char in rules.tape.ends.own else "is not in the tape code"
            findings.add(code, f"{shown} (U+{ord(char):04X}) {why}", place(text, index, line))


def check_small_letters(text: str, line: int, rules: Rules, findings: Findings) -> None:
    """Code `lower-case`, once a block, at its first small letter. text: as in the file, before any raising."""
    if rules.program.lower_case is not LowerCase.REFUSE or not findings.wanted("lower-case"):
        return
    for found in _SMALL_LETTERS.finditer(text):
        if not findings.wanted("lower-case"):
            return
        what = f"small letter {found[0][0]!r}, which the control does not take"
        findings.add("lower-case", what, place(text, found.start(), line))


def check_length(text: str, line: int, rules: Rules, findings: Findings) -> None:
    """Code `block-too-long`, at the first character that is too many."""
    longest = rules.program.longest_block_chars
    if not findings.wanted("block-too-long") or max(map(len, text.split("\n"))) <= longest:
        return
    for found in re.finditer(rf"^[^\n]{{{longest}}}([^\n]+)", text, re.MULTILINE):
        if not findings.wanted("block-too-long"):
            return
        what = f"{longest + len(found[1])} characters, and the control takes {longest}"
        findings.add("block-too-long", what, place(text, found.start(1), line))


@dataclass(slots=True)
class Share:
    """How much of a text is words. words: of blocks that are looked at one by one, and one for each other line that is not
    empty; odd: words that no control can read; first: where the first of them stands."""

    words: int = 0
    odd: int = 0
    first: Place | None = None


def check_words(text: str, line: int, findings: Findings, share: Share, ends: tuple[str, ...] = ()) -> None:
    """Codes `odd-word`, `comment-unclosed` and `comment-nested`. text: whole blocks, no mark lines; ends: words, not odd."""
    at = 0
    codes = ("odd-word", "comment-unclosed", "comment-nested")
    while any(map(findings.wanted, codes)) and not any(map(findings.exhausted, codes)):
        normal = _NORMAL.match(text, at)
        start = normal.end() if normal else at
        share.words += text.count("\n", at, start) - text.count("\n\n", at, start)
        if start >= len(text):
            return
        stop = text.find("\n", start)
        stop = stop if stop >= 0 else len(text)
        line += text.count("\n", at, start)
        _check_block(text[start:stop], line, findings, share, ends)
        at, line = stop + 1, line + 1


def _check_block(block: str, line: int, findings: Findings, share: Share, ends: tuple[str, ...]) -> None:
    not_odd = {word.upper() for word in ends}
    for token in tokens(block[:_WORDS_CHARS]):
        where = Place(line, token.at + 1, block[:_BLOCK_CHARS])
        odd = token.kind is TokenKind.ODD and token.text.strip().upper() not in not_odd
        share.words += not odd
        if odd:
            share.odd, share.first = share.odd + 1, share.first or where
        if odd and token.text.isascii() and token.text.isprintable():
            bracket = token.text.startswith(")")
            what = "this bracket closes no comment" if bracket else f"{token.text[:20]!r} is not a letter and a number"
            findings.add("odd-word", what, where)
        elif token.kind is TokenKind.BAD_COMMENT and ")" in token.text:
            findings.add("comment-nested", "a comment inside a comment", where)
        elif token.kind is TokenKind.BAD_COMMENT:
            findings.add("comment-unclosed", "the comment is not closed in its block", where)


MOST_PROGRAMS: Final = 10_000
"""Programs of one file that are listed: the largest memory holds 1000 (common practice)."""

MOST_BLOCK_NUMBERS: Final = 200_000
"""Block numbers of one program that are remembered. A longer one is drip-fed, and nothing can jump in it."""

_BLOCK_NUMBER: Final = re.compile(r"^[ \t]*(?:/\d?[ \t]*)?[Nn][ \t]*(\d+)", re.MULTILINE)
_CALL: Final = re.compile(r"(?<![A-Za-z])[Mm][ \t]*0*98(?![\d.])")
_CALLED: Final = re.compile(r"[Pp][ \t]*(\d+)")
_DATA: Final = re.compile(r"[ \t]*(?:[Nn]\d+[ \t]*)?(?:[Gg]1[01](?!\d)|#\d+[ \t]*=|[Pp]\d)")


@dataclass(frozen=True, slots=True)
class Found:
    """A program in a file. line: of its number or name, in the file; number: -1 where it has a name."""

    name: str
    number: int
    title: str
    line: int


class ProgramChecks:
    """Fed the text between mark lines in pieces that end at a block end; knows the programs and their findings."""

    def __init__(self, rules: Rules, findings: Findings) -> None:
        self._rules, self._findings = rules, findings
        self.heads: list[Found] = []
        self.first_comment = self.front = ""  # front: of the text, in which a name may be
        self.empty = True
        self.talks = False  # conversational text is open
        self.ended = False  # the last program has its M02, M30 or M99
        self._title_room = 0  # characters in which the last head may still find its title
        self._comment_room = names.TITLE_CHARS
        self._before = ""  # the last block with words
        self._last: Place | None = None  # the same, of the program at hand
        self._numbers: set[int] = set()
        self._calls: dict[str, tuple[str, Place]] = {}

    @property
    def has_blocks(self) -> bool:
        return bool(self.heads) or self._last is not None

    def feed(self, text: str, line: int) -> None:
        """Takes whole blocks; line: the number of the first in the file."""
        if self.empty and text.strip():
            self.empty = False
            self.front = text[: names.TITLE_CHARS]
        found = list(names.heads(text, self._before, self._rules.program.ends))
        starts = [head.at for head in found]
        self._titles(text, starts[0] if starts else len(text))
        at = 0
        for start, head in zip([*starts, len(text)], [*found, None], strict=True):
            if at < start:
                self._stretch(text, at, start, line)
            if head is not None:
                blanks = len(text[start : start + 80]) - len(text[start : start + 80].lstrip(" \t"))
                self._program(head, place(text, start + blanks, line))
            at = start
        if found:
            self._title_room = names.TITLE_CHARS - (len(text) - starts[-1]) if not found[-1].title else 0
        self._note_calls(text, line)

    def words(self, text: str) -> Iterator[tuple[int, int]]:
        """Where the stretches of a text start and stop that are words; conversational text is none, in blocks of its own."""
        at = 0
        while at < len(text):
            program = self._rules.program
            start, stop = names.block_with(text, program.ends_with if self.talks else program.begins_with, at)
            if not self.talks:
                yield at, start
            if start < len(text):
                self.talks = not self.talks
            at = stop

    def finish(self) -> None:
        self._end_of_program()
        here = {head.name for head in self.heads}
        for name, (code, where) in self._calls.items():
            either = (name, names.number_name(code))  # P51000 without repeats: a number of five digits or more
            if not any(each in here or self._rules.knows(each) for each in either):
                self._findings.add("missing-subprogram", f"the subprogram {name} is not known for this machine", where)

    def _stretch(self, text: str, start: int, stop: int, line: int) -> None:
        last = names.last_code_at(text, stop)
        if last >= start:
            self._last = place(text, last, line)
            self._before = self._last.block
        self._block_numbers(text, start, stop, line)

    def _program(self, head: Head, where: Place) -> None:
        self._end_of_program()
        self._last, self._before = where, where.block
        self._numbers.clear()
        if len(self.heads) < MOST_PROGRAMS:
            self.heads.append(Found(head.name, head.number, head.title, where.line))
        low, high = self._rules.program.lowest_number, self._rules.program.highest_number
        if head.number >= 0 and not low <= head.number <= high:
            self._findings.add("number-out-of-range", f"{head.name} is outside O{low:04d} to O{high:04d}", where)
        if len(self.heads) > 1 and self._rules.program.programs is Programs.ONE:
            self._findings.add("second-program", f"{head.name} is a further program in this file", where)

    def _end_of_program(self) -> None:
        ends = self._rules.program.ends
        self.ended = self._last is not None and names.is_end(self._last.block, ends)
        endless = self.talks and not self._rules.program.ends_with
        if self._last and not (self.ended or endless or _DATA.match(self._last.block)):
            name = f"the program {self.heads[-1].name}" if self.heads else "the program"
            self._findings.add("no-end", f"{name} has no {names.listed(ends)} in its last block", self._last)

    def _titles(self, text: str, first_head: int) -> None:
        """Comments that belong to the last head of the piece before, and the first comment of all."""
        if self._title_room > 0 and self.heads and not self.heads[-1].title:
            title = names.title_in(text[: min(first_head, self._title_room)])
            self.heads[-1] = replace(self.heads[-1], title=title)
            self._title_room -= first_head
        if self._comment_room > 0 and not self.first_comment:
            self.first_comment = names.title_in(text[: self._comment_room])
            self._comment_room -= len(text)

    def _block_numbers(self, text: str, start: int, stop: int, line: int) -> None:
        if (
            not self._rules.memory_chars
            or len(self._numbers) > MOST_BLOCK_NUMBERS
            or not self._findings.wanted("block-number-twice")
        ):
            return
        part = text[start:stop]
        found = [int(digits) for digits in _BLOCK_NUMBER.findall(part)]
        new = set(found)
        if len(new) == len(found) and self._numbers.isdisjoint(new):
            self._numbers |= new
            return
        for match in _BLOCK_NUMBER.finditer(text, start, stop):
            number = int(match[1])
            if number in self._numbers:
                where = place(text, match.start(1) - 1, line)
                self._findings.add("block-number-twice", f"the block number N{match[1]} stands a second time", where)
            self._numbers.add(number)

    def _note_calls(self, text: str, line: int) -> None:
        for found in _CALL.finditer(text):
            if len(self._calls) >= MOST_PROGRAMS:
                return
            where = place(text, found.start(), line)
            block = names.without_comments(where.block)
            called = _CALLED.search(block) if _CALL.search(block) else None
            if called and names.number_name(called[1]):
                # P1000 and P0001000 call O1000 once, P51000 calls it five times: the last four digits are the number
                self._calls.setdefault(names.number_name(called[1][-4:]), (called[1], where))
