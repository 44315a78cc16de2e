"""What was heard of a punch at one listening rate, and which of its characters begin where they seem to."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from dncd.values import Frame

LISTENING_FRAME: Final = Frame.parse("8N1")
"""The frame a port is opened with to find another's: seven bits with parity read as eight, and a second stop bit is only
a pause to a receiver (serial arithmetic)."""

BLANKS: Final = b"\x00\x80"
"""Leader and trailer: NUL, and NUL with odd parity."""

ENOUGH_CHARS: Final = 60
"""Fewest characters of a punch that are judged: four or five blocks."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that one look at the port gave: at: its clock in seconds; bad: indexes of bytes that the UART marked."""

    at: float
    data: bytes
    bad: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Punch:
    """One punch, heard as 8N1 at `baud` bits a second."""

    baud: int
    chunks: tuple[Chunk, ...]

    @property
    def data(self) -> bytes:
        return b"".join(chunk.data for chunk in self.chunks)

    @property
    def bad(self) -> frozenset[int]:
        found: set[int] = set()
        before = 0
        for chunk in self.chunks:
            found.update(before + index for index in chunk.bad)
            before += len(chunk.data)
        return frozenset(found)

    @property
    def seconds(self) -> float:
        return self.chunks[-1].at - self.chunks[0].at if self.chunks else 0.0

    def sound(self) -> Iterator[tuple[int, bool]]:
        """(byte, marked) of every character that began with a falling edge of the line, whatever the UART's manners. A
        UART may take a missing stop bit for the next start bit, so the character behind a marked one is left out. A
        break (a marked NUL) always waits for the line to rise first (common practice), so what follows it is sound.
        Leader and trailer are left out: they would count for a code that has 0x80 for its block end."""
        data, bad = self.data, self.bad
        inside = data.strip(BLANKS)
        if len(inside) < ENOUGH_CHARS:  # no leader: a line that is far slower reads as NULs throughout
            inside = data
        first = data.find(inside)
        for index, byte in enumerate(inside, first):
            if index == 0 or index - 1 not in bad or data[index - 1] == 0:
                yield byte, index in bad
