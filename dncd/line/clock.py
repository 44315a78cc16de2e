"""When the line will have sent what was written to the port.

Driver queues, USB adaptors, device servers and pseudo-terminals all take characters without telling when they leave. So
dncd keeps its own clock of the line: characters times bits a character over baud (serial arithmetic).
"""

import math


class LineClock:
    """Model of one direction of a serial line.

    char_s: seconds a character takes. All times are seconds of one monotonic clock.
    """

    __slots__ = ("busy_until", "char_s")

    def __init__(self, char_s: float) -> None:
        self.char_s = char_s
        self.busy_until = -math.inf

    def wrote(self, chars: int, now_after: float) -> None:
        """Counts `chars` that the port took; `now_after` is read after the write returned.

        Read before it, one late wake-up would leave the sender running ahead for the rest of the program.
        """
        self.busy_until = max(self.busy_until, now_after) + chars * self.char_s

    def in_front(self, now: float) -> int:
        """Characters that were written and have not left the line yet; the one under way counts."""
        ahead = (self.busy_until - now) / self.char_s
        return math.ceil(ahead - 1e-6) if ahead > 0 else 0

    def correct(self, outgoing: int, now: float) -> None:
        """The port says that it still holds `outgoing` characters: a line slower than its nominal rate is seen."""
        self.busy_until = max(self.busy_until, now + outgoing * self.char_s)
