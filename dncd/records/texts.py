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
class Text:
    """The text of a revision, given as often as needed without holding it: chunks and their size in bytes."""

    chunks: Callable[[], Iterable[bytes]]
    size: int

    @classmethod
    def of(cls, data: bytes) -> "Text":
        return cls(lambda: [data], len(data))


@dataclass(frozen=True, slots=True)
class Facts:
    """Of a text: git's name of it, its first comment (printable), and how many characters it has."""

    blob: str
    title: str
    chars: int


def facts_of(text: Text) -> Facts:
    """Read in one go, without holding it. ValueError if the chunks are not of the size that the text says."""
    digest = hashlib.sha1(b"blob %d\0" % text.size, usedforsecurity=False)
    size = chars = 0
    front = b""
    for chunk in text.chunks():
        digest.update(chunk)
        size += len(chunk)
        chars += len(chunk.translate(None, _CONTINUED))
        if len(front) < TITLE_CHARS:
            front += chunk[:TITLE_CHARS]
    if size != text.size:
        raise ValueError(f"the text has {size} bytes, not {text.size}")
    return Facts(digest.hexdigest(), printable(title_in(front.decode("utf-8", "replace"))), chars)


def blob_name(text: Text) -> str:
    """git's name of a text: SHA-1 of `blob SIZE NUL` and its bytes. ValueError if the chunks are not of that size."""
    return facts_of(text).blob
