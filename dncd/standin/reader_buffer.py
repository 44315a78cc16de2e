"""The small memory between a control's line and its reader: it fills at the line's rate and empties at the reader's."""


class ReaderBuffer:
    """memory, high, low: characters; reads_per_s: characters a second, 0 for a reader that is never behind.

    All times are the line's own (see `line_end`). What finds the memory full is lost for good.
    """

    def __init__(self, memory: int, high: int, low: int, reads_per_s: float) -> None:
        if not 0 <= low < high <= memory:
            raise ValueError(f"marks must be 0 <= low < high <= memory, not low {low}, high {high}, memory {memory}")
        self.memory, self.high, self.low, self.reads_per_s = memory, high, low, reads_per_s
        self.level = 0.0
        self.lost = 0
        self._at = 0.0

    def empty(self, now: float) -> None:
        self.level, self._at = 0.0, now

    def drain(self, now: float) -> float:
        """Lets the reader read until `now`; the level then."""
        if self.reads_per_s and now > self._at:
            self.level = max(0.0, self.level - (now - self._at) * self.reads_per_s)
        self._at = max(self._at, now)
        return self.level

    def put(self, at: float) -> bool:
        """One character, complete at `at`; False: it was lost."""
        if not self.reads_per_s:
            return True
        if self.drain(at) > self.memory - 1:
            self.lost += 1
            return False
        self.level += 1
        return True

    def drained_at(self, now: float) -> float:
        return now + self.drain(now) / self.reads_per_s if self.reads_per_s else now
