"""The device-control codes of reader and punch as they may stand on an eight-bit line.

DC1 reader on, DC2 punch on, DC3 reader off, DC4 punch off (two connection manuals; `control_chars.csv`). With even
parity DC3 is 0x93. In EIA code 0x13 is the digit 3, so it is a stop only while nothing but codes can come from the
control: while dncd sends.
"""

import enum
from dataclasses import dataclass

from dncd.choices import TapeCode


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
