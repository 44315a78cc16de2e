"""How the receiver reads bytes: each as a letter of a second string that runs beside the data."""

from dataclasses import dataclass
from typing import Final

from dncd.choices import BlockEnd, EndsOn, TapeCode
from dncd.line.codes import ReaderCode, when_idle
from dncd.tape import wording
from dncd.tape.codes import CR, DEL, EIA_STANDARD, EOB, LF, NUL, with_parity
from dncd.values import Frame

MARK: Final = b"M"
_SIGNALS: Final = {ReaderCode.DC1: b"1", ReaderCode.DC2: b"2", ReaderCode.DC3: b"3", ReaderCode.DC4: b"4"}
SIGNS: Final = {EndsOn.DC4: _SIGNALS[ReaderCode.DC4], EndsOn.SUB: b"S", EndsOn.EOT: b"T"}
"""Letters of the characters that end a capture. They, MARK and DC1 to DC4 (1 to 4) stand beside those of `tape.wording`."""


@dataclass(frozen=True, slots=True)
class Alphabet:
    """How the receiver reads bytes: a table of 256 class letters, and how many characters of a block end are read."""

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
        plain = {NUL: wording.FILL, DEL: wording.FILL}
        if code is TapeCode.EIA:
            named, ends = {EOB: wording.END, **plain}, 1
        else:
            plain |= {LF: wording.END, CR: wording.END}
            named, ends = {_coded(byte, code, frame): letter for byte, letter in plain.items()}, len(block_end.read)
        signs = {signal.value: letter for signal, letter in _SIGNALS.items()}
        signs |= {end.chars[0]: letter for end, letter in SIGNS.items() if code in end.codes}
        named |= {_coded(byte, code, frame): letter for byte, letter in signs.items()}
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


def _coded(byte: int, code: TapeCode, frame: Frame) -> int:
    if code is TapeCode.ISO and not frame.carries_own_parity:
        return byte
    # in EIA even parity is the only form, which no character of it has
    return with_parity(byte, "E" if code is TapeCode.EIA else frame.parity)
