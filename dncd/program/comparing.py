"""Two texts of a program compared: whether they are the same, and block by block and word by word what changed.

Data first: `Comparison` holds only strings, numbers and tuples. What it sounds like to a machinist is in `differences`.
"""

import enum
from collections import Counter, defaultdict, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from difflib import SequenceMatcher
from typing import Any, Final

from dncd.program.aligning import Hunk, hunks
from dncd.program.substance import Numbers, Substance, is_row_of_words, same_spelling
from dncd.program.words import Token, TokenKind, spelt_alike, tokens

MOST_CHANGES: Final = 2_000
"""Blocks whose changes are told word by word; of more only the number is told."""

_ALIGNED_WORDS: Final = 400
"""Words of a block up to which the fewest changes are looked for: that takes time by their square. No control reads a block
of so many, but one may be dropped, or punched by a line that hums."""

_PAIRED_BY_WORDS: Final = 2_500
"""Product of old and new blocks of one difference up to which each is looked at beside each: 50 by 50."""


class Level(enum.StrEnum):
    """How alike two texts are. BLOCKS: equal but for block ends, N numbers, blanks outside comments, `;` at block ends,
    `+` and zeros that change no value (`words.spelt_alike`)."""

    EXACT = "exact"
    BLOCKS = "blocks"
    DIFFERENT = "different"


class By(enum.StrEnum):
    """What counts as a difference. SUBSTANCE: what `substance` says, without block numbers and comments."""

    SPELLING = "spelling"
    SUBSTANCE = "substance"


class ChangeKind(enum.StrEnum):
    """What happened to a block. ORDER: the same words in another order."""

    CHANGED = "changed"
    ORDER = "order"
    NEW = "new"
    DROPPED = "dropped"


class Category(enum.StrEnum):
    """What a word is for, by its letter (RS-274, common practice for the lathe's U, W and the last digits of T)."""

    FEED = "feed"
    SPEED = "speed"
    TOOL = "tool"
    TOOL_OFFSET = "tool offset"
    POSITION = "position"
    ARC = "arc or radius"
    FUNCTION = "function"
    COMMENT = "comment"
    NUMBER = "program number"
    VARIABLE = "variable"
    SKIP = "block skip"
    OTHER = "other word"


@dataclass(frozen=True, slots=True)
class WordChange:
    """One word of a block. address: its letter, the left side of a setting, or ""; old, new: "" where there is none."""

    category: Category
    address: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class BlockChange:
    """One block. block: its number `N40` or "". Lines count from 1 in the text between the marks, 0 for none."""

    kind: ChangeKind
    block: str
    old_line: int
    new_line: int
    old: str
    new: str
    words: tuple[WordChange, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """All that differs. words: changed words by category; the blocks_ are counts of blocks, also of those not told.
    not_told: changed blocks beyond MOST_CHANGES that have no entry in `changes` and no words in `words`."""

    level: Level
    changes: tuple[BlockChange, ...]
    words: tuple[tuple[Category, int], ...]
    blocks_changed: int
    blocks_new: int
    blocks_dropped: int
    not_told: int

    def as_json(self) -> dict[str, Any]:
        """Fields by name, as JSON can bear them; `words` as an object of counts by category."""
        return {**asdict(self), "words": dict(self.words)}


@dataclass(frozen=True, slots=True)
class _Side:
    """One of two texts: its blocks that count, the index of each in the text, and what each means."""

    blocks: list[str]
    at: Sequence[int]
    keys: Sequence[str]
    by: By

    @classmethod
    def of(cls, text: str, by: By) -> "_Side":
        found = blocks(text)
        if by is By.SPELLING:
            return cls(found, range(len(found)), spelt_alike("\n".join(found)).split("\n") if found else [], by)
        read = Substance.of(text, Numbers.IGNORE)
        return cls([found[i] for i in read.at], read.at, read.keys, by)

    def words(self, i: int) -> tuple[str, list[Token]]:
        """Number and words of a block, without the comments that do not count."""
        number, found = _numbered(self.blocks[i])
        if self.by is By.SUBSTANCE and is_row_of_words(self.keys[i]):
            found = [token for token in found if token.kind is not TokenKind.COMMENT]
        return number, found

    def profile(self, i: int) -> "_Profile":
        number, rest = self.words(i)
        letters = Counter(token.address.upper() or token.kind.value for token in rest)
        return number, Counter(map(self.spelling, rest)), letters

    def spelling(self, token: Token) -> str:
        return spelt_alike(token.text) if self.by is By.SPELLING else same_spelling(token)


def compare(old: str, new: str, by: By = By.SPELLING) -> Comparison:
    """Compares two texts as they stand between marks; line ends may be LF or CR LF."""
    if old == new:
        return Comparison(Level.EXACT, (), (), 0, 0, 0, 0)
    one, two = _Side.of(old, by), _Side.of(new, by)
    if one.keys == two.keys:
        return Comparison(Level.BLOCKS, (), (), 0, 0, 0, 0)
    changes: list[BlockChange] = []
    counts = Counter[ChangeKind]()
    for hunk in hunks(one.keys, two.keys):
        for i, j in _pairs(hunk, one, two):
            kind = ChangeKind.NEW if i < 0 else ChangeKind.DROPPED if j < 0 else ChangeKind.CHANGED
            counts[kind] += 1
            if len(changes) < MOST_CHANGES:
                changes.append(_change(kind, i, j, one, two))
    words = Counter(word.category for change in changes for word in change.words)
    return Comparison(
        Level.DIFFERENT,
        tuple(changes),
        tuple((category, words[category]) for category in Category if words[category]),
        counts[ChangeKind.CHANGED],
        counts[ChangeKind.NEW],
        counts[ChangeKind.DROPPED],
        counts.total() - len(changes),
    )


def blocks(text: str) -> list[str]:
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    found = text.split("\n")
    if found[-1] == "":
        found.pop()
    return found


def _pairs(hunk: Hunk, old: _Side, new: _Side) -> Iterator[tuple[int, int]]:
    """Which old block became which new one, in order; -1 for none."""
    rows, columns = hunk.old_end - hunk.old_start, hunk.new_end - hunk.new_start
    if not rows or not columns:
        pairs: list[tuple[int, int]] = []
    elif rows * columns > _PAIRED_BY_WORDS:
        pairs = [(i, i) for i in range(min(rows, columns))]
    else:
        pairs = _best_pairs(
            [old.profile(i) for i in range(hunk.old_start, hunk.old_end)],
            [new.profile(j) for j in range(hunk.new_start, hunk.new_end)],
        )
    i = j = 0
    for at, to in [*pairs, (rows, columns)]:
        yield from ((hunk.old_start + n, -1) for n in range(i, at))
        yield from ((-1, hunk.new_start + n) for n in range(j, to))
        if at < rows:
            yield hunk.old_start + at, hunk.new_start + to
        i, j = at + 1, to + 1


_Profile = tuple[str, Counter[str], Counter[str]]
"""What a block is recognised by: its number, its words, their letters."""


def _best_pairs(old: Sequence[_Profile], new: Sequence[_Profile]) -> list[tuple[int, int]]:
    """The pairs in order whose likenesses add up to the most (a table as for the longest common part)."""
    best = [[0.0] * (len(new) + 1) for _ in range(len(old) + 1)]
    like = [[_likeness(one, two) for two in new] for one in old]
    for i in range(len(old) - 1, -1, -1):
        for j in range(len(new) - 1, -1, -1):
            paired = best[i + 1][j + 1] + like[i][j] if like[i][j] > 0 else 0.0
            best[i][j] = max(best[i + 1][j], best[i][j + 1], paired)
    pairs, i, j = [], 0, 0
    while i < len(old) and j < len(new):
        if like[i][j] > 0 and best[i][j] == best[i + 1][j + 1] + like[i][j]:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        elif best[i][j] == best[i + 1][j]:
            i += 1
        else:
            j += 1
    return pairs


def _likeness(one: _Profile, two: _Profile) -> float:
    """0 for two blocks that have nothing to do with each other; a shared number counts as much as all the words."""
    (number, words, letters), (other_number, other_words, other_letters) = one, two
    longer = max(words.total(), other_words.total())
    if not longer:
        return 1.0
    same_number = 1.0 if number and number == other_number else 0.0
    same_words, same_letters = (words & other_words).total() / longer, (letters & other_letters).total() / longer
    if same_number or same_words >= 0.5 or same_letters > 0.5:
        return same_number + same_words + same_letters / 2
    return 0.0


def _numbered(block: str) -> tuple[str, list[Token]]:
    """The block number as `N40` or "", and the other words."""
    found = list(tokens(block))
    at = 1 if found and found[0].kind is TokenKind.SKIP else 0
    if len(found) > at and found[at].address.upper() == "N" and found[at].value.isdigit():
        number = found.pop(at).value
        return f"N{number}", found
    return "", found


def _change(kind: ChangeKind, i: int, j: int, one: _Side, two: _Side) -> BlockChange:
    number, old_words = one.words(i) if i >= 0 else ("", [])
    new_number, new_words = two.words(j) if j >= 0 else ("", [])
    words: tuple[WordChange, ...] = ()
    if kind is ChangeKind.CHANGED:
        words = tuple(_word_changes(old_words, new_words, one.spelling))
        kind = kind if words else ChangeKind.ORDER
    old, old_line = (one.blocks[i], one.at[i] + 1) if i >= 0 else ("", 0)
    new, new_line = (two.blocks[j], two.at[j] + 1) if j >= 0 else ("", 0)
    return BlockChange(kind, number or new_number, old_line, new_line, old, new, words)


def _word_changes(old: list[Token], new: list[Token], spelling: Callable[[Token], str]) -> Iterator[WordChange]:
    """Words that changed their value, came or went; nothing if the same words only stand in another order."""
    old_spelt, new_spelt = [spelling(token) for token in old], [spelling(token) for token in new]
    hasty = max(len(old), len(new)) > _ALIGNED_WORDS
    matcher = SequenceMatcher(None, old_spelt, new_spelt, autojunk=hasty)
    gone: list[Token] = []
    came: list[Token] = []
    for tag, i, i_end, j, j_end in matcher.get_opcodes():
        if tag != "equal":
            gone += old[i:i_end]
            came += new[j:j_end]
    moved = Counter(map(spelling, gone)) & Counter(map(spelling, came))
    gone, came = beyond(gone, moved, spelling), beyond(came, moved, spelling)
    by_sort: defaultdict[tuple[str, str], deque[Token]] = defaultdict(deque)
    for token in came:
        by_sort[_sort(token)].append(token)
    for token in gone:
        same = by_sort[_sort(token)]
        became = same.popleft() if same else None
        yield WordChange(_category(token, became), token.address, _value(token), _value(became) if became else "")
    left = {id(token) for same in by_sort.values() for token in same}
    for token in came:
        if id(token) in left:
            yield WordChange(_category(token), token.address, "", _value(token))


def beyond(found: list[Token], stay: Counter[str], spelling: Callable[[Token], str]) -> list[Token]:
    """The tokens that are more than these, which are counted by their spelling."""
    left, more = Counter(stay), []
    for token in found:
        left[spelling(token)] -= 1
        if left[spelling(token)] < 0:
            more.append(token)
    return more


_COMMENTS: Final = (TokenKind.COMMENT, TokenKind.BAD_COMMENT, TokenKind.TAIL)


def _sort(token: Token) -> tuple[str, str]:
    """Tokens of the same sort can be the old and the new of one change."""
    kind = "comment" if token.kind in _COMMENTS else token.kind.value
    return kind, token.address.upper().replace(":", "O")


def _value(token: Token) -> str:
    return token.value if token.address else token.text


_BY_LETTER: Final = {
    **dict.fromkeys("FE", Category.FEED),
    "S": Category.SPEED,
    "T": Category.TOOL,
    **dict.fromkeys("DH", Category.TOOL_OFFSET),
    **dict.fromkeys("XYZUVWABC", Category.POSITION),
    **dict.fromkeys("IJKR", Category.ARC),
    **dict.fromkeys("GM", Category.FUNCTION),
    **dict.fromkeys("O:", Category.NUMBER),
}
_BY_KIND: Final = {
    **dict.fromkeys(_COMMENTS, Category.COMMENT),
    TokenKind.SKIP: Category.SKIP,
    TokenKind.SETTING: Category.VARIABLE,
    TokenKind.NAME: Category.NUMBER,
}


def _category(token: Token, became: Token | None = None) -> Category:
    if token.kind is not TokenKind.WORD:
        return _BY_KIND.get(token.kind, Category.OTHER)
    letter = token.address.lstrip(",").upper()
    if letter == "T" and became and _tool(token.value) and _tool(token.value) == _tool(became.value):
        return Category.TOOL_OFFSET
    return _BY_LETTER.get(letter, Category.OTHER)


def _tool(value: str) -> str:
    """The tool of T0101 or T101: all but the last two digits, which are its offset; "" for fewer than three digits."""
    return value[:-2].lstrip("0") if value.isdigit() and len(value) > 2 else ""
