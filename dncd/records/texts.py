"""Texts of revisions, in memory or on a disk, and what is told of one without holding it."""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from dncd.peer_text import printable
from dncd.program.names import TITLE_CHARS, title_in

_CONTINUED: Final = bytes(range(0x80, 0xC0))
"""UTF-8: bytes that begin no character (RFC 3629)."""


@dataclass(frozen=True, slots=True)
class Facts:
    """Of a text: git's name of it, its first comment (printable), and how many characters it has."""

    blob: str
    title: str
    chars: int


NO_FACTS: Final = Facts("", "", 0)


@dataclass(frozen=True, slots=True)
class Text:
    """The text of a revision, given as often as needed without holding it: chunks and their size in bytes. facts: where
    they are known already; else the chunks are read for them."""

    chunks: Callable[[], Iterable[bytes]]
    size: int
    facts: Facts = NO_FACTS

    @classmethod
    def of(cls, data: bytes) -> "Text":
        return cls(lambda: [data], len(data))


class FactsReading:
    """Finds the facts of a text as its chunks go by. size: bytes that it will have."""

    def __init__(self, size: int) -> None:
        self._digest = hashlib.sha1(b"blob %d\0" % size, usedforsecurity=False)
        self._size, self._read, self._chars, self._front = size, 0, 0, b""

    def feed(self, chunk: bytes) -> None:
        self._digest.update(chunk)
        self._read += len(chunk)
        self._chars += len(chunk.translate(None, _CONTINUED))
        if len(self._front) < TITLE_CHARS:
            self._front += chunk[:TITLE_CHARS]

    @property
    def blob(self) -> str:
        """git's name of what has been read."""
        return self._digest.hexdigest()

    def result(self) -> Facts:
        """ValueError if the chunks were not of the size that was said."""
        if self._read != self._size:
            raise ValueError(f"the text has {self._read} bytes, not {self._size}")
        return Facts(self.blob, printable(title_in(self._front.decode("utf-8", "replace"))), self._chars)


def facts_of(text: Text) -> Facts:
    """Read in one go, without holding it. ValueError if the chunks are not of the size that the text says."""
    if text.facts is not NO_FACTS:
        return text.facts
    reading = FactsReading(text.size)
    for chunk in text.chunks():
        reading.feed(chunk)
    return reading.result()


def blob_name(text: Text) -> str:
    """git's name of a text: SHA-1 of `blob SIZE NUL` and its bytes. ValueError if the chunks are not of that size."""
    return facts_of(text).blob
