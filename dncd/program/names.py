"""The name of a program: its number, else the name on its mark line or in `<...>`; its title; and safe names.

| form                                   | name    | source                                               |
|----------------------------------------|---------|------------------------------------------------------|
| `O0004`, `O4`, `O 0004`, `O00000004`   | O0004   | O and four digits (a lathe textbook); 8 on later ones|
| `:0004` at a start or after an end     | O0004   | a lathe control; inside a program it is an alignment |
|                                        |         | function instead (RS-274, memory)                    |
| `%0004`, `%O0004`, `%:0004`            | O0004   | common practice                                      |
| `%SHAFT`, `%<SHAFT>`                   | SHAFT   | a PC control                                         |
| `<SHAFT>`, `O<SHAFT>` likewise         | SHAFT   | common practice                                      |
| `O100 SUB`, `O100 WHILE [...]`         | none    | flow words of a dialect, no program number           |

Without any of these: the first comment, or the word behind the one that opens conversational text, if the settings say so.
"""

import functools
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from dncd import defaults
from dncd.choices import NameFrom

MOST_DIGITS: Final = 8
"""Digits of a program number on the largest controls (a later control's data formats)."""

ENDS: Final = tuple(defaults.END_WORDS.split())
"""What ends a program where the settings say nothing else."""

TITLE_CHARS: Final = 4_096
"""Characters after a program's number within which its title is looked for: a comment further down is none."""

_LONGEST_BYTES: Final = 200
"""UTF-8 bytes of a safe name: with ` (2)`, an extension and `.receipt.txt` it stays inside the 255 of a file name."""

_FLOW: Final = (
    r"(?:SUB|ENDSUB|CALL|WHILE|ENDWHILE|DO|IF|ELSEIF|ELSE|ENDIF|REPEAT|ENDREPEAT|RETURN|BREAK|CONTINUE)(?![A-Z])"
)
_HEAD: Final = re.compile(
    rf"^[ \t]*+(?:(?P<letter>[Oo:])[ \t]*+(?P<digits>\d++)|(?:[Oo][ \t]*+)?<(?P<name>[^<>\n]+)>)(?![ \t]*(?i:{_FLOW}))",
    re.MULTILINE,
)
_COMMENT: Final = re.compile(r"\(([^()\n]*)\)?")
_TITLE: Final = re.compile(r"\(([^()\n]*[^()\s][^()\n]*)\)?")
_NUMBERED_WORD: Final = re.compile(r"([A-Za-z])0*(\d+)")
_NUMBERED_MARK: Final = re.compile(r"[Oo:]?[ \t]*(\d+)(?![\w.])")

_SAID: Final = re.compile(r"[Oo:]?[0-9]+")

_TWIN: Final = re.compile(r"\A(O\d{4,8})-\d+\Z")

_UNSAFE: Final = re.compile(r'[<>:"/\\|?*~]')
_RESERVED: Final = re.compile(r"(?i:CON|PRN|AUX|NUL|COM[0-9¹²³]|LPT[0-9¹²³])(?=$|\.)")


@dataclass(frozen=True, slots=True)
class Head:
    """Where a program begins. at: index in the text, 0 on a mark line; name: safe, "" where a mark line says none; number:
    -1 where none is said; title or ""."""

    at: int
    name: str
    number: int
    title: str


NO_HEAD: Final = Head(0, "", -1, "")


def number_name(digits: str) -> str:
    """`O` and at least four digits: 4 and 0004 give O0004, 00012345 gives O12345; "" above MOST_DIGITS digits."""
    bare = digits.lstrip("0")
    return f"O{bare:0>4}" if len(bare) <= MOST_DIGITS and bare.isascii() else ""


def spelt(said: str) -> str:
    """4, o4 and 0004 as the library has them, O0004; anything else as it is."""
    return file_name(said) if _SAID.fullmatch(said) else said


def file_name(file: str) -> str:
    """The name of a program that a file is called by, without its extension: its number, else a safe name; "" for ""."""
    stem = file.rpartition(".")[0] or file
    found = re.fullmatch(r"[Oo:]?(\d+)", stem)
    return (number_name(found[1]) if found else "") or (safe_name(stem) if stem else "")


def own_name(program: str) -> str:
    """The name that a program says: of `O0004-2`, the second of its number in one text, it is O0004."""
    return _TWIN.sub(r"\1", program)


def mark_name(line: str, mark: str) -> Head:
    """The name and title on a mark line, for which "" may stand where there is none."""
    text = line.removeprefix(mark)
    title = title_in(text)
    plain = _COMMENT.sub(" ", text).strip(" \t;")
    if plain.startswith("<") and ">" in plain:
        plain = plain[1 : plain.index(">")].strip()
    elif plain[:1] in ("O", "o") and plain[1:2] == "<":
        plain = plain[2:].partition(">")[0].strip()
    found = _NUMBERED_MARK.match(plain)
    name = number_name(found[1]) if found else ""
    if found and name:
        return Head(0, name, int(found[1]), title)
    return Head(0, safe_name(plain) if plain else "", -1, title)


def chosen(name_from: Sequence[NameFrom], title: str, text: str, begins_with: str) -> str:
    """The safe name of a program without number and name, "" for none: its title, or what stands up to the next blank
    behind the words that its text begins with."""
    found = _first_in_block(begins_with).search(text, 0, TITLE_CHARS)
    word = without_comments(found[1]).replace('"', " ").split()[:1] if found else ()
    said = {NameFrom.COMMENT: title, NameFrom.WORD: "".join(word)}
    return next((safe_name(said[source]) for source in name_from if said.get(source)), "")


@functools.lru_cache
def _first_in_block(words: str) -> re.Pattern[str]:
    said = "[ \\t]+".join(map(re.escape, words.split())) or "(?!)"
    return re.compile(rf"^[ \t]*(?:[Nn]?\d+[ \t]+)?{said}(?![A-Za-z0-9])([^\n]*)\n?", re.MULTILINE | re.IGNORECASE)


def block_with(text: str, words: str, at: int = 0) -> tuple[int, int]:
    """Where the first block from `at` on starts and ends that begins with these words, perhaps behind a block number. The
    end of the text for both, where there is none or no word."""
    found = _first_in_block(words).search(text, at)
    return found.span() if found else (len(text), len(text))


def heads(text: str, before: str = "", words: tuple[str, ...] = ENDS) -> Iterator[Head]:
    """The beginnings of programs in a text, or in a piece of one that starts at a block. before: the last block before
    the text that is neither empty nor only a comment, "" at the start of a program. words: what ends a program."""
    starts: list[tuple[int, str, int]] = []
    for found in _HEAD.finditer(text):
        digits = found["digits"]
        name = number_name(digits) if digits else safe_name(found["name"])
        if not name:
            continue
        if found["letter"] not in ("O", "o"):  # `:` and `<...>` mean something else inside a program
            last = last_code(text, found.start()) or before
            if last and not is_end(last, words):
                continue
        starts.append((found.start(), name, int(digits) if digits else -1))
    for (at, name, number), (end, *_) in pairwise([*starts, (len(text), "", -1)]):
        yield Head(at, name, number, title_in(text[at : min(end, at + TITLE_CHARS)]))


def title_in(text: str) -> str:
    """The first comment that says anything, without its brackets; "" if there is none."""
    found = _TITLE.search(text)
    return " ".join(found[1].split()) if found else ""


def without_comments(block: str) -> str:
    """The block with its comments taken out, also one that is left open."""
    return _COMMENT.sub("", block).replace(")", "") if "(" in block or ")" in block else block


def is_code(block: str) -> bool:
    """Whether a block says more than comments and blanks."""
    return bool(without_comments(block).strip(" \t;\r\n"))


@functools.lru_cache
def _end_word(words: tuple[str, ...]) -> re.Pattern[str]:
    """words: in one of a letter and a number, zeros in front do not count; a blank inside stands for any."""
    numbered = "|".join(f"{found[1]}[ \\t]*0*{found[2]}" for found in map(_NUMBERED_WORD.fullmatch, words) if found)
    plain = "|".join(
        "[ \\t]+".join(map(re.escape, word.split())) for word in words if not _NUMBERED_WORD.fullmatch(word)
    )
    return re.compile(
        rf"(?<![A-Za-z])(?:{numbered or '(?!)'})(?![\d.])|(?<![A-Za-z0-9])(?:{plain or '(?!)'})(?![A-Za-z0-9.])",
        re.IGNORECASE,
    )


def listed(words: tuple[str, ...]) -> str:
    """What ends a program, to be read: `M02, M30 or M99`."""
    *most, last = words
    return f"{', '.join(most)} or {last}" if most else last


def is_end(block: str, words: tuple[str, ...] = ENDS) -> bool:
    """Whether a block ends a program: it has one of the words outside comments."""
    return _end_word(words).search(without_comments(block)) is not None


def end_in(text: str, words: tuple[str, ...]) -> tuple[int, str]:
    """Index behind the last block that says something, without block end, and the end word in it, "" for none."""
    block = last_code(text, len(text))
    found = _end_word(words).search(without_comments(block))
    return last_code_at(text, len(text)) + len(block), found[0] if found else ""


def has_end(text: str, words: tuple[str, ...] = ENDS) -> bool:
    """Whether the last block that says something ends a program."""
    return is_end(last_code(text, len(text)), words)


def is_shell(text: str) -> bool:
    """Whether a program is a number or name and no block."""
    blocks = [block for block in text.split("\n") if is_code(block)]
    return not blocks or (
        len(blocks) == 1 and (head := _HEAD.match(blocks[0])) is not None and not is_code(blocks[0][head.end() :])
    )


def ends(text: str, words: tuple[str, ...] = ENDS) -> Iterator[int]:
    """Index behind each block that ends a program."""
    for found in _end_word(words).finditer(text):
        start = text.rfind("\n", 0, found.start()) + 1
        stop = text.find("\n", found.end()) + 1 or len(text)
        if is_end(text[start:stop], words):
            yield stop


def last_code(text: str, end: int) -> str:
    """The last block before index `end` that is neither empty nor only a comment, "" if there is none."""
    at = last_code_at(text, end)
    if at < 0:
        return ""
    stop = text.find("\n", at)
    return text[at : stop if stop >= 0 else len(text)]


def last_code_at(text: str, end: int) -> int:
    """Where `last_code` starts, -1 if there is none."""
    while end > 0:
        start = text.rfind("\n", 0, end - 1) + 1
        if is_code(text[start:end]):
            return start
        end = start
    return -1


def safe_name(text: str) -> str:
    """The text as a name that a file, a git path, an office PC and a terminal can bear; `UNNAMED` if nothing is left.
    One name: no separators, control or invisible characters, none that Windows reserves in names or that git treats as
    an alias (`~`), not hidden, not an option, no blank or point at its end, not longer than defaults.NAME_CHARS. A safe
    name is its own safe name."""
    name = unicodedata.normalize("NFC", text[: 4 * defaults.NAME_CHARS])
    name = "".join(c if c.isprintable() else "-" for c in _UNSAFE.sub("-", name))
    name = name.lstrip(" .-\u3000").strip()[: defaults.NAME_CHARS]
    name = name.encode("utf-8", "replace")[:_LONGEST_BYTES].decode("utf-8", "ignore").rstrip(" .")
    if not name:
        return "UNNAMED"
    return f"_{name}"[: defaults.NAME_CHARS] if _RESERVED.match(name) else name
