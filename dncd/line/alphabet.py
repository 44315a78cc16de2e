"""How the receiver reads bytes: each as a letter of a second string that runs beside the data."""

from dataclasses import dataclass
from typing import Final

from dncd.line.codes import ReaderCode, when_idle
from dncd.tape import wording
from dncd.tape.codes import EIA_STANDARD
from dncd.values import BlockEnd, Frame, TapeCode

MARK: Final = b"M"
SUB: Final = b"S"
EOT: Final = b"T"
"""Letters beside those of `tape.wording`; the signals DC1 to DC4 are the digits 1 to 4."""

_SIGNALS: Final = {ReaderCode.DC1: b"1", ReaderCode.DC2: b"2", ReaderCode.DC3: b"3", ReaderCode.DC4: b"4"}


def _even(byte: int) -> int:
    return byte | (byte.bit_count() % 2) << 7


@dataclass(frozen=True, slots=True)
class Alphabet:
    """How the receiver reads bytes: a table of 256 class letters, and the length of a block end in bytes."""

    classes: bytes
    block_end_chars: int

    @classmethod
    def of(cls, code: TapeCode, frame: Frame, mark: int, text: bytes, block_end: BlockEnd) -> "Alphabet":
        """mark: the coded mark (-1: none); text: all coded bytes that are text, blanks included.

        In a frame with parity only a byte of right parity is a mark, a block end or a signal inside a capture: one
        flipped bit must never make a signal out of a character.
        """
        table = [wording.OTHER] * 256
        eia = {byte: char for char, byte in EIA_STANDARD.items()}
        for byte in text:
            char = ord(eia.get(byte, "%")) if code is TapeCode.EIA else byte & 0x7F
            table[byte] = wording.CLASSES[char : char + 1]
        if code is TapeCode.EIA:
            named = {
                0x80: wording.END,
                0x00: wording.FILL,
                0x7F: wording.FILL,
                0x11: _SIGNALS[ReaderCode.DC1],
                0x12: _SIGNALS[ReaderCode.DC2],
            }
            named |= {0x93: _SIGNALS[ReaderCode.DC3], 0x14: _SIGNALS[ReaderCode.DC4]}
            ends = 1
        else:
            plain: dict[int, bytes] = {0x0A: wording.END, 0x0D: wording.END, 0x1A: SUB, 0x04: EOT}
            plain |= {0x00: wording.FILL, 0x7F: wording.FILL}
            plain |= {signal.value: letter for signal, letter in _SIGNALS.items()}
            named = {_coded(byte, frame): letter for byte, letter in plain.items()}
            ends = len(block_end.chars)
        for byte, letter in named.items():
            table[byte] = letter
        if mark >= 0:
            table[mark] = MARK
        return cls(b"".join(table), ends)

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


def _coded(byte: int, frame: Frame) -> int:
    if not frame.carries_own_parity:
        return byte
    return _even(byte) if frame.parity == "E" else _even(byte) ^ 0x80
