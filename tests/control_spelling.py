"""How controls spell a program that they hold, and the smallest edits of an operator: text in, text out, by rule.

It reads blocks by searches of its own, so that what dncd makes of a spelling is held against something else than dncd.
"""

import random
import re
from collections.abc import Callable
from dataclasses import dataclass

COMMENT = re.compile(r"\([^()\n]*\)")
WORD = re.compile(r"(,?[A-Za-z:])[ \t]*([+-]?)[ \t]*(\d+\.?\d*|\.\d+)")
ROW = re.compile(rf"[ \t]*(?:/\d?)?(?:[ \t]*{WORD.pattern})*[ \t]*;?[ \t]*")
SKIP = re.compile(r"[ \t]*(/\d?(?=[^\d]))?")
FREE_G = {"90", "21", "17", "40"}
"""G words of four different groups: their order in a block says nothing (NISTIR 6556, Table 4)."""


@dataclass(frozen=True)
class Spelling:
    """What a control does to what it holds. A zero: "drop", "add" or "" for as it came."""

    blanks: str = ""  # "drop", "add"
    front: str = ""
    back: str = ""
    plus: str = ""
    comments: bool = True
    empty: bool = True
    order: bool = False
    colon: bool = False
    capitals: bool = False


BY_NAME = {
    "no blanks": Spelling(blanks="drop"),
    "no zeros in front": Spelling(front="drop"),
    "no zeros behind": Spelling(back="drop"),
    "all zeros": Spelling(front="add", back="add"),
    "no comments": Spelling(comments=False),
    "no empty blocks": Spelling(empty=False),
    "a colon": Spelling(colon=True),
    "own order": Spelling(order=True),
    "all of it": Spelling("drop", "drop", "drop", "drop", False, False, True, True, True),
}


def any_spelling(rng: random.Random) -> Spelling:
    zeros = ("", "drop", "add")
    return Spelling(
        *(rng.choice(zeros) for _ in range(4)), *(rng.random() < 0.5 for _ in range(5))
    )  # fmt: skip


def is_row(block: str) -> bool:
    """Whether a block is words and comments alone, with a word in it."""
    code = COMMENT.sub("", block)
    return bool(ROW.fullmatch(code) and WORD.search(code))


def spell(text: str, how: Spelling, rng: random.Random) -> str:
    blocks = [_spell(block, how, rng) for block in text.split("\n")[:-1]]
    if not how.empty:
        blocks = [block for block in blocks if block.strip(" \t;")]
    elif how.blanks == "add":
        blocks.insert(rng.randrange(len(blocks) + 1), "")
    return "".join(f"{block}\n" for block in blocks)


def _spell(block: str, how: Spelling, rng: random.Random) -> str:
    comments = COMMENT.findall(block) if how.comments else []
    if how.capitals:
        comments = [comment.upper() for comment in comments]
    code = COMMENT.sub("", block)
    gap = {"drop": "", "add": rng.choice([" ", "  ", "\t"]), "": " "}[how.blanks]
    if not ROW.fullmatch(code):
        if "<" not in code and how.blanks == "drop":
            code = code.replace(" ", "").replace("\t", "")
        if "<" not in code and how.capitals:
            code = code.upper()
        return gap.join([code.rstrip(), *comments])
    skip = SKIP.match(code)
    front = (skip[1] or "") if skip else ""
    words = WORD.findall(code)
    if how.order and _may_move(words):
        first = [word for word in words if word[0] in "NnOo:"]
        rest = [word for word in words if word not in first]
        rng.shuffle(rest)
        words = first + rest
    said = [_word(*word, how, rng) for word in words]
    if said and how.colon and said[0][0] in "Oo":
        said[0] = f":{said[0][1:]}"
    return front + gap.join(said + comments)


def _may_move(words: list[tuple[str, str, str]]) -> bool:
    letters = [letter.upper() for letter, _, _ in words]
    g = [number.lstrip("0") for letter, _, number in words if letter.upper() == "G"]
    if len(g) > 1 and not set(g) <= FREE_G:
        return False
    return "65" not in g and all(letter == "G" or letters.count(letter) == 1 for letter in letters)


def _word(letter: str, sign: str, number: str, how: Spelling, rng: random.Random) -> str:
    whole, point, part = number.partition(".")
    if how.front == "drop":
        whole = whole.lstrip("0") or ("0" if not part else "")
    elif how.front == "add":
        whole = "0" * rng.randrange(1, 3) + whole
    if point and how.back == "drop":
        part = part.rstrip("0")
        whole = whole if part else whole or "0"
    elif point and how.back == "add":
        part += "0" * rng.randrange(1, 3)
    if how.plus == "drop":
        sign = sign.replace("+", "")
    elif how.plus == "add" and letter.upper() in "XYZUWIJKR":
        sign = sign or "+"
    return f"{letter.upper() if how.capitals else letter}{sign}{whole}{point}{part}"


# --- edits -----------------------------------------------------------------------------------------------------------
def _rows(blocks: list[str]) -> list[int]:
    return [i for i, block in enumerate(blocks) if is_row(block)]


def _on_a_word(change: Callable[[str, str, str, random.Random], str], fits: Callable[[str, str, str], bool]):  # type: ignore[no-untyped-def]
    def edit(blocks: list[str], rng: random.Random) -> bool:
        found = [
            (i, word)
            for i in _rows(blocks)
            for word in WORD.finditer(COMMENT.sub(lambda c: "#" * len(c[0]), blocks[i]))
            if fits(word[1], word[2], word[3])
        ]
        if not found:
            return False
        i, word = rng.choice(found)
        blocks[i] = blocks[i][: word.start()] + change(word[1], word[2], word[3], rng) + blocks[i][word.end() :]
        return True

    return edit


def _digit(letter: str, sign: str, number: str, rng: random.Random) -> str:
    at = rng.choice([i for i, c in enumerate(number) if c.isdigit()])
    other = rng.choice([c for c in "0123456789" if c != number[at]])
    return f"{letter}{sign}{number[:at]}{other}{number[at + 1 :]}"


def _digit_gone(letter: str, sign: str, number: str, rng: random.Random) -> str:
    at = rng.choice([i for i, c in enumerate(number) if c in "123456789"])
    return f"{letter}{sign}{number[:at]}{number[at + 1 :]}"


def _value(blocks: list[str], i: int) -> list[tuple[str, bool, float]]:
    words = WORD.findall(COMMENT.sub("", blocks[i]))
    return sorted((letter.upper(), "." in number, float(sign + number)) for letter, sign, number in words)


def _without_word(blocks: list[str], rng: random.Random) -> tuple[int, str]:
    i = rng.choice(_rows(blocks))
    word = rng.choice(list(WORD.finditer(COMMENT.sub(lambda c: "#" * len(c[0]), blocks[i]))))
    blocks[i] = blocks[i][: word.start()] + blocks[i][word.end() :]
    return i, word[0]


def _word_gone(blocks: list[str], rng: random.Random) -> bool:
    _without_word(blocks, rng)
    return True


def _word_moved(blocks: list[str], rng: random.Random) -> bool:
    i, word = _without_word(blocks, rng)
    others = [j for j in _rows(blocks) if j != i]
    if not others:
        return False
    blocks[rng.choice(others)] += f" {word}"
    return True


def _word_new(blocks: list[str], rng: random.Random) -> bool:
    blocks[rng.choice(_rows(blocks))] += rng.choice([" M08", " F.1", " Z0."])
    return True


def _block_gone(blocks: list[str], rng: random.Random) -> bool:
    del blocks[rng.choice(_rows(blocks))]
    return True


def _block_new(blocks: list[str], rng: random.Random) -> bool:
    blocks.insert(rng.choice(_rows(blocks)), "G04 P500")
    return True


def _blocks_swapped(blocks: list[str], rng: random.Random) -> bool:
    rows = _rows(blocks)
    pairs = [(i, i + 1) for i in rows if i + 1 in rows and _value(blocks, i) != _value(blocks, i + 1)]
    if not pairs:
        return False
    i, j = rng.choice(pairs)
    blocks[i], blocks[j] = blocks[j], blocks[i]
    return True


def _blocks_joined(blocks: list[str], rng: random.Random) -> bool:
    rows = _rows(blocks)
    pairs = [i for i in rows if i + 1 in rows and "/" not in blocks[i + 1]]
    if not pairs:
        return False
    i = rng.choice(pairs)
    blocks[i : i + 2] = [f"{blocks[i].rstrip(' ;')} {blocks[i + 1]}"]
    return True


def _skipped(blocks: list[str], rng: random.Random) -> bool:
    free = [i for i in _rows(blocks) if "/" not in blocks[i]]
    i = rng.choice(free)
    blocks[i] = f"/{blocks[i]}"
    return True


EDITS = {
    "point gone": _on_a_word(lambda a, s, n, _: f"{a}{s}{n.replace('.', '')}", lambda _a, _s, n: "." in n),
    "point come": _on_a_word(lambda a, s, n, _: f"{a}{s}{n}.", lambda _a, _s, n: "." not in n),
    "point moved": _on_a_word(
        lambda a, s, n, _: f"{a}{s}{n.replace('.', '')[:1]}.{n.replace('.', '')[1:]}",
        lambda _a, _s, n: "." in n and float(n) != float(f"{n.replace('.', '')[:1]}.{n.replace('.', '')[1:]}"),
    ),
    "sign": _on_a_word(lambda a, s, n, _: f"{a}{'' if s == '-' else '-'}{n}", lambda a, _s, _n: a not in "NnOo:"),
    "digit": _on_a_word(_digit, lambda *_: True),
    "digit gone": _on_a_word(
        _digit_gone, lambda _a, _s, n: len(n.replace(".", "")) > 1 and any(c in "123456789" for c in n)
    ),
    "zero at the end": _on_a_word(lambda a, s, n, _: f"{a}{s}{n}0", lambda _a, _s, n: "." not in n and float(n) != 0),
    "letter": _on_a_word(lambda a, s, n, _: f"{'Q' if a != 'Q' else 'R'}{s}{n}", lambda a, _s, _n: a not in "NnOo:q"),
    "word gone": _word_gone,
    "word moved": _word_moved,
    "word new": _word_new,
    "block gone": _block_gone,
    "block new": _block_new,
    "blocks swapped": _blocks_swapped,
    "blocks joined": _blocks_joined,
    "skip": _skipped,
}


def edit(text: str, name: str, rng: random.Random) -> str:
    """The text with one edit of this sort; "" where the program has no place for it."""
    blocks = text.split("\n")[:-1]
    return "".join(f"{block}\n" for block in blocks) if EDITS[name](blocks, rng) else ""
