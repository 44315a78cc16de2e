"""Code and parity of a punch that was heard at its own rate: how much like a part program each reading of it is.

Five readings of the same eight bits: ISO 646 with even parity, odd parity, bit 7 always 0 and bit 7 always 1 in bit 7, and
EIA RS-244. Each is scored by the log likelihood of its characters (a part program is digits, address letters, points,
signs and block ends; a character outside the code or with wrong parity is a fault that only noise makes) and looked at for
structure: words of letter and number, comments, marks and block ends.
"""

import enum
import math
import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

from dncd.choices import USUAL_ENDS, BlockEnd, TapeCode
from dncd.commissioning.resampling import BLANKS
from dncd.tape.codes import EOB, FAULT, Coder
from dncd.values import Frame, WireBytes


class Parity(enum.Enum):
    """What bit 7 of eight bits holds; OWN: it belongs to the code (EIA)."""

    EVEN = "E"
    ODD = "O"
    ALWAYS_0 = "0"
    ALWAYS_1 = "1"
    OWN = "own"


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read eight bits: code and parity. `decoded[b]`: the ISO 646 character of byte b, or FAULT."""

    code: TapeCode
    parity: Parity
    decoded: bytes

    @property
    def frame(self) -> str:
        """Its frame as the settings write it, with two stop bits: a receiver never sees whether there are two, and every
        receiver of one accepts them. Bit 7 always 1 is the first of them."""
        plain = {Parity.OWN: "8N2", Parity.ALWAYS_0: "8N2", Parity.ALWAYS_1: "7N2"}
        return plain.get(self.parity, f"7{self.parity.value}2")


def _readings() -> tuple[Reading, ...]:
    every = WireBytes(bytes(range(256)))
    tables = {
        Parity.EVEN: Coder(TapeCode.ISO, Frame.parse("7E1")).decode(every).chars,
        Parity.ODD: Coder(TapeCode.ISO, Frame.parse("7O1")).decode(every).chars,
        Parity.ALWAYS_0: Coder(TapeCode.ISO, Frame.parse("8N1")).decode(every).chars,
    }
    tables[Parity.ALWAYS_1] = tables[Parity.ALWAYS_0][128:] + tables[Parity.ALWAYS_0][:128]
    iso = tuple(Reading(TapeCode.ISO, parity, table) for parity, table in tables.items())
    return (*iso, Reading(TapeCode.EIA, Parity.OWN, Coder(TapeCode.EIA, Frame.parse("8N1")).decode(every).chars))


READINGS: Final = _readings()

_FAULTS: Final = 0.02
"""Share of characters that noise makes faulty, on a line that can still be used (common practice)."""

_SHARES: Final = (
    ("0123456789", 0.44),
    ("GXYZNFSTMRIJKOHDPQUW", 0.175),
    (".-", 0.088),
    ("\n", 0.04),
    ("\r ", 0.135),
    ("ABCELV", 0.0175),
    ("()%/+,;:#=[]*<>\t\x00\x7f", 0.06),
    ("abcdefghijklmnopqrstuvwxyz", 0.016),
)
"""Characters and the share of a part program that they make up together (counted over 300 generated lathe and mill
programs in several dialects, less a fortieth for faults and the rest); every other character shares what is left."""


def _char_scores() -> list[float]:
    rest = 1.0 - _FAULTS - sum(share for _, share in _SHARES)
    scores = [math.log(rest * 0.01 / 128)] * 256
    for char in range(0x20, 0x7F):
        scores[char] = math.log(rest * 0.99 / 95)
    for chars, share in _SHARES:
        for letter in chars:
            scores[ord(letter)] = math.log(share / len(chars))
    scores[FAULT] = math.log(_FAULTS / 128)
    return scores


_SCORES: Final = _char_scores()

_STOP_SCORES: Final = (math.log(0.99), math.log(0.01))
"""Log likelihood of a stop bit that is there, and of one that is not."""


def score(reading: Reading, sounds: Counter[tuple[int, bool]], stops_told: bool) -> float:
    """Log likelihood of the characters heard, read this way; counts as `resampling.sounds_of` gives them."""
    return sum(
        count * (_SCORES[reading.decoded[byte]] + (_STOP_SCORES[marked] if stops_told else 0.0))
        for (byte, marked), count in sounds.items()
    )


_STRUCTURE: Final = re.compile(
    rb"[A-Za-z][+-]?(?:\d+\.?\d*|\.\d+)"  # a word
    rb"|\([^()\n]*\)|<[^<>\n]*>"  # a comment, a program name
    rb"|[\r\n]+|%"  # block ends and marks
    rb"|[#\[\]=*,/;+-]|\d+\.?\d*|[A-Z]{2,5}(?=[\[# ])"  # what macros and block skips are made of
)


@dataclass(frozen=True, slots=True)
class Look:
    """What a reading makes of the bytes, as shares of the characters: fitting: those that are of the code; printable:
    printable ones, blanks and block ends; structure: those that stand in words, comments, marks and block ends, of those
    that are no blanks. block_ends: how often each was seen; marks, leader: how many."""

    fitting: float
    printable: float
    structure: float
    block_ends: Counter[BlockEnd]
    marks: int
    leader: int


def look(reading: Reading, data: bytes) -> Look:
    """The bytes of a punch, read this way. NULs and DC codes before and behind it do not count."""
    body = data.lstrip(BLANKS + _DC_CODES)
    leader = sum(byte in BLANKS for byte in data[: len(data) - len(body)])
    text = body.rstrip(BLANKS).translate(reading.decoded)
    solid = _solid(text)
    matched = sum(_solid(found[0]) for found in _STRUCTURE.finditer(text))
    return Look(
        fitting=1.0 - text.count(FAULT) / len(text) if text else 0.0,
        printable=sum(0x20 <= char < 0x7F or char in b"\t\r\n" for char in text) / len(text) if text else 0.0,
        structure=min(1.0, matched / solid) if solid else 0.0,
        block_ends=_block_ends(text),
        marks=text.count(b"%"),
        leader=leader,
    )


_DC_CODES: Final = b"\x11\x12\x14"
"""The codes with which a control announces a punch (DC2; DC1 and DC4 of a reader)."""


def _solid(piece: bytes) -> int:
    return sum(1 for char in piece if char not in b" \t\x00\x7f")


def _block_ends(text: bytes) -> Counter[BlockEnd]:
    names = {end.chars.encode(): end for end in USUAL_ENDS}
    runs = re.findall(rb"\r\0\0(?=[^\0\r\n])|[\r\n]+", text)
    found = Counter[BlockEnd]()
    for run in runs:  # empty blocks run together: LF LF is twice LF, CR LF CR LF twice CR LF
        for chars, end in names.items():
            times = len(run) // len(chars)
            if chars * times == run:
                found[end] += times
                break
    return found


def describe_dc(data: bytes, code: TapeCode) -> tuple[str, ...]:
    """Which device-control codes stand before and behind the punch, by name (two connection manuals: DC2, then DC4)."""
    names = {0x11: "DC1", 0x12: "DC2", 0x93: "DC3", 0x14: "DC4", 0x94: "DC4"}
    if code is not TapeCode.EIA:
        names[0x13] = "DC3"
    edge = [byte for byte in data[:3] + data[-3:] if byte in names and byte != EOB]
    return tuple(dict.fromkeys(names[byte] for byte in edge))
