"""Whether what a control punched is what it was given, when it spells a program in its own way.

Most controls of the tape age keep words, not characters. What they may spell otherwise, and why (S25 is NISTIR 6556):

| differs                                               | the same? | reason                                         |
|-------------------------------------------------------|-----------|------------------------------------------------|
| blanks, tabs, capitals outside comments, empty blocks | yes       | no meaning (S25 3.3)                           |
| zeros in front, zeros behind the point, a plus sign   | yes       | numbers (S25 3.3.2.1)                          |
| `:` for `O` at a block's start                        | yes       | the number in ISO code (common practice)       |
| words of a block in another order                     | yes       | execution has its own order (S25 3.8); below   |
| no comments at all                                    | yes       | a comment does nothing (S25 3.3.4)             |
| other comments                                        | told      | no word changed, but somebody wrote something  |
| a point, a sign, any digit, word, block, N, `/`       | no        | `X10` is ten smallest steps, `X10.` is 10 mm   |

The order counts where a letter stands twice (which value holds?), where two G or M words are of one modal group (the
last one holds on many controls), in a macro call (G65, G66: the row of I, J, K says which variable each fills), behind a
`/` inside a block, and wherever there is `#`, `[`, `=` or a flow word. What is no row of words counts as it stands: names
in `<...>`, strings, text behind `;`, conversational text, brackets that need not be a comment.
"""

import enum
import hashlib
import re
from dataclasses import dataclass
from typing import Final

from dncd.program.words import Token, TokenKind, tokens, without_zeros


class Answer(enum.StrEnum):
    """What a readback says. COMMENTS: changed, but in no word: comments came, went in part, or say something else."""

    EQUAL = "equal"
    SUBSTANCE = "in substance"
    COMMENTS = "comments alone"
    CHANGED = "changed"


class Numbers(enum.StrEnum):
    """Whether block numbers count as words do."""

    COUNT = "count"
    IGNORE = "ignore"


def answer(sent: str, punched: str) -> Answer:
    """What a control punched, against what it was given; both as they stand between marks, LF or CR LF line ends."""
    if sent == punched:
        return Answer.EQUAL
    (one, said), (two, back) = _read(sent), _read(punched)
    rows = [[block for block in found if block] for found in (one, two)]
    # only blocks that are not spelt alike are put in order
    if len(rows[0]) != len(rows[1]) or any(
        a != b and _in_order(a, Numbers.COUNT) != _in_order(b, Numbers.COUNT) for a, b in zip(*rows, strict=True)
    ):
        return Answer.CHANGED
    return Answer.SUBSTANCE if not back or list(map(said_in, said)) == list(map(said_in, back)) else Answer.COMMENTS


def digest(text: str) -> str:
    """SHA-256 of the words alone, hex: equal for two texts that are the same in substance or differ in comments."""
    said = hashlib.sha256()
    for block in _read(text)[0]:
        if block:
            said.update(_in_order(block, Numbers.COUNT).encode("utf-8", "surrogatepass") + b"\n")
    return said.hexdigest()


@dataclass(frozen=True, slots=True)
class Substance:
    """The blocks of a text that have words: index of each in `blocks(text)`, and what it means."""

    at: tuple[int, ...]
    keys: tuple[str, ...]

    @classmethod
    def of(cls, text: str, numbers: Numbers) -> "Substance":
        """Of a text as it stands between marks."""
        found = [(i, _in_order(block, numbers)) for i, block in enumerate(_read(text)[0]) if block]
        return cls(tuple(i for i, _ in found), tuple(key for _, key in found))


def is_row_of_words(key: str) -> bool:
    """Whether a block of this key could be read; else it counts as it stands, with what may be a comment."""
    return not key.startswith(_AS_IT_STANDS)


def comments_in(text: str) -> list[str]:
    """The comments of a text with their brackets; those that say nothing are left out."""
    return _read(text)[1]


def said_in(comment: str) -> str:
    """What a comment says, however a control spells it: in capitals, without blanks."""
    return "".join(comment[1:-1].upper().split())


# --- reading -----------------------------------------------------------------------------------------------------------
# Rows of blocks that are words and comments alone are spelt in one way by a few searches over the whole row, because
# 400,000 blocks leave no time for a look at each; only what is not plain is looked at block by block.

_AS_IT_STANDS: Final = "\0"
_IN_ITS_ORDER: Final = "="

_BLANKS: Final = r"[ \t]*+"
_WORD: Final = rf"{_BLANKS},?{_BLANKS}[A-Za-z]{_BLANKS}[+-]?{_BLANKS}(?:[0-9]++(?:\.[0-9]*+)?+|\.[0-9]++)"
_FRONT: Final = rf"{_BLANKS}(?:(?:[Nn]{_BLANKS}[0-9]++{_BLANKS})?+/[0-9]?+(?![0-9])|:{_BLANKS}[0-9]++)?+"
_PLAIN: Final = re.compile(rf"(?:{_FRONT}(?:{_WORD}|{_BLANKS}\([^()\n]*+\))*+{_BLANKS};?+{_BLANKS}\n)*+")
_COMMENT: Final = re.compile(r"\([^()\n]*\)")
_SPELT: Final = str.maketrans(
    {":": "O", **dict.fromkeys(" \t;+"), **{chr(c): chr(c - 32) for c in range(ord("a"), ord("z") + 1)}}
)
_PLUS: Final = re.compile(r"(?:(?<=[=\[])|(?<=^[A-Z])|(?<=^,[A-Z]))\+(?=[0-9.])")


def _read(text: str) -> tuple[list[str], list[str]]:
    """Each block in one spelling, its words in the order in which they stand, "" for one without words; the comments."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if text and not text.endswith("\n"):
        text += "\n"
    spelt: list[str] = []
    comments: list[str] = []
    at = 0
    while at < len(text):
        plain = _PLAIN.match(text, at)
        if plain and plain.end() > at:
            row, at = plain[0], plain.end()
            if "(" in row:
                comments += _COMMENT.findall(row)
                row = _COMMENT.sub("", row)
            spelt += without_zeros(row.translate(_SPELT)).split("\n")[:-1]
        else:
            stop = text.index("\n", at)
            block, found = _one_by_one(text[at:stop])
            spelt.append(block)
            comments += found
            at = stop + 1
    return spelt, [comment for comment in comments if said_in(comment)]


def _one_by_one(block: str) -> tuple[str, list[str]]:
    """A block that is no row of words: in its order if it can be read, else as it stands; and its comments."""
    said: list[str] = []
    parts = [_IN_ITS_ORDER]
    before = ""
    for token in tokens(block):
        match token.kind:
            case TokenKind.ODD | TokenKind.BAD_COMMENT:
                return _AS_IT_STANDS + block.rstrip(), []
            case TokenKind.COMMENT:
                if before[-1:].isalpha():  # `IF(...)`: perhaps an expression
                    return _AS_IT_STANDS + block.rstrip(), []
                said.append(token.text)
            case TokenKind.TAIL:
                parts.append(token.text.rstrip())
            case _:
                parts.append(same_spelling(token))
        before = token.text.rstrip()
    whole = "".join(parts).rstrip(";")
    return ("" if whole == _IN_ITS_ORDER else whole), said


def same_spelling(token: Token) -> str:
    """The one spelling of a part of a block."""
    if "<" in token.text or '"' in token.text:
        return token.text
    text = "".join(token.text.split()).upper()
    return without_zeros(_PLUS.sub("", f"O{text[1:]}" if text.startswith(":") else text))


# --- order -------------------------------------------------------------------------------------------------------------
_WORDS: Final = re.compile(r",?[A-Z][^A-Z,]*")
_SKIP: Final = re.compile(r"(N[0-9]+)?(/[0-9]?)")
_NUMBER: Final = re.compile(r"N[0-9]+")
_NUMBER_IN_FRONT: Final = re.compile(r"=(/[0-9]?)?N[0-9]+")
_CALLS: Final = frozenset({"G65", "G66", "G66.1"})


_GROUPS: Final = (
    "G0 G1 G2 G3 G32 G33 G34 G76 G80 G81 G82 G83 G84 G85 G86 G87 G88 G89", "G17 G18 G19", "G20 G21", "G70 G71",
    "G40 G41 G42", "G43 G44 G49", "G50 G51", "G54 G55 G56 G57 G58 G59", "G61 G62 G63 G64", "G68 G69", "G90 G91",
    "G93 G94 G95", "G96 G97", "G98 G99", "M0 M1 M2 M30 M98 M99", "M3 M4 M5 M19", "M7 M8 M9", "M10 M11", "M48 M49",
)  # fmt: skip
"""G and M words that undo each other (S25 3.4, Table 4; threads, thread cycles and constant speed: common practice)."""

_GROUP: Final = {word: group for group in _GROUPS for word in group.split()}


def _in_order(block: str, numbers: Numbers) -> str:
    """The one spelling of all blocks that mean the same. block: as `_read` gives it, not empty."""
    if block[0] == _AS_IT_STANDS:
        return block
    if block[0] == _IN_ITS_ORDER:
        return block if numbers is Numbers.COUNT else _NUMBER_IN_FRONT.sub(r"=\1", block)
    skip = _SKIP.match(block)
    front, words = "", _WORDS.findall(block, skip.end() if skip else 0)
    if skip:
        front = skip[0] if numbers is Numbers.COUNT else skip[2]
    if numbers is Numbers.IGNORE:
        words = [word for word in words if not _NUMBER.fullmatch(word)]
    if _order_is_free(words):
        words.sort()
    return front + "".join(words) or "N"


def _order_is_free(words: list[str]) -> bool:
    seen: set[str] = set()
    for word in words:
        letter = word[:2] if word[0] == "," else word[0]
        if letter == "N":
            continue
        said = _GROUP.get(word, word) if letter in "GM" else letter
        if said in seen or word in _CALLS:
            return False
        seen.add(said)
    return True


class Habit(enum.StrEnum):
    """What a control keeps as it was given, or does not."""

    BLANKS = "blanks"
    FRONT = "zeros in front"
    BEHIND = "zeros behind the point"
    EMPTY = "empty blocks"
    LETTER = "letter O"
    COMMENTS = "comments"


KEPT: Final = "kept"
NOT_KEPT: Final = "not kept"

_SHOWN_BY: Final = {
    Habit.BLANKS: re.compile(r"[0-9.)][ \t]+[A-Za-z(]"),
    Habit.FRONT: re.compile(r"[A-MP-Za-mp-z]0[0-9]"),  # numbers of programs and blocks have a length of their own
    Habit.BEHIND: re.compile(r"\.[0-9]*0(?![0-9])"),
    Habit.EMPTY: re.compile(r"^[ \t]*\n", re.MULTILINE),
    Habit.LETTER: re.compile(r"^[ \t]*O[ \t]*[0-9]", re.MULTILINE),
}


def habits(sent: str, punched: str) -> dict[str, str]:
    """KEPT or NOT_KEPT by habit, where the program that was sent has what shows it. Two texts of the same substance."""
    found = {
        habit.value: KEPT if pattern.search(punched) else NOT_KEPT
        for habit, pattern in _SHOWN_BY.items()
        if pattern.search(sent)
    }
    if comments_in(sent):
        found[Habit.COMMENTS.value] = KEPT if comments_in(punched) else NOT_KEPT
    return found


def otherwise(known: dict[str, str], now: dict[str, str]) -> tuple[str, ...]:
    """The habits in which a control differs from what it is known for."""
    return tuple(habit for habit, how in now.items() if known.get(habit, how) != how)
