"""What one pass over a dropped file shows: its marks, its sizes, its programs and its findings.

A mark counts in the first column only. The first line that is not blank is the opening mark line if it starts with the
mark; the last line is the closing one if it does and is not the opening. Blank lines before an opening mark go.
Text before the opening or after the closing mark, and a further mark line, are findings.
"""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from dncd.choices import LowerCase
from dncd.program import names
from dncd.program import program_checks as checks
from dncd.program.dropped import LONGEST_LINE_CHARS, Chunks, Encoding, lines_between, pieces, raised, replaced
from dncd.program.findings import Findings
from dncd.program.program_checks import Rules, Saved
from dncd.values import Finding, Place, Severity

_MOST_MARKS: Final = 1_000
"""Mark lines that are looked at; a file with more is no program."""

_TEXT_LINE: Final = re.compile(r"^[^\n]*\S[^\n]*", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Survey:
    """opening, closing: the mark lines as they go out, added ones too, "" for none. first_line, end_line: the body is
    lines first_line up to and without end_line of the file. chars: characters of the body, each block end as one;
    blocks: of the body; image_chars: of the image without leader and trailer. name, title: of the file's (first)
    program; "" for none. All of it is of the text as it goes out; replaced: how often each character was, that
    `program.replace` names."""

    opening: str
    closing: str
    first_line: int
    end_line: int
    chars: int
    blocks: int
    image_chars: int
    lower_case: LowerCase
    name: str
    title: str
    programs: tuple[checks.Found, ...]
    findings: tuple[Finding, ...]
    replaced: tuple[tuple[str, int], ...] = ()

    @property
    def refused(self) -> bool:
        return any(finding.severity is Severity.REFUSE for finding in self.findings)


def survey(chunks: Chunks, encoding: Encoding, rules: Rules) -> Survey:
    """Reads the file once; its memory does not grow with the file. ValueError: unknown code in `program.findings`."""
    reading, table, counts = _Reading(rules), dict(rules.program.replace), Counter[str]()
    for text in pieces(chunks, encoding):
        if table and not text.isascii():
            counts.update(char for char in text if char in table)
        reading.take(replaced(raised(text, rules.program.lower_case), rules.program.replace))
    return replace(reading.result(), replaced=tuple(counts.items()))


def body(chunks: Chunks, encoding: Encoding, surveyed: Survey) -> Iterator[str]:
    """The text between the marks in pieces, as the library has it: LF ends each block, small letters raised if so set,
    nothing replaced."""
    for text in lines_between(pieces(chunks, encoding), surveyed.first_line, surveyed.end_line):
        yield raised(text, surveyed.lower_case)


@dataclass(frozen=True, slots=True)
class _Mark:
    """A mark line. start, end: characters of the file before it and up to its block end's end."""

    line: int
    text: str
    start: int
    end: int


class _Reading:
    """The state of a survey between pieces."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self._findings = Findings(dict(rules.program.findings))
        self._programs = checks.ProgramChecks(rules, self._findings)
        self._share = checks.Share()
        self._marks: list[_Mark] = []
        self._first: Place | None = None  # the first line with text
        self._after_mark: Place | None = None  # the first line with text after the last mark
        self._line, self._chars = 1, 0
        self._in_long_line = self._had_long_line = False
        marks = f"[{re.escape(rules.tape.mark + rules.tape.closes)}]"
        self._mark = re.compile(marks + r"(?:(?<=\n.)|(?<![\s\S]{2}))")
        self._blank = re.compile(rf"^[ \t]+({marks})", re.MULTILINE)

    def take(self, text: str) -> None:
        part = self._without_long_line(text)
        if part:
            self._check(part, self._line + text.count("\n", 0, len(text) - len(part)), len(text) - len(part))
        self._line += text.count("\n")
        self._chars += len(text)

    def _without_long_line(self, text: str) -> str:
        """The piece without a line that was too long to be held whole."""
        part = text
        if self._in_long_line:
            part = text[text.find("\n") + 1 :] if "\n" in text else ""
        elif not text.endswith("\n"):
            what = f"more than {LONGEST_LINE_CHARS} characters without a block end"
            self._findings.add("block-endless", what, Place(self._line, 1, text[:80]))
            self._first = self._first or Place(self._line, 1, text[:80])
            self._had_long_line = True
            part = ""
        self._in_long_line = not text.endswith("\n")
        return part

    def _check(self, text: str, line: int, skipped: int) -> None:
        checks.check_characters(text, line, self._rules, self._findings)
        checks.check_small_letters(text, line, self._rules, self._findings)
        checks.check_length(text, line, self._rules, self._findings)
        if not self._first:
            self._first = _text_line(text, line)
        at = 0
        for found in self._mark.finditer(text):
            if len(self._marks) >= _MOST_MARKS:
                break
            start, stop = found.start(), text.index("\n", found.start()) + 1
            self._between(text[at:start], line)
            line += text.count("\n", at, start)
            offset = self._chars + skipped
            self._marks.append(_Mark(line, text[start : stop - 1], offset + start, offset + stop))
            self._after_mark = None
            at, line = stop, line + 1
        self._between(text[at:], line)

    def _between(self, text: str, line: int) -> None:
        if not text:
            return
        for at, stop in self._programs.words(text):
            checks.check_words(
                text[at:stop], line + text.count("\n", 0, at), self._findings, self._share, self._rules.program.ends
            )
        self._programs.feed(text, line)
        if self._marks and not self._after_mark:
            self._after_mark = _text_line(text, line)
        for found in self._blank.finditer(text):
            if not self._findings.wanted("mark-not-first"):
                return
            what = f"the mark {found[1]!r} stands behind blanks, where it is none to dncd"
            self._findings.add("mark-not-first", what, checks.place(text, found.end() - 1, line))

    def result(self) -> Survey:
        self._programs.finish()
        opening, closing = self._bounds()
        self._mark_findings(opening, closing)
        rules = self._rules
        start, stop = opening.end if opening else 0, closing.start if closing else self._chars
        first_line, end_line = opening.line + 1 if opening else 1, closing.line if closing else self._line
        blocks = end_line - first_line
        out = (opening.text if opening else rules.tape.opening, closing.text if closing else rules.tape.closing)
        ends = len(rules.tape.ends.chars)
        image = stop - start + blocks * (ends - 1) + sum(len(text) + ends for text in out if text)
        if self._programs.empty and not self._had_long_line:
            self._findings.add("empty", "the file holds no program")
        if rules.memory_chars and image > rules.memory_chars:
            what = f"the program takes {image} characters, {image - rules.memory_chars} more than the control holds"
            self._findings.add("too-big", what)
        name, title = self._name(opening)
        use = rules.other_use(name, title) if name else ""
        if use:
            self._findings.add("name-used", use)
        if not name and rules.memory_chars and not self._programs.empty:
            self._findings.add("no-number", "it has no program number, so it goes by its file's name in all records")
        self._is_program()
        programs, found, case = tuple(self._programs.heads), self._findings.result(), rules.program.lower_case
        return Survey(*out, first_line, end_line, stop - start, blocks, image, case, name, title, programs, found)

    def _is_program(self) -> None:
        """Whether it is one, unless the settings name the words of this control's own text."""
        share, program = self._share, self._rules.program
        own = program.ends != names.ENDS or program.begins_with
        if own or self._programs.empty or self._had_long_line:
            return
        if share.odd > share.words:
            what = f"this is no part program: {share.odd} of its words are not letter and number, {share.words} are"
            self._findings.is_no_program(what, share.first)
        elif not self._programs.has_blocks:
            self._findings.is_no_program("this is no part program: it has no block at all", self._first)

    def _bounds(self) -> tuple[_Mark | None, _Mark | None]:
        """The opening and the closing mark line: one mark alone that may be both is the opening if it comes first."""
        marks, tape = self._marks, self._rules.tape
        if not marks:
            return None, None
        if len(marks) == 1 and tape.mark == tape.closes:
            first = marks[0].line == (self._first.line if self._first else 0)
            return (marks[0], None) if first else (None, marks[0] if not self._after_mark else None)
        opening = marks[0] if marks[0].text.startswith(tape.mark) else None
        return opening, marks[-1] if marks[-1] is not opening and marks[-1].text.startswith(tape.closes) else None

    def _mark_findings(self, opening: _Mark | None, closing: _Mark | None) -> None:
        add = self._findings.add
        if opening and self._first and self._first.line < opening.line:
            add("text-outside-marks", f"text before the opening mark in line {opening.line}", self._first)
        for mark in self._marks:
            if mark not in (opening, closing):
                add("mark-inside", "a mark line inside the program", Place(mark.line, 1, mark.text))
        if opening and not closing and self._after_mark and self._rules.tape.closing:
            what = f"line {opening.line} has the opening mark and no line has the closing one: this may be half a file"
            add("mark-missing", what, Place(opening.line, 1, opening.text))
        if not closing and not self._programs.ended and self._rules.saved is Saved.BEFORE_CUT:
            ends = names.listed(self._rules.program.ends)
            what = f"it lay here as the power failed, and has neither a closing mark nor {ends} at its end"
            add("cut-short", f"{what}: this may be half a file")
        if closing and self._after_mark:
            add("text-outside-marks", f"text after the closing mark in line {closing.line}", self._after_mark)

    def _name(self, opening: _Mark | None) -> tuple[str, str]:
        """Number of a program, or of the mark line, or the name of either, else what the settings say (contract, 5)."""
        on_mark = names.mark_name(opening.text, self._rules.tape.mark) if opening else names.NO_HEAD
        head = self._programs.heads[0] if self._programs.heads else names.NO_HEAD
        numbered = head.number >= 0 or (on_mark.number < 0 and not on_mark.name)
        name = head.name if numbered else on_mark.name
        title = head.title or self._programs.first_comment or on_mark.title
        program, front = self._rules.program, self._programs.front
        return name or names.chosen(program.name_from, title, front, program.begins_with), title


def _text_line(text: str, line: int) -> Place | None:
    found = _TEXT_LINE.search(text)
    return checks.place(text, found.start(), line) if found else None
