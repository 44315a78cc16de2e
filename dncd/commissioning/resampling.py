"""The rate of a line from characters that were read at a higher rate: one bit of the line fills several of theirs.

A character begins with a falling edge, which is the beginning of a bit of the line whatever its rate. So, heard at
`listening` and sent at `rate`, the sample k + 0.5 bits behind that edge lies in bit floor((k + 0.5) · rate / listening)
of the line, and samples of one bit agree (serial arithmetic). Each rate is scored by how likely it makes what was heard:
a bit of the line is mark or space with equal chance, and then all its samples say so. A rate that is too high explains
the same with more coins, a rate that is too low with samples that disagree. Samples near the border of two bits are left
out, because neither clock is exact.
"""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
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


CLOCKS_DIFFER: Final = 0.02
"""Share by which the two clocks may differ: 2 %, as much as two UARTs bear (half a bit in ten, both ways, halved)."""

TICK: Final = 1 / 16
"""Bits of the listening rate by which a UART sees the falling edge too late."""

STRAY: Final = 0.005
"""Chance that a sample is wrong by itself: noise of a poor line."""

Sounds = Counter[tuple[int, bool]]
"""How often each (byte, marked) was heard."""

COIN: Final = math.log(0.5)

RUNS_PER_BIT: Final = 0.265
"""Low stretches a bit time of a line that punches back to back (counted over 300 generated part programs in both codes:
0.23 to 0.30)."""


@dataclass(frozen=True, slots=True)
class RateFit:
    """How well a rate explains the characters: score: log likelihood; agreeing: share of the samples that agree with
    the others of their bit."""

    baud: int
    score: float
    agreeing: float


def null_score(sounds: Sounds, stops_told: bool) -> float:
    """Log likelihood if every sample were a coin: nothing is known of the rate."""
    return sounds.total() * (9 if stops_told else 8) * COIN


def stops_told(punches: Sequence[Punch]) -> bool:
    return any(chunk.bad for punch in punches for chunk in punch.chunks)


def sounds_of(punches: Iterable[Punch]) -> Sounds:
    """How often each (byte, marked) was heard, of the characters that began where they seem to."""
    return Counter(sound for punch in punches for sound in punch.sound())


def fit_rate(sounds: Sounds, told: bool, listening: int, rate: int) -> RateFit:
    groups, loose = _groups(listening, rate, 10 if told else 9)
    score, agree, samples = 0.0, 0, 0
    for (byte, marked), count in sounds.items():
        bits = [0, *(byte >> k & 1 for k in range(8)), 0 if marked else 1]
        for first, group in groups:
            ones = sum(bits[k] for k in group)
            zeros = len(group) - ones
            space, mark = (1 - STRAY) ** zeros * STRAY**ones, (1 - STRAY) ** ones * STRAY**zeros
            likely = space if first else (mark + space) / 2
            score += count * math.log(likely)
            agree += count * (zeros if first else max(zeros, ones))
            samples += count * len(group)
        score += count * loose * COIN
    return RateFit(rate, score, agree / samples if samples else 0.0)


def _groups(listening: int, rate: int, samples: int) -> tuple[list[tuple[bool, list[int]]], int]:
    """(whether it is the start bit, samples in it) for each bit of the line; how many samples are too near a border."""
    ratio = rate / listening
    found: dict[int, list[int]] = {}
    loose = 0
    for k in range(1, samples):  # sample 0 is what made it a start bit
        at = k + 0.5
        slip = at * CLOCKS_DIFFER + TICK
        low, high = math.floor((at - slip) * ratio), math.floor((at + slip) * ratio)
        if low == high:
            found.setdefault(low, []).append(k)
        else:
            loose += 1
    return [(bit == 0, group) for bit, group in found.items()], loose


def rate_from_time(punches: Sequence[Punch]) -> float:
    """About the rate, in bits a second, of a line so slow that every low stretch reads as one character or break."""
    seconds = sum(punch.seconds for punch in punches)
    runs = sum(len(punch.data) for punch in punches)
    return runs / seconds / RUNS_PER_BIT if seconds > 0 else 0.0
