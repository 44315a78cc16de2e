"""How the receiver reads bytes: each as a letter of a second string that runs beside the data."""

from dataclasses import dataclass
from typing import Final

from dncd.choices import EndsOn, TapeCode
from dncd.line.codes import ReaderCode, when_idle
from dncd.tape import wording
from dncd.tape.codes import Coder
from dncd.values import IsoBytes, WireBytes

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
