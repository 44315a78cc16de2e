"""The device-control codes of reader and punch as they may stand on an eight-bit line.

DC1 reader on, DC2 punch on, DC3 reader off, DC4 punch off (two connection manuals; `control_chars.csv`). With even
parity DC3 is 0x93. In EIA code 0x13 is the digit 3, so it is a stop only while nothing but codes can come from the
control: while dncd sends. A receiver reads each byte as a letter of a second string that runs beside the data (`Alphabet`).
"""

import enum
from dataclasses import dataclass
from typing import Final

from dncd.choices import EndsOn, TapeCode
from dncd.tape import wording
from dncd.tape.codes import Coder
from dncd.values import IsoBytes, WireBytes


class ReaderCode(enum.Enum):
    """A device-control code, whatever its parity bit."""

    DC1 = 0x11
    DC2 = 0x12
    DC3 = 0x13
    DC4 = 0x14


@dataclass(frozen=True, slots=True)
class CodeBytes:
    """Which bytes are which signal, in one situation of the line."""

    meaning: dict[int, ReaderCode]


_WITH_AND_WITHOUT_PARITY = {byte: signal for signal in ReaderCode for byte in (signal.value, signal.value | 0x80)}

WHILE_SENDING = CodeBytes(_WITH_AND_WITHOUT_PARITY)
"""While dncd sends, a control says nothing but codes: with and without the parity bit."""

_EIA_IDLE = {byte: signal for byte, signal in _WITH_AND_WITHOUT_PARITY.items() if byte != ReaderCode.DC3.value}


def when_idle(code: TapeCode) -> CodeBytes:
    """The codes on an idle line: in EIA 0x13 may begin a program, so DC3 is 0x93 alone."""
    return CodeBytes(_EIA_IDLE if code is TapeCode.EIA else _WITH_AND_WITHOUT_PARITY)


MARK, OPENS, CLOSES = b"M", b"O", b"C"
MARKS: Final = (MARK, OPENS, CLOSES)
"""Letters of a mark: of one that opens and closes, or of two, one for each."""
_SIGNALS: Final = {ReaderCode.DC1: b"1", ReaderCode.DC2: b"2", ReaderCode.DC3: b"3", ReaderCode.DC4: b"4"}
SIGNS: Final = {EndsOn.DC4: _SIGNALS[ReaderCode.DC4], EndsOn.SUB: b"S", EndsOn.EOT: b"T"}
"""Letters of the characters that end a capture. They, MARKS and DC1 to DC4 (1 to 4) stand beside those of `tape.wording`."""


@dataclass(frozen=True, slots=True)
class Alphabet:
    """How the receiver reads bytes: a table of 256 class letters, and how many characters of a block end are read."""

    classes: bytes
    block_end_chars: int

    @classmethod
    def of(cls, coder: Coder, mark: str, closes: str) -> "Alphabet":
        """coder: the machine's; mark: its opening mark, "" for none; closes: its closing one. In a frame with parity
        only a byte of right parity is a mark, a block end or a signal inside a capture: one flipped bit must never make
        a signal out of a character."""
        table = bytearray(coder.decode(WireBytes(bytes(range(256)))).chars.translate(wording.CLASSES))
        named = {bytes([signal.value]): letter for signal, letter in _SIGNALS.items()}
        named |= {end.chars: letter for end, letter in SIGNS.items() if coder.code in end.codes}
        if mark:
            named |= {closes.encode("ascii"): CLOSES, mark.encode("ascii"): MARK if mark == closes else OPENS}
        for char, letter in named.items():
            table[coder.encode(IsoBytes(char))[0]] = letter[0]
        return cls(bytes(table), len(coder.ends.read))

    def when_idle(self, code: TapeCode) -> bytes:
        """The table of an idle line: every form of a signal but DC4 counts there."""
        table = bytearray(self.classes)
        for byte, signal in when_idle(code).meaning.items():
            if signal is not ReaderCode.DC4:
                table[byte] = _SIGNALS[signal][0]
        return bytes(table)


def letters(data: bytes, at: int, bad: tuple[int, ...], table: bytes) -> bytes:
    """The letters of `data` from index `at` on. bad: indexes that the port marked as damaged."""
    if not bad:
        return data[at:].translate(table)
    classes = bytearray(data[at:].translate(table))
    for index in bad:
        if index >= at:
            classes[index - at] = wording.OTHER[0]
    return bytes(classes)
