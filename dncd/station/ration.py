"""How many damaged captures of one line are kept one by one: a control that punches garbage for ever fills no disk.

Only damaged captures and programs without a name are counted, for a good program with a name must never be lost to a
limit: a line does not make those by noise.
"""

import collections
import math
from typing import Final

from dncd import defaults

HOUR_S: Final = 3600.0


class Ration:
    """What one line may still have kept by itself. All times are seconds of a clock that does not jump."""

    def __init__(self, most: int = defaults.DAMAGED_AN_HOUR, most_chars: int = defaults.DAMAGED_CHARS_AN_HOUR) -> None:
        self._most, self._most_chars = most, most_chars
        self._kept: collections.deque[tuple[float, int]] = collections.deque()
        self.summed = 0
        """Captures that were refused since the last that was allowed."""
        self.summed_chars = 0
        self._asked_at = self._summed_since = -math.inf

    def why_not(self, now: float) -> str:
        """Why one more is not kept by itself; "" where it is."""
        self._asked_at = now
        while self._kept and self._kept[0][0] <= now - HOUR_S:
            self._kept.popleft()
        if len(self._kept) >= self._most:
            return f"{len(self._kept)} captures came damaged or without a name within an hour"
        chars = sum(chars for _, chars in self._kept)
        if chars >= self._most_chars:
            return f"{chars} characters came damaged or without a name within an hour"
        return ""

    def keep(self, chars: int, now: float) -> None:
        self._kept.append((now, chars))

    def sum_up(self, chars: int) -> None:
        if not self.summed:
            self._summed_since = self._asked_at
        self.summed += 1
        self.summed_chars += chars

    def begin_anew(self, now: float = math.inf) -> tuple[int, int]:
        """Captures and characters that were summed up, now that they are told; none within an hour from the first: a line
        that says garbage between good programs is told of once, not with every other capture."""
        if now < self._summed_since + HOUR_S:
            return 0, 0
        told = self.summed, self.summed_chars
        self.summed = self.summed_chars = 0
        return told
