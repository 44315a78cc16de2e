"""Blocks as words: the tokens of one block, and the one spelling under which two blocks mean the same.

Sources: a word is a letter and a number (NISTIR 6556 3.1); blanks and tabs have no meaning outside comments (3.3);
numbers with an optional sign, at most one point, zeros free at both ends (3.3.2.1); `#` parameters, `[ ]` expressions,
`=` settings, `**` (3.3.2.2 to 3.3.3); a comment reaches from `(` to the first `)` (3.3.4); `/` is block delete (3.3).
Flow words, `<...>` names, a comma before a corner's letter and `;` at a block's end are common practice.
"""

import enum
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

_NUMBER: Final = r"(?:\d++(?:\.\d*+)?+|\.\d++)"  # possessive: a line of a million digits is read once
_FUNCTIONS: Final = r"(?:ASIN|ACOS|ATAN|SIN|COS|TAN|SQRT|SQR|ABS|ROUND|FIX|FUP|EXP|LN|BIN|BCD|POW|ADP|INT)"
_FLOW: Final = (
    r"(?:IF|THEN|ELSEIF|ELSE|ENDIF|GOTO|WHILE|ENDWHILE|DO|ENDSUB|END|SUB|CALL|RETURN|RTS|BREAK|CONTINUE|REPEAT"
    r"|ENDREPEAT|LOOP|SETVN|POPEN|PCLOS|DPRNT|BPRNT|EQ|NE|GT|GE|LT|LE|AND|OR|XOR|MOD)"
)


def _brackets(depth: int) -> str:
    """`[...]` with brackets inside, `depth` deep; possessive, so that an open bracket costs no backtracking."""
    inside = r"[^\[\]\n]"
    return rf"\[(?:{inside}|{_brackets(depth - 1)})*+\]" if depth else rf"\[{inside}*+\]"


_EXPRESSION: Final = _brackets(8)
_PARAMETER: Final = rf"\#++(?:\d++|<[^<>\n]*>|[A-Z_]\w*|{_EXPRESSION})"
_VALUE: Final = (
    rf"[+-]?(?:{_NUMBER}|{_PARAMETER}|{_FUNCTIONS}[ \t]*{_EXPRESSION}(?:[ \t]*/[ \t]*{_EXPRESSION})?|{_EXPRESSION})"
)
_SUM: Final = rf"{_VALUE}(?:[ \t]*(?:\*\*|[-+*/])[ \t]*{_VALUE})*"
_TOKEN: Final = re.compile(
    rf"""(?P<blank>[ \t]+)
    |(?P<comment>\([^()\n]*\))
    |(?P<badcomment>\([^\n]*)
    |(?P<tail>;[^\n]*)
    |(?P<name>O?<[^<>\n]*>|"[^"\n]*")
    |(?P<skip>/\d?(?!\d))
    |(?P<setting>(?:{_PARAMETER}|[A-Z]{{1,6}}\d{{0,4}})[ \t]*=[ \t]*{_SUM})
    |(?P<flow>{_FLOW}(?![A-Z])[ \t]*(?:{_EXPRESSION}|\d+)?)
    |(?P<word>(?:,[ \t]*)?[A-Z][ \t]*{_VALUE}|:[ \t]*\d+)
    |(?P<expression>{_EXPRESSION}|{_PARAMETER}|{_VALUE}(?=[ \t]*(?:[-+*/]|EQ|NE|GT|GE|LT|LE)))
    |(?P<end>[*&](?=[ \t]*$))
    |(?P<odd>[A-Z,]+[^A-Z \t(;<\[\#]*|[^A-Z \t(;<\[\#]+|\#+|.)""",
    re.VERBOSE | re.IGNORECASE,
)
_LETTER: Final = re.compile(r",?[ \t]*[A-Za-z:]")


class TokenKind(enum.StrEnum):
    """What a part of a block is. ODD is what no control can read as a word; BAD_COMMENT is open or nested."""

    WORD = "word"
    SETTING = "setting"
    COMMENT = "comment"
    BAD_COMMENT = "badcomment"
    NAME = "name"
    FLOW = "flow"
    EXPRESSION = "expression"
    SKIP = "skip"
    TAIL = "tail"
    END = "end"
    ODD = "odd"


@dataclass(frozen=True, slots=True)
class Token:
    """A part of a block. at: index in the block; address: the letter of a word or left side of a setting, else ""."""

    kind: TokenKind
    at: int
    text: str
    address: str = ""
    value: str = ""


def tokens(block: str) -> Iterator[Token]:
    """The parts of one block in order, blanks left out. Nothing else is left out: every character is in a token."""
    for found in _TOKEN.finditer(block):
        group = found.lastgroup or "odd"
        if group == "blank":
            continue
        kind, text = TokenKind(group), found[0]
        if kind is TokenKind.WORD:
            letter = _LETTER.match(text)
            cut = letter.end() if letter else 1
            yield Token(kind, found.start(), text, text[:cut].replace(" ", "").replace("\t", ""), text[cut:].strip())
        elif kind is TokenKind.SETTING:
            left, _, right = text.partition("=")
            yield Token(kind, found.start(), text, left.strip(), right.strip())
        else:
            yield Token(kind, found.start(), text)


# --- the one spelling ------------------------------------------------------------------------------------------
# Kept as they are: comments, names, strings, text behind `;`. All else is spelt in one way by a few searches over the
# whole text, because 400,000 blocks leave no time for a look at each word.

_KEPT: Final = re.compile(r'\([^)\n]*\)?|"[^"\n]*"|<[^<>\n]*>|;(?=[ \t]*[^ \t\n])[^\n]*')
_PLACE: Final = "\uf8ff"
_END_SIGN: Final = re.compile(r";(?=\n|\Z)")
_BLOCK_NUMBER: Final = re.compile(r"^(/?\d?)[Nn]\d+", re.MULTILINE)
_PLUS: Final = re.compile(r"(?<=[A-Za-z=])\+(?=[\d.])")
_ZEROS_OF_CODE: Final = re.compile(r"(?<=[GMNOSTDHLgmnostdhl:])0+(?=\d)")
_ZEROS_IN_FRONT: Final = re.compile(r"(?<![\d.])0+(?=\d)")
_ZEROS_BEFORE_POINT: Final = re.compile(r"(?<![\d.])0++(?=\d*\.)")
_ZEROS_AFTER_POINT: Final = re.compile(r"(?<=\.)0+(?!\d)")
_ZEROS_AFTER_DIGIT: Final = re.compile(r"(\.\d*[1-9])0+(?!\d)")


def spelt_alike(text: str) -> str:
    """The text with each block in the one spelling of all blocks that mean the same; as many lines as before. Left out:
    N at the start of a block, blanks and tabs outside comments, `;` at a block's end, `+` signs, zeros that change no
    value: around a number with a point, and in front of the whole numbers of G M N O S T D H L. A number with a point
    and one without stay different (X1. is 1 mm and X1 0.001 mm on many old controls), and so do leading zeros of
    dimensions without a point, which count where trailing zeros are suppressed (RS-274 formats; memory)."""
    if _PLACE in text:
        return text  # no program has it; comparing exactly is then the safe way
    kept = _KEPT.findall(text)
    code = _KEPT.sub(_PLACE, text) if kept else text
    code = _spelt(code)
    if not kept:
        return code
    parts = code.split(_PLACE)
    whole = [""] * (2 * len(kept) + 1)
    whole[::2], whole[1::2] = parts, kept
    return "".join(whole)


def _spelt(code: str) -> str:
    code = code.replace(" ", "").replace("\t", "")
    if ";" in code:
        code = _END_SIGN.sub("", code)
    code = _BLOCK_NUMBER.sub(r"\1", code)
    if "+" in code:
        code = _PLUS.sub("", code)
    return _around_point(_ZEROS_OF_CODE.sub("", code))


def without_zeros(code: str) -> str:
    """Code without blanks: zeros in front of any number left out, and those behind a point; no point comes or goes."""
    return _around_point(_ZEROS_IN_FRONT.sub("", code))


def _around_point(code: str) -> str:
    code = _ZEROS_BEFORE_POINT.sub("", code)
    code = _ZEROS_AFTER_POINT.sub("", code)
    return _ZEROS_AFTER_DIGIT.sub(r"\1", code)
