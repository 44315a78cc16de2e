"""What a poor line does to characters: bits turn over, and a rate that differs makes other characters of them."""

import math
import random
from collections.abc import Callable

WHOLE_CHARS = 64
"""Characters that are turned into bits at once where the receiver is slower than the sender: there one of its
characters reaches over several of the sender's."""


class LineNoise:
    """Turns over one bit of every so many characters. per_million: of a million characters, how many are hit."""

    def __init__(self, seed: int = 1) -> None:
        self.per_million = 0.0
        self.hits = 0
        self._chance = random.Random(seed)  # noqa: S311 -- noise, not a secret

    def spoil(self, data: bytes) -> bytes:
        if self.per_million <= 0 or not data:
            return data
        wire = bytearray(data)
        for index in range(len(wire)):
            if self._chance.random() * 1e6 < self.per_million:
                wire[index] ^= 1 << self._chance.randrange(8)
                self.hits += 1
        return bytes(wire)


class RateGap:
    """Characters sent at one rate and read at another, as a UART reads them (`reread`).

    sent_at, read_at: give the two rates in bits a second as they are now; 0: not known, so taken as equal. Seven bits
    with parity and a second stop bit need no model: they are eight bits, and a pause.
    """

    def __init__(self, sent_at: Callable[[], float], read_at: Callable[[], float]) -> None:
        self._sent_at, self._read_at = sent_at, read_at
        self._held = bytearray()

    def heard(self, data: bytes, more_follows: int) -> bytes:
        """What is read of `data`; more_follows: characters that come right behind it."""
        sent_at, read_at = self._sent_at(), self._read_at()
        if not sent_at or not read_at or math.isclose(sent_at, read_at, rel_tol=0.02):
            done = bytes(self._held) + data
            self._held.clear()
            return done
        self._held += data
        if sent_at > read_at and more_follows and len(self._held) < WHOLE_CHARS:
            return b""
        whole, self._held = bytes(self._held), bytearray()
        return reread(whole, sent_at / read_at)


def reread(data: bytes, step: float) -> bytes:
    """What a UART makes of 8N1 characters that come back to back, where its bit is as long as `step` bits of theirs.

    It takes the first space for a start bit, looks again half a bit later (a spike is no start), then in the middle of
    each bit. A stop bit that is missing is its next start bit, but after a break it waits for mark (common practice).
    """
    line = b"".join(bytes([0, *(byte >> bit & 1 for bit in range(8)), 1]) for byte in data)

    def level(at: float) -> int:
        return line[int(at)] if at < len(line) else 1

    heard, start = bytearray(), float(line.find(0))
    while 0 <= start < len(line):
        middle, stop = start + step / 2, start + step * 9.5
        if level(middle):
            start = line.find(0, int(middle))
            continue
        bits = [level(middle + step * (bit + 1)) for bit in range(8)]
        heard.append(sum(one << bit for bit, one in enumerate(bits)))
        if level(stop):
            start = line.find(0, int(stop))
        elif any(bits):
            start += step * 9
        else:
            mark = line.find(1, int(stop))
            start = line.find(0, mark) if mark >= 0 else -1
    return bytes(heard)
