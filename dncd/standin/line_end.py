"""The far end of a line: characters arrive and leave at the line's rate, whatever was written ahead.

The clock is simulated in the line's own time. Every character that the host wrote takes one character time, one after
the other; what has been carried by `now` is handed out with the time at which each character was complete. A late
thread finds the same times as a punctual one, so lateness is not held against the host and gives it no extra speed.

Two traps of pseudo-terminals shape this: the count of waiting characters (FIONREAD) may lag for seconds under load, so
reading decides and not the count; and a line that was idle must not have saved up time, so the first character after a
pause starts when it was found (at the earliest at the look before, at which nothing was there).
"""

import array
import contextlib
import fcntl
import math
import os
import random
import termios
from collections.abc import Callable
from dataclasses import dataclass

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
    """Characters sent at one rate and read at another, as a UART reads them (`reread`). sent_at, read_at: give the two
    rates in bits a second as they are now; 0: not known, so taken as equal. Seven bits with parity and a second stop
    bit need no model: they are eight bits, and a pause."""

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
    """What a UART makes of 8N1 characters that come back to back, where its bit is as long as `step` bits of theirs. It
    takes the first space for a start bit, looks again half a bit later (a spike is no start), then in the middle of
    each bit. A stop bit that is missing is its next start bit, but after a break it waits for mark (common
    practice)."""
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
    """One end of a line over a file descriptor (pseudo-terminal, socket). char_s: seconds a character takes. noise:
    what the line does to characters either way; host_baud: gives the host's rate where that can be seen (else 0)."""

    def __init__(
        self, fd: int, char_s: float, now: float, baud: float = 0.0, host_baud: Callable[[], float] = float
    ) -> None:
        os.set_blocking(fd, False)
        self.fd, self.char_s, self.baud = fd, char_s, baud
        self.noise = LineNoise()
        self._in = RateGap(host_baud, lambda: self.baud)
        self._out_gap = RateGap(lambda: self.baud, host_baud)
        self.most_ahead = 0
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
        with contextlib.suppress(BlockingIOError):  # nobody listens
            if data:
                os.write(self.fd, data)
