"""Checks of blocks: characters, length, words and comments. Each takes a piece of text and its first line's number.

Normal blocks cost one search over the whole piece; only what is not normal is looked at block by block.
"""

import re
from dataclasses import dataclass
from typing import Final

from dncd.choices import LowerCase
from dncd.program.findings import Findings
from dncd.program.rules import Rules
from dncd.program.words import TokenKind, tokens
from dncd.values import Place

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
