"""What each key of the settings file may be.

A key is a field of its dataclass in `dncd.values` (name, type, default). Here is only what the type cannot say: the range
of a number, the form of a text. Enums, booleans and frames need no line.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import MISSING, dataclass, fields
from enum import StrEnum
from importlib import resources
from typing import Any, Final, get_type_hints

from dncd import defaults, values
from dncd.choices import (
    CHARACTERS,
    OWN_ENDS,
    SAID,
    USUAL_ENDS,
    BlockEnd,
    NameFrom,
    Protocol,
    TapeCode,
    Weight,
    characters,
)
from dncd.outside.config_page import address, box, place
from dncd.peer_text import nearest
from dncd.program.findings import ALWAYS_REFUSED
from dncd.program.findings import KINDS as FINDINGS
from dncd.tape.codes import EIA_CUSTOMARY, EIA_STANDARD, Coder

TABLES: Final[Mapping[str, type]] = {
    "line": values.LineSettings,
    "tape": values.TapeSettings,
    "send": values.SendSettings,
    "receive": values.ReceiveSettings,
    "program": values.ProgramSettings,
    "keys": values.Keys,
    "seat": values.SeatSettings,
}
"""The tables of one machine, in the order in which they are shown."""

USUAL_FRAMES: Final = (
    *("7E1", "7E2", "7O1", "7O2", "8N1", "8N2", "8E1", "8O1", "7N2", "8E2", "8O2"),
    *("7M1", "7S1", "7M2", "7S2"),
)
"""Frames that a wrong one is compared with."""

MACHINE_NAME: Final = re.compile(r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?")
MACHINE_NAME_ALLOWED: Final = "a-z, 0-9 and - (not at the ends), at most 64 characters: it is also a folder's name"

NOT_A_MARK: Final = "/():;#<>+-.,[]="
"""Characters that begin or end something else in a block, so that a mark line could not be told from a block."""


_INSTEAD: Final = re.compile(r"[A-Za-z@\[\\\]^`{|}~]{1,8}")
"""Letters, and where the national forms of ISO 646 have theirs; no digit, for X1² must never go out as X12."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What one key may be, or one value of the file made what dncd holds. check: gives the value as dncd holds it,
    ValueError when it is not allowed; allowed: what is, for people; near: values that a wrong one is compared with;
    inside: of a value that is a table, each entry that does not hold, as key, value and what is wrong. Nothing is
    converted on the way: "7" is no number and neither is true, but 3 is a fine 3.0."""

    check: Callable[[Any], Any]
    allowed: str
    near: tuple[str, ...] = ()
    inside: Callable[[Mapping[str, Any]], Iterator[tuple[str, Any, str]]] = lambda _: iter(())


def _whole(low: int, high: int, unit: str) -> Rule:
    return _if(lambda v: type(v) is int and low <= v <= high, f"a whole number of {unit} from {low} to {high}")


def _number(low: float, high: float, unit: str) -> Rule:
    def check(value: object) -> float:
        # nan is in no range
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise ValueError
        return float(value)

    return Rule(check, f"a number of {unit} from {low:g} to {high:g}")


def _text(pattern: str, allowed: str, near: tuple[str, ...] = ()) -> Rule:
    """pattern: a regular expression for the whole text."""
    return _if(lambda v: isinstance(v, str) and bool(re.fullmatch(pattern, v)), allowed, near)


def _word(kind: type[StrEnum]) -> Rule:
    words = tuple(map(str, kind))
    return Rule(kind, "one of " + ", ".join(f'"{w}"' for w in words), words)


def _if(holds: Callable[[Any], bool], allowed: str, near: tuple[str, ...] = ()) -> Rule:
    def check(value: object) -> Any:
        if not holds(value):
            raise ValueError
        return value

    return Rule(check, allowed, near)


def _frame(value: object) -> values.Frame:
    if not isinstance(value, str):
        raise ValueError
    return values.Frame.parse(value)


def _block_end(value: object) -> BlockEnd:
    if isinstance(value, list) and all(isinstance(word, str) for word in value):
        value = " ".join(value)
    if not isinstance(value, str):
        raise ValueError
    return BlockEnd(value)


def _eia_codes(value: object) -> tuple[tuple[str, int], ...]:
    if not isinstance(value, dict) or any(type(code) is not int for code in value.values()):
        raise ValueError
    Coder(TapeCode.EIA, values.Frame.parse("8N1"), value)
    return tuple(sorted(value.items()))


def _findings(value: object) -> tuple[tuple[str, Weight], ...]:
    """Codes and weights that are not as shipped, in the order of the list."""
    if not isinstance(value, dict) or any(True for _ in _finding_faults(value)):
        raise ValueError
    given = {code: Weight(weight) for code, weight in value.items()}
    return tuple((code, given[code]) for code, kind in FINDINGS.items() if given.get(code, kind.weight) != kind.weight)


def _replacements(value: object) -> tuple[tuple[str, str], ...]:
    """No key in ASCII and no value out of it: nothing is replaced twice, and no code's own character is touched."""
    if not isinstance(value, dict) or not all(
        len(key) == 1 and not key.isascii() and key.isprintable() and isinstance(to, str) and _INSTEAD.fullmatch(to)
        for key, to in value.items()
    ):
        raise ValueError
    return tuple(value.items())


def _finding_faults(table: Mapping[str, Any]) -> Iterator[tuple[str, Any, str]]:
    for code, weight in table.items():
        if code not in FINDINGS:
            found = nearest(code.replace("_", "-"), FINDINGS)
            near = f"did you mean '{found}'?" if found else "known are " + ", ".join(FINDINGS)
            yield code, weight, f"no finding is called so; {near}"
        elif weight not in tuple(Weight):
            yield code, weight, "allowed: one of " + ", ".join(f'"{w}"' for w in Weight)
        elif code in ALWAYS_REFUSED and weight != Weight.REFUSE:
            yield code, weight, 'allowed: "refuse" alone, for such a file cannot be sent'


def _name_from(value: object) -> tuple[NameFrom, ...]:
    """The number comes first in any case (contract, 5)."""
    if not isinstance(value, list) or len({*map(str, value)}) < len(value) or NameFrom.NUMBER in value[1:]:
        raise ValueError
    return tuple(dict.fromkeys([NameFrom.NUMBER, *map(NameFrom, value)]))


def written(value: Any) -> Any:
    """A list of words or a table, as it is written in the file; any other value as it is."""
    if not isinstance(value, tuple):
        return value
    return list(map(str, value)) if isinstance(next(iter(value), ()), str) else dict(value)


_PROFILES: Final = resources.files("dncd.outside").joinpath("profiles")
PROFILES: Final = tuple(sorted(p.name.removesuffix(".toml") for p in _PROFILES.iterdir() if p.name.endswith(".toml")))

_HOST = r"(\[[0-9A-Fa-f:.]+\]|[^/:@\s\x00-\x1f]+)"
_PORT_NUMBER = r"(6553[0-5]|655[0-2]\d|65[0-4]\d\d|6[0-4]\d{3}|[1-5]\d{4}|[1-9]\d{0,3})"

_GIT_HOST = r"(\[[0-9A-Fa-f:.]+\]|[^-/:@?#\s\x00-\x1f][^/:@?#\s\x00-\x1f]*)"
_GIT_PATH = r"[^\x00-\x20?#]+"  # a question mark would begin a query, where tokens are given
_REMOTE = (
    rf"|/[^\x00-\x1f]*|file:///[^\x00-\x1f]+|https?://{_GIT_HOST}(:{_PORT_NUMBER})?/{_GIT_PATH}"
    rf"|(ssh|git)://([A-Za-z0-9_][A-Za-z0-9._-]*@)?{_GIT_HOST}(:{_PORT_NUMBER})?/{_GIT_PATH}"
    r"|([A-Za-z0-9_][A-Za-z0-9._-]*@)?[A-Za-z0-9][A-Za-z0-9.-]*:[^\x00-\x20:/@?#-][^\x00-\x20@?#]*"
    r"|([A-Za-z0-9_][A-Za-z0-9._-]*@)[A-Za-z0-9][A-Za-z0-9.-]*:/[^\x00-\x20@?#]+"
)
"""What git may be told to push to; nothing that git would take for an option or for a command of its own to run."""

_NAME = r"[A-Za-z0-9._:-]{1,253}"

_BAUDS = tuple(map(str, defaults.BAUDS))

_KEY = _text(r"[!-~]([ -~]{0,22}[!-~])?", "what is written on the key: 1 to 24 characters, such as INPUT")

_SAID = _text(
    rf"|{SAID}(?: {SAID}){{0,40}}",
    f'texts in single quotes, and {", ".join(CHARACTERS)}, with blanks between, such as "\'LOAD\' CR LF" or "SUB"',
)

_MARK = f"(?![A-Za-z0-9{re.escape(NOT_A_MARK)}])[!-~]"
_MARK_ALLOWED = f"one printable character that begins no block, such as %; not a letter, a digit or one of {NOT_A_MARK}"

_PHRASE = _text(
    r"|(?=.{1,40}$)[!-~]+( [!-~]+)*", 'printable characters with single blanks, at most 40, such as "BEGIN PART", or ""'
)

RULES: Final[Mapping[str, Rule]] = {
    "library.remote": _text(
        _REMOTE,
        "empty, or a path that starts with /, or ssh://USER@HOST/PATH, USER@HOST:PATH, https://HOST/PATH, git:// or "
        "file://; without a password or a token, and in https:// without a user: git's credential settings and ssh's keys "
        "hold them",
    ),
    "library.branch": _text(
        r"(?!.*(\.\.|\.lock$))[A-Za-z0-9]([A-Za-z0-9._-]{0,62}[A-Za-z0-9_-])?",
        "a branch's name: letters, digits, - . and _, at most 64 characters",
    ),
    "page.listen": _if(
        lambda v: isinstance(v, str) and place(v) is not None,
        'an address of this computer and a port, such as "127.0.0.1:8750", "192.168.10.5:8750" or "[::]:8750"',
    ),
    "page.names": _text(
        rf"|{_NAME}( {_NAME})*", 'names or addresses without a port, with a blank between, such as "dncd.shop.lan box"'
    ),
    **{
        f"page.{key}": _text(
            r"[^\x00]*", f"the path of a file of {what}; a relative one starts at the folder of this file"
        )
        for key, what in (("certificate", "PEM"), ("key", "PEM"), ("box_ca", "PEM"), ("box_tokens", "lines NAME TOKEN"))
    },
    "page.boxes": _if(
        lambda v: isinstance(v, str) and (not v or all(map(box, v.split(" ")))),
        'NAME=ADDRESS of other boxes with a blank between, such as "hall-2=https://dncd-2.shop.lan:8750/"; https alone',
    ),
    "page.behind_proxy": _if(
        lambda v: isinstance(v, str) and all(map(address, v.split(" ") if v else ())),
        'addresses with a blank between, such as "127.0.0.1 192.168.10.2"',
    ),
    "shop.folder": _text(r"[^\x00]+", "a path; a relative one starts at the folder of this file"),
    "shop.state": _text(r"[^\x00]+", "a path; a relative one starts at the folder of this file"),
    "shop.settle_s": _number(0.05, 600, "seconds"),
    "shop.file_extension": _text(
        r"(?!\.(tmp|part)$)\.[A-Za-z0-9_-]{1,10}", "a point and 1 to 10 letters or digits, but not .tmp or .part"
    ),
    "shop.metrics": _text(
        rf"|(127\.\d{{1,3}}\.\d{{1,3}}\.\d{{1,3}}|localhost|\[::1\]):{_PORT_NUMBER}|/[^\x00-\x1f]{{1,100}}",
        'an address of this machine such as "127.0.0.1:9750", the path of a socket that starts with /, or ""',
    ),
    "machine.title": _if(
        lambda v: isinstance(v, str) and len(v) <= defaults.NAME_CHARS and v.isprintable(),
        f"printable, at most {defaults.NAME_CHARS} characters",
    ),
    "machine.profile": _text("|".join(map(re.escape, PROFILES)), "one of " + ", ".join(PROFILES), PROFILES),
    "machine.backup_days": _whole(0, 3650, "days"),
    "line.port": _text(
        rf"/[^\x00-\x1f]+|(socket|rfc2217)://{_HOST}:{_PORT_NUMBER}",
        "a path that starts with /, or socket://HOST:PORT, or rfc2217://HOST:PORT",
    ),
    "line.baud": _if(lambda v: type(v) is int and v in defaults.BAUDS, "one of " + ", ".join(_BAUDS), _BAUDS),
    "line.ahead_chars": _whole(1, 4096, "characters"),
    "tape.mark": _text(_MARK, _MARK_ALLOWED, ("%",)),
    "tape.end_mark": _text(f"|{_MARK}", f'{_MARK_ALLOWED}; or "" for the same as mark', ("%",)),
    "tape.block_end": Rule(
        _block_end,
        f"one to four of CR, LF (EOB in EIA code), {' '.join(OWN_ENDS)}, and behind the first NUL or DEL, or a list of "
        'them, such as "CR LF", "; LF" or ["CR", "NUL", "NUL"]',
        tuple(USUAL_ENDS),
    ),
    "tape.leader_chars": _whole(0, defaults.LONGEST_LEADER_CHARS, "characters"),
    "tape.trailer_chars": _whole(0, defaults.LONGEST_LEADER_CHARS, "characters"),
    "tape.eia_codes": Rule(
        _eia_codes,
        "a table of character = code, each code from 0x01 to 0x7F with an odd number of holes and in no other use, "
        'such as { "%" = 0x0B, "(" = 0x1A }',
    ),
    "send.dc1_stays_s": _number(0, 86400, "seconds"),
    "send.stall_s": _number(1, 86400, "seconds"),
    "send.stale_h": _number(0, 8760, "hours"),
    "send.again": _whole(1, defaults.MOST_AGAIN, "times"),
    "send.after_char_s": _number(0, 10, "seconds"),
    "send.after_block_s": _number(0, 60, "seconds"),
    "send.before": _SAID,
    "send.wait_for": _SAID,
    "send.wait_s": _number(0.1, 3600, "seconds"),
    "send.after": _SAID,
    "receive.silence_s": _number(0.1, 3600, "seconds"),
    "program.memory_chars": _whole(1, defaults.FILE_BYTES, "characters"),
    "program.longest_block_chars": _whole(1, 100_000, "characters"),
    "program.end_words": _text(
        r"[!-~]{1,20}( [!-~]{1,20}){0,19}", 'words of printable characters with a blank between, such as "M02 M30 END"'
    ),
    "program.begins_with": _PHRASE,
    "program.ends_with": _PHRASE,
    "program.name_from": Rule(
        _name_from,
        'a list such as ["number", "comment"], of "comment", "word" and "sent" each once; the number comes first',
    ),
    "program.replace": Rule(
        _replacements,
        'a table of character = what goes out for it, such as { "Ü" = "UE", "ß" = "SS" }: one character outside '
        "ASCII, and 1 to 8 of the letters A to Z, a to z and @[\\]^`{|}~",
    ),
    "program.lowest_number": _whole(0, defaults.HIGHEST_NUMBER, "program numbers"),
    "program.highest_number": _whole(0, defaults.HIGHEST_NUMBER, "program numbers"),
    "keys.read": _KEY,
    "keys.punch": _KEY,
    "keys.reset": _KEY,
    "seat.switch": _text(
        r"([a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?)?", "a name of a-z, 0-9 and -, the same for each machine on it"
    ),
    "seat.code": _text(r"[\x01-\x7f]{0,32}", 'up to 32 characters of seven bits, such as "\\u0002A"'),
    "program.findings": Rule(
        _findings,
        'a table of finding = "refuse", "warn" or "off", such as { "no-end" = "refuse" }',
        inside=_finding_faults,
    ),
}
"""By table and key. The ranges are those that `dncd.defaults` gives with each number, held together by a test."""


def rule(table: str, key: str, kind: Any) -> Rule:
    """The rule for a field: its line in RULES, else what its type says."""
    if found := RULES.get(f"{table}.{key}"):
        return found
    if kind is values.Frame:
        allowed = (
            "data bits 5 to 8, parity N, E, O (7 bits also M, S), and stop bits 1, 1.5, 2, such as 7E1, 7E2, 7O1 or 8N1"
        )
        return Rule(_frame, allowed, USUAL_FRAMES)
    if kind is bool:
        return _if(lambda v: isinstance(v, bool), "true or false, without quotes", ("true", "false"))
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return _word(kind)
    raise TypeError(f"{table}.{key} is a {kind} and needs a line in RULES")


@dataclass(frozen=True, slots=True)
class Table:
    """One kind of table: the rule of each key, and the values that hold where a key is absent."""

    rules: Mapping[str, Rule]
    defaults: Mapping[str, Any]


def _table(name: str, kinds: Mapping[str, Any], given: Mapping[str, Any]) -> Table:
    return Table({key: rule(name, key, kind) for key, kind in kinds.items()}, given)


def _of_dataclass(name: str, kind: type, **more: Any) -> Table:
    given = dict(more)
    for f in fields(kind):
        if f.default is not MISSING:
            given[f.name] = f.default
        elif f.default_factory is not MISSING:
            given[f.name] = f.default_factory()
    return _table(name, get_type_hints(kind), given)


KINDS: Final[Mapping[str, Table]] = {
    "shop": _of_dataclass("shop", values.ShopSettings, folder=defaults.FOLDER, state=defaults.STATE),
    "library": _of_dataclass("library", values.LibrarySettings),
    "page": _of_dataclass("page", values.PageSettings),
    "machine": _table(
        "machine",
        {"title": str, "profile": str, "backup_days": int},
        {"title": "", "profile": None, "backup_days": defaults.BACKUP_DAYS},
    ),
    **{name: _of_dataclass(name, kind) for name, kind in TABLES.items()},
}


_Get = Callable[[str], Any]


def tape_faults(tape: _Get) -> Iterator[tuple[str, str]]:
    """Keys of a tape and why they cannot be: EIA code needs a byte for each mark and for all that ends a block; an end of
    ISO code that settings of old have is EOB there. tape: as `said_faults`."""
    ends, codes = tape("block_end") or USUAL_ENDS[0], tape("eia_codes")
    marks = [(key, tape(key) or "") for key in ("mark", "end_mark")]
    if tape("code") is TapeCode.EIA and codes is not None:
        carried = {*EIA_STANDARD, *EIA_CUSTOMARY, *dict(codes), "LF", "EOB", "NUL", "DEL"}
        for key, words in *marks, ("block_end", "" if ends in USUAL_ENDS else ends):
            if lacking := [word for word in words.split() if word not in carried]:
                instead = "EOB ends a block" if lacking[0] == "CR" else "give it one in tape.eia_codes"
                yield key, f"EIA code has no byte for {lacking[0]}; {instead}"
    if ends.own & {mark for _, mark in marks}:
        yield "block_end", "what ends a block cannot be a mark as well"


def said_faults(line: _Get, tape: _Get, send: _Get) -> Iterator[tuple[str, str]]:
    """Keys of what is said around a program, and why it cannot be: it must have a code, and belongs to plain lines.
    line, tape, send: give a table's value of a key, None where that does not hold."""
    coder = Coder(tape("code") or TapeCode.ISO, values.Frame.parse("8N1"), dict(tape("eia_codes") or ()))
    for key in [key for key in ("before", "wait_for", "after") if send(key)]:
        try:
            coder.forms(characters(send(key)))
        except ValueError as error:
            yield key, str(error)
        if key != "after" and line("protocol") not in (None, Protocol.PLAIN):
            yield key, f'protocol = "{line("protocol")}" has nothing before its packets; it is for protocol = "plain"'
        elif key == "wait_for" and send("before") == "":
            yield key, "nothing is said that the control could answer: set before"


def profile_text(name: str) -> str:
    """The TOML of a shipped starting point; `name` is one of PROFILES."""
    return _PROFILES.joinpath(f"{name}.toml").read_text("utf-8")
