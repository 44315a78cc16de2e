"""The far end of a line: characters arrive and leave at the line's rate, whatever was written ahead.

The clock is simulated in the line's own time. Every character that the host wrote takes one character time, one after
the other; what has been carried by `now` is handed out with the time at which each character was complete. A late
thread finds the same times as a punctual one, so lateness is not held against the host and gives it no extra speed.

Two traps of pseudo-terminals shape this: the count of waiting characters (FIONREAD) may lag for seconds under load, so
reading decides and not the count; and a line that was idle must not have saved up time, so the first character after a
pause starts when it was found (at the earliest at the look before, at which nothing was there).
"""

import array
import fcntl
import os
import termios
from collections.abc import Callable
from dataclasses import dataclass

from dncd.standin.line_noise import LineNoise, RateGap

QUEUE_CHARS = 64
"""Characters read in advance of the line; what lies behind stays in the kernel, so that a writer far ahead is held up
by the kernel as it would be on a real port."""

CATCH_UP_CHARS = 4
"""Most characters that a late thread punches at once to make up for lost time."""


@dataclass(frozen=True, slots=True)
class Run:
    """Characters that followed each other without a pause; character i was complete at start + (i + 1) x char_s."""

    data: bytes
    start: float


class LineEnd:
    """One end of a line over a file descriptor (pseudo-terminal, socket). char_s: seconds a character takes.

    noise: what the line does to characters either way; host_baud: gives the host's rate where that can be seen (else 0).
    """

    def __init__(
        self, fd: int, char_s: float, now: float, baud: float = 0.0, host_baud: Callable[[], float] = float
    ) -> None:
        os.set_blocking(fd, False)
        self.fd, self.char_s, self.baud = fd, char_s, baud
        self.noise = LineNoise()
        self._in = RateGap(host_baud, lambda: self.baud)
        self._out_gap = RateGap(lambda: self.baud, host_baud)
        self.most_ahead = 0
        self.unheard = 0
        self._queue = bytearray()
        self._free = self._looked = now
        self._out = bytearray()
        self._out_free = now

    def carried(self, now: float) -> list[Run]:
        first = self._release(now)
        data = self._read(now)
        if data:
            if not self._queue:
                self._free = max(self._free, self._looked)
            self._queue += self.noise.spoil(self._in.heard(data, 0))
        self._looked = now
        second = self._release(now)
        self._note_ahead()
        return [run for run in (first, second) if run.data]

    def idle(self) -> bool:
        return not self._queue

    def nothing_there(self, now: float) -> None:
        self._looked = now

    def say(self, codes: bytes) -> None:
        """Control codes at once, in front of anything that is being punched."""
        self._write(codes, 0)

    def punch(self, data: bytes, now: float) -> None:
        if not self._out:
            self._out_free = now
        self._out += data

    def to_punch(self) -> int:
        return len(self._out)

    def stop_punching(self) -> None:
        self._out.clear()

    def give(self, now: float, at_most: int) -> int:
        """Gives out what is due, at most so many characters; how many went out. A line does not wait for a listener."""
        if not self._out or at_most <= 0:
            self._out_free = now
            return 0
        self._out_free = max(self._out_free, now - CATCH_UP_CHARS * self.char_s)
        count = min(int((now - self._out_free) / self.char_s), at_most, len(self._out))
        if count:
            data = bytes(self._out[:count])
            del self._out[:count]
            self._write(data, len(self._out))
            self._out_free += count * self.char_s
        return count

    def _release(self, now: float) -> Run:
        count = max(0, min(len(self._queue), int((now - self._free) / self.char_s)))
        run = Run(bytes(self._queue[:count]), self._free)
        del self._queue[:count]
        self._free += count * self.char_s
        return run

    def _read(self, now: float) -> bytes:
        want = QUEUE_CHARS + max(0, int((now - self._free) / self.char_s)) - len(self._queue)
        found = bytearray()
        while len(found) < want:
            try:
                part = os.read(self.fd, want - len(found))
            except BlockingIOError:
                break
            if not part:
                break
            found += part
        return bytes(found)

    def _note_ahead(self) -> None:
        ahead = len(self._queue)
        if ahead >= QUEUE_CHARS // 2:
            waiting = array.array("i", [0])
            fcntl.ioctl(self.fd, termios.FIONREAD, waiting)
            ahead += waiting[0]
        self.most_ahead = max(self.most_ahead, ahead)

    def _write(self, data: bytes, more_follows: int) -> None:
        data = self._out_gap.heard(self.noise.spoil(data), more_follows)
        try:
            done = os.write(self.fd, data) if data else 0
        except BlockingIOError:
            done = 0
        self.unheard += len(data) - done
