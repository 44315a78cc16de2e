"""What a control sends back of what it is sent, character by character.

A control (or its cable) that echoes gives back each character as it came. That is no code, no capture and no noise: it
proves the line while it works. An echo is known by its first characters: nobody says by chance what has just gone out.
"""

import enum
import math
from typing import Final

_SURE_CHARS: Final = 4
"""Characters in succession, from the first on, that came back as they went: then it is an echo, settings or not."""

_UNANSWERED_CHARS: Final = 4096
"""Characters after which nobody waits for the first to come back."""


class Back(enum.Enum):
    """What one character that came back is. perhaps: the first few; other: not what should come next."""

    ECHO = "echo"
    PERHAPS = "perhaps"
    OTHER = "other"


class Echo:
    """Of one sending. came: characters that came back as they went; off: nobody waits for any more."""

    def __init__(self) -> None:
        self.came = 0
        self._out = bytearray()
        self._due = 0  # characters of it that must come back: NULs of blank tape need not
        self.off = False

    @property
    def sure(self) -> bool:
        return self.came >= _SURE_CHARS

    @property
    def tail(self) -> bytes:
        """What is still to come back of a control that echoes."""
        return bytes(self._out) if self.sure else b""

    def went(self, data: bytes) -> None:
        self._out += data
        self._due += len(data) - data.count(0)
        self.off = not self.came and self._due > _UNANSWERED_CHARS

    def back(self, byte: int) -> Back:
        if self.off:
            return Back.OTHER
        if byte and self._out[:1] == b"\0":
            del self._out[: len(self._out) - len(self._out.lstrip(b"\0"))]
        if not self._out or self._out[0] != byte:
            return Back.OTHER
        del self._out[:1]
        self._due -= byte > 0
        self.came += 1
        return Back.ECHO if self.sure else Back.PERHAPS

    def next_char(self) -> int:
        """What should come back next, -1 for nothing."""
        return self._out[0] if self._out else -1

    @property
    def whole(self) -> bool:
        """Whether all that went out came back, but for NULs."""
        return not self._due

    @property
    def silent(self) -> bool:
        """Whether so much has not come back that no memory of a control explains it."""
        return self._due > _UNANSWERED_CHARS


class Answer:
    """What a control must say before a program goes. forms: of each character of it, the bytes that are it; () for none."""

    def __init__(self, forms: tuple[bytes, ...]) -> None:
        self.due, self.came, self._forms = bool(forms), bytearray(), forms

    def heard(self, byte: int) -> bool:
        """One character came: whether the answer is whole now, whatever came before it."""
        self.came.append(byte)
        last = self.came[-len(self._forms) :]
        self.due = len(last) < len(self._forms) or not all(map(bytes.__contains__, self._forms, last))
        return not self.due


class Tail:
    """What a control still gives back of a sending that is over: no capture. until: seconds of the clock."""

    def __init__(self, chars: bytes = b"", until: float = -math.inf) -> None:
        self._chars, self._until = chars, until

    def without(self, data: bytes, bad: tuple[int, ...], now: float) -> tuple[bytes, tuple[int, ...]]:
        """What came, and the indexes of it that the port marked, without the echo at its front."""
        if now > self._until or not self._chars:
            return data, bad
        same = 0
        while same < min(len(data), len(self._chars)) and data[same] == self._chars[same]:
            same += 1
        self._chars = self._chars[same:] if same == len(data) else b""
        return data[same:], tuple(index - same for index in bad if index >= same)
