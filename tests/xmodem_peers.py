"""Drives an XMODEM machine over a socket against a peer that dncd did not write, with damage on the way.

lrzsz stands on a socketpair, not a pseudo-terminal: when `rx` ends it empties the terminal's queues, its last ACK included.
"""

import contextlib
import random
import select
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from dncd.line.packet_machine import Ended, Event, Received
from dncd.line.xmodem import Receiver, Sender

DEADLINE_S = 120.0


class Damage:
    """Flips one bit in every `every`-th packet of `chars` bytes; `count` says in how many."""

    def __init__(self, every: int, chars: int) -> None:
        self.count = 0
        self._random = random.Random(20)  # seeded: the same damage each time
        self._period, self._chars, self._seen = every * chars, chars, 0
        self._next = self._place(every - 1)

    def _place(self, packet: int) -> int:
        return packet * self._chars + self._random.randrange(self._chars)

    def __call__(self, data: bytes) -> bytes:
        out = bytearray(data)
        while self._next < self._seen + len(out):
            out[self._next - self._seen] ^= 1 << self._random.randrange(8)
            self.count += 1
            self._next += self._period
        self._seen += len(out)
        return bytes(out)


def drive(machine: Sender | Receiver, sock: socket.socket, damage: Damage, fast: float) -> list[Event]:
    """Runs the machine to its end; its seconds pass `fast` times as quickly. Damage is on what carries the packets."""

    def now() -> float:
        return time.monotonic() * fast

    events: list[Event] = []
    until = time.monotonic() + DEADLINE_S
    while True:
        out = machine.outgoing()
        if out:
            sock.sendall(damage(out) if isinstance(machine, Sender) else out)
        if out and isinstance(machine, Sender):
            machine.written(now())
        if any(isinstance(event, Ended) for event in events):
            return events
        due = machine.next_due()
        wait = min(until - time.monotonic(), 1.0 if due is None else max(0.0, due / fast - time.monotonic()))
        assert time.monotonic() < until, "no end"
        if select.select([sock], [], [], max(0.0, wait))[0]:
            data = sock.recv(4096)
            assert data, "the peer went away"
            events += machine.feed(damage(data) if isinstance(machine, Receiver) else data, now())
        events += machine.tick(now())


def received(events: list[Event]) -> bytes:
    return b"".join(event.data for event in events if isinstance(event, Received))


@contextlib.contextmanager
def program(words: list[str], cwd: Path) -> Iterator[tuple[subprocess.Popen[bytes], socket.socket]]:
    """A program whose standard input and output are one end of a socketpair; the other end is given."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        peer = subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=subprocess.DEVNULL, cwd=cwd)
        theirs.close()
        try:
            yield peer, ours
        finally:
            with contextlib.suppress(subprocess.TimeoutExpired):
                peer.wait(120)
            if peer.poll() is None:
                peer.kill()
                peer.wait()


Getc = Callable[[int, float], "bytes | None"]


@contextlib.contextmanager
def library(talk: Callable[[Getc, Callable[..., int]], object]) -> Iterator[tuple[socket.socket, list[object]]]:
    """`talk(getc, putc)` in a thread at the other end of a socketpair; what it gave stands in the list at the end."""
    ours, theirs = socket.socketpair()
    given: list[object] = []

    def getc(size: int, timeout: float = 1.0) -> bytes | None:
        data = b""
        until = time.monotonic() + timeout
        while len(data) < size and select.select([theirs], [], [], max(0.0, until - time.monotonic()))[0]:
            part = theirs.recv(size - len(data))
            if not part:
                break
            data += part
        return data or None

    def putc(data: bytes, timeout: float = 1.0) -> int:
        theirs.sendall(data)
        return len(data)

    with ours, theirs:
        thread = threading.Thread(target=lambda: given.append(talk(getc, putc)))
        thread.start()
        try:
            yield ours, given
        finally:
            thread.join(DEADLINE_S)
            assert not thread.is_alive(), "the peer did not end"
