"""Connections to the service that outlast their answer: a line that is lent, a line that somebody watches.

The handler of a request answers with a `Lasting`. Its `news` go to the client as they come, one JSON object a line; the
connection's end, however it comes (closed, killed, unplugged from the network of a container), is told by `gone`.
"""

import json
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

NEWS_BYTES: Final = 1 << 18
"""Bytes of news that wait for one client: over ten seconds of both ways at 115,200 baud. What does not fit is counted, not
kept: a watcher that is slow or stopped must not cost the service memory, nor the line time."""


class News:
    """What one lasting client has not been told yet. `put` never waits and may be called from any thread."""

    def __init__(self, most: int = NEWS_BYTES) -> None:
        self._most = most
        self._lines: deque[bytes] = deque()
        self._held = self._dropped = 0
        self._lock = threading.Lock()
        self._wake: Callable[[], None] = lambda: None

    def bind(self, wake: Callable[[], None]) -> None:
        """Calls `wake` whenever there is something after there was nothing."""
        self._wake = wake
        wake()

    def put(self, news: dict[str, Any]) -> None:
        """One more; counted as dropped where it does not fit."""
        line = json.dumps(news, separators=(",", ":")).encode() + b"\n"
        with self._lock:
            if self._held + len(line) > self._most:
                self._dropped += 1
                return
            first = not self._lines
            self._lines.append(line)
            self._held += len(line)
        if first:
            self._wake()

    def take(self) -> bytes:
        """All that waits; behind it `{"dropped": N}` if N did not fit since the last call."""
        with self._lock:
            taken = b"".join(self._lines)
            if self._dropped:
                taken += json.dumps({"dropped": self._dropped}).encode() + b"\n"
            self._lines.clear()
            self._held = self._dropped = 0
            return taken


@dataclass(frozen=True, slots=True)
class Lasting:
    """An answer whose connection stays open. content: as of any answer; gone: called once, in the command thread, when the
    connection has ended, but not when the service itself closes it."""

    content: dict[str, Any]
    gone: Callable[[], None]
    news: News = field(default_factory=News)


def move(sock: socket.socket, going: bytearray, news: News) -> bool:
    """Hands news to a client as far as it takes them; whether some wait for it. OSError: it is gone.

    Whatever it says itself is read and means nothing; its silence for good is its end.
    """
    try:
        if not sock.recv(4096):
            raise ConnectionResetError("the client closed the connection")
    except BlockingIOError:
        pass
    while going or (fresh := news.take()):
        if not going:
            going += fresh
        try:
            del going[: sock.send(going)]
        except BlockingIOError:
            return True
    return False


def peer_pid(sock: socket.socket) -> int:
    """The process at the other end of a Unix socket, as the kernel knows it (unix(7), SO_PEERCRED)."""
    credentials = sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12)
    return int.from_bytes(credentials[:4], "little")
