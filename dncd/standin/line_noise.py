"""What a poor line does to characters: bits turn over, and a rate that differs makes other characters of them."""

import math
import random
from collections.abc import Callable

from dncd.standin.waveform import receive_waveform, send_waveform
from dncd.values import Frame

_EIGHT = Frame.parse("8N1")

WHOLE_CHARS = 64
"""Characters that are turned into a waveform at once where the receiver is slower than the sender: there one of its
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
    """Characters sent at one rate and read at another, as a UART reads them (see `standin.waveform`).

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
        return bytes(heard.value for heard in receive_waveform(send_waveform(whole, _EIGHT, sent_at), _EIGHT, read_at))
