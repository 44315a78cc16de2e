"""What every sending has, characters or packets: its image as far as it is in memory, its holds, and what a status shows."""

import math
from dataclasses import dataclass
from typing import Final

from dncd.line.echo import Answer
from dncd.values import Result


class LineClock:
    """When the line will have sent what was written: characters times bits a character over baud (serial arithmetic),
    for driver queues, USB adaptors, device servers and pseudo-terminals all take characters without telling when they
    leave. char_s: seconds a character takes. All times are seconds of one monotonic clock."""

    __slots__ = ("busy_until", "char_s")

    def __init__(self, char_s: float) -> None:
        self.char_s = char_s
        self.busy_until = -math.inf

    def wrote(self, chars: int, now_after: float) -> None:
        """Counts `chars` that the port took; `now_after` is read after the write returned. Read before it, one late
        wake-up would leave the sender running ahead for the rest of the program."""
        self.busy_until = max(self.busy_until, now_after) + chars * self.char_s

    def in_front(self, now: float) -> int:
        """Characters that were written and have not left the line yet; the one under way counts."""
        ahead = (self.busy_until - now) / self.char_s
        return math.ceil(ahead - 1e-6) if ahead > 0 else 0

    def correct(self, outgoing: int, now: float) -> None:
        """The port says that it still holds `outgoing` characters: a line slower than its nominal rate is seen."""
        self.busy_until = max(self.busy_until, now + outgoing * self.char_s)


SUPPLY_LOW_CHARS: Final = 32_768
"""Characters (half a chunk) below which the machine asks for more of the image: over 2 s even at 115,200 baud."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a sending ended. chars: handed to the port; held_s: seconds; reason: a sentence, "" when sent; notes: sentences
    about what else was seen; hold_until: up to when a DC1, or the line coming on, ends a hold and starts nothing;
    echo_tail: what a control that echoes has still to give back; read_anew_at: characters that had left when the control
    began to read anew in the middle, 0 for never."""

    result: Result
    reason: str
    chars: int
    holds: int
    held_s: float
    seconds: float
    hold_until: float = -math.inf
    reader_off_at: float | None = None
    notes: tuple[str, ...] = ()
    echo_tail: bytes = b""
    read_anew_at: int = 0


@dataclass(frozen=True, slots=True)
class Shape:
    """Where things are in the image, in characters from its start. mark_out: behind the closing mark; wire_out: behind
    its block end (what follows is trailer); block_end: the coded characters that end a block; end_out: behind the block of
    the last program's end word, and that word; answer: what the control must say when `answer_at` characters have gone, the
    forms of each of its characters, () for nothing."""

    mark_out: int
    wire_out: int
    block_end: bytes
    end_out: float = math.inf
    end_word: str = ""
    answer_at: int = 0
    answer: tuple[bytes, ...] = ()


class Outgoing:
    """A sending of `total` characters. ends, answer: as `Shape` has them; handed_over: characters that a status
    counts; strays: characters that came and were no codes; held_since: of the hold that is open."""

    def __init__(self, total: int, now: float, char_s: float, ends: bytes, answer: tuple[bytes, ...] = ()) -> None:
        self.clock = LineClock(char_s)
        self.total, self.handed_over = total, 0
        self.holds, self.held_s = 0, 0.0
        self.held_since: float | None = None
        self.outcome: Outcome | None = None
        self.strays = bytearray()
        self.answer = Answer(answer)
        self._begun_at = self._moved_at = now
        self._ends = ends
        self._image = b""  # as far as it is in memory
        self._base = self._known = 0  # where that begins and ends, in characters from the start of the image
        self._taken = 0  # characters that the port, or the machine of the packets, has

    def supply(self, piece: bytes) -> None:
        """The next piece of the image, in order; of what was handed over the block that is under way stays, for those who
        look."""
        gone = max(0, self.handed_over - self._base - 256)
        self._image = self._image[gone:] + piece
        self._base += gone
        self._known += len(piece)

    def wants_supply(self) -> bool:
        return self._known - self._taken < SUPPLY_LOW_CHARS and self._known < self.total and self.outcome is None

    def block_now(self) -> bytes:
        """The coded block that is being handed over, as far as it is in memory."""
        at = self.handed_over - self._base
        found = self._image.rfind(self._ends, 0, at)
        start = found + len(self._ends) if found >= 0 else 0
        end = self._image.find(self._ends, at)
        return self._image[start : end if end >= 0 else start + 200]

    def has_left(self, now: float) -> bool:
        """Whether all of it has left by the line's clock, and only its end has to be told; never so in packets, where the
        end is the receiver's own word."""
        return False

    def last_words(self) -> bytes:
        """What must still be said when the sending is over: nothing on a plain line."""
        return b""

    def held_for(self, now: float) -> float:
        """Seconds of the hold that is open, 0 without one."""
        return 0.0 if self.held_since is None else now - self.held_since

    def seconds(self, now: float) -> float:
        """Seconds since the start, or of the whole sending once it is over."""
        return self.outcome.seconds if self.outcome else now - self._begun_at

    def _begin_hold(self, since: float) -> None:
        if self.held_since is None:
            self.holds += 1
            self.held_since = since

    def _end_hold(self, now: float) -> None:
        if self.held_since is not None:
            self.held_s += now - self.held_since
            self.held_since = None
