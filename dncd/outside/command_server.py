"""The service's end of the command socket (`command_client` is the other, and says what goes over it).

Who may speak is what the rights of the socket say: the service's user and group. Where an answer is a `StreamReply`, its
connection stays open.
"""

import contextlib
import json
import os
import selectors
import socket
import stat
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError, RecordsError, StateHeldError, UsageError
from dncd.outside.command_client import NAME, encoded, socket_address
from dncd.outside.threads import Thread
from dncd.peer_text import shown

LONGEST_REQUEST: Final = 65_536
"""Bytes of one request: names and little else."""

MOST_CLIENTS: Final = 64
MOST_LASTING: Final = 48
"""Of these, watchers and borrowers: the rest is left for commands."""

"""Connections at once; the one that was idle longest makes room for a new one."""

IDLE_S: Final = 30.0
"""Seconds after which a connection that says nothing, or does not take its answer, is closed."""

_CLOSE_S: Final = 10.0
"""Seconds that the answer under way may take when the service ends; what it waits for takes less."""

NEWS_BYTES: Final = 1 << 18
"""Bytes of news that wait for one client: over ten seconds of both ways at 115,200 baud. What does not fit is counted, not
kept: a watcher that is slow or stopped must not cost the service memory, nor the line time."""


class WatchQueue:
    """What one client of a stream has not been told yet. `put` never waits and may be called from any thread."""

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
class StreamReply:
    """An answer whose connection stays open. content: as of any answer; gone: called once, in the command thread, when the
    connection has ended, but not when the service itself closes it."""

    content: dict[str, Any]
    gone: Callable[[], None]
    news: WatchQueue = field(default_factory=WatchQueue)


Handle = Callable[[dict[str, Any]], dict[str, Any] | StreamReply]


@dataclass(slots=True)
class _Client:
    sock: socket.socket
    heard_at: float
    coming: bytearray = field(default_factory=bytearray)
    going: bytearray = field(default_factory=bytearray)
    last_words: bool = False
    stream: StreamReply | None = None


class CommandServer:
    """Answers requests in a thread of its own, until `close`. Nothing that a client sends can end the thread.

    handle: request → the content of `ok`, or a `StreamReply` with it; it is called in that thread, one request at a time. A
    request that has the key `peer` is given the client's process there. A DncdError that it raises goes back to the client;
    any other exception too, as one sentence, and to `failed`.
    """

    def __init__(self, state: Path, handle: Handle, failed: Callable[[Exception], None] = lambda _: None) -> None:
        self._state, self._handle, self._failed = state, handle, failed
        self._listener = _listen(state)
        self._wake, self._woken = socket.socketpair()
        self._selector = selectors.DefaultSelector()
        self._clients: dict[int, _Client] = {}
        self._closing = False
        self._listener.setblocking(False)
        self._woken.setblocking(False)
        self._wake.setblocking(False)
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._woken, selectors.EVENT_READ)
        self.thread = Thread("commands", self._run)
        self.thread.start()

    def __enter__(self) -> "CommandServer":
        return self

    def __exit__(self, _kind: type[BaseException] | None, _error: object, _trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Stops answering and takes the socket away. The answers under way are given first."""
        self._closing = True
        self._poke()
        self.thread.join(_CLOSE_S)
        self._wake.close()

    def _poke(self) -> None:
        with contextlib.suppress(OSError):  # closed before; or full, so it is woken anyway
            self._wake.send(b"x")

    def _run(self) -> None:
        try:
            while self._round():
                pass
        finally:
            with contextlib.suppress(OSError), socket_address(self._state) as address:
                os.unlink(address)  # noqa: PTH108 - may go through /proc/self/fd
            for client in list(self._clients.values()):
                client.stream = None  # the service ends: nobody is left to be told
                self._drop(client)
            self._selector.close()
            self._listener.close()
            self._woken.close()

    def _round(self) -> bool:
        """One look at all sockets; False when `close` was called."""
        for key, _ in self._selector.select(IDLE_S if self._clients else None):
            if key.fileobj is self._woken:
                self._woken.recv(4096)
                if self._closing:
                    return False
            if key.fileobj is self._listener:
                self._accept()
            else:
                client = self._clients.get(key.fd)
                if client is not None:
                    self._serve(client)
        oldest = time.monotonic() - IDLE_S
        for client in list(self._clients.values()):
            if client.stream is not None:
                self._serve_stream(client, client.stream)
            elif client.heard_at < oldest:
                self._drop(client)
        return True

    def _accept(self) -> None:
        try:
            sock, _ = self._listener.accept()
        except OSError:  # the client went away again, or descriptors ran out: the others still count
            return
        sock.setblocking(False)
        if len(self._clients) >= MOST_CLIENTS:
            passing = [c for c in self._clients.values() if c.stream is None]
            if not passing:
                sock.close()
                return
            self._drop(min(passing, key=lambda c: c.heard_at))
        self._clients[sock.fileno()] = _Client(sock, time.monotonic())
        self._selector.register(sock, selectors.EVENT_READ)

    def _drop(self, client: _Client) -> None:
        self._clients.pop(client.sock.fileno(), None)
        self._selector.unregister(client.sock)
        client.sock.close()
        if client.stream is not None:
            client.stream.gone()

    def _serve_stream(self, client: _Client, stream: StreamReply) -> None:
        try:
            waits = _move(client.sock, client.going, stream.news)
        except OSError:
            self._drop(client)
            return
        self._selector.modify(client.sock, selectors.EVENT_READ | (selectors.EVENT_WRITE if waits else 0))

    def _serve(self, client: _Client) -> None:
        if client.stream is not None:
            return  # served after every look, for its news come from elsewhere
        try:
            if not client.going and not self._read(client):
                client.last_words = True
            self._write(client)
        except OSError:
            self._drop(client)
            return
        if not client.going and client.last_words:
            self._drop(client)
            return
        # A client that does not take its answer is not read either: it cannot pile up answers here.
        self._selector.modify(client.sock, selectors.EVENT_WRITE if client.going else selectors.EVENT_READ)

    def _read(self, client: _Client) -> bool:
        """Takes what came and answers whole lines; False when nothing more can be understood from this client."""
        try:
            data = client.sock.recv(LONGEST_REQUEST)
        except BlockingIOError:
            return True
        client.heard_at = time.monotonic()
        client.coming += data
        while (end := client.coming.find(b"\n")) >= 0:
            line = bytes(client.coming[:end])
            del client.coming[: end + 1]
            client.going += encoded(self._answer(line, client))
            if client.stream is not None:
                return True
        if len(client.coming) > LONGEST_REQUEST:
            client.going += encoded(
                _error(UsageError(f"a request has at most {LONGEST_REQUEST} bytes", "", "Shorten it"))
            )
            return False
        return bool(data)

    def _write(self, client: _Client) -> None:
        while client.going:
            try:
                sent = client.sock.send(client.going)
            except BlockingIOError:
                return
            client.heard_at = time.monotonic()
            del client.going[:sent]

    def _answer(self, line: bytes, client: _Client) -> dict[str, Any]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return _error(UsageError(f"{shown(line.decode('latin-1'))} is not JSON", "", "Send one JSON object a line"))
        if not isinstance(request, dict) or not isinstance(request.get("do"), str):
            return _error(UsageError('a request is an object with "do"', "", "Send one JSON object a line"))
        try:
            if "peer" in request:
                request["peer"] = peer_pid(client.sock)
            answer = self._handle(request)
            if isinstance(answer, StreamReply):
                lasting = sum(each.stream is not None for each in self._clients.values())
                if lasting >= MOST_LASTING:
                    answer.gone()
                    raise NotDoneError(f"{lasting} watch already, and no more may", "command socket", "End one of them")
                client.stream = answer
                answer.news.bind(self._poke)
                return {"ok": answer.content}
            return {"ok": answer}
        except DncdError as error:
            return _error(error)
        except Exception as error:  # noqa: BLE001 - the thread must outlive every fault of a handler
            self._failed(error)
            what = f"the service failed over this request: {type(error).__name__}: {error}"
            return _error(DncdError(what, str(request["do"]), "Look into the service's journal and report it"))


def _error(error: DncdError) -> dict[str, Any]:
    said = {"code": error.code, "what": error.what, "where": error.where, "next_step": error.next_step}
    return {"error": {**said, "exit_status": error.exit_status}}


def _listen(state: Path) -> socket.socket:
    """The listening socket in the state folder; a left-over one is replaced only when nobody answers on it."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with socket_address(state) as address:
            try:
                listener.bind(address)
            except OSError:
                _clear(state, address)
                listener.bind(address)
            # No one can connect before listen(), so that nobody slips in before the rights are set.
            os.chmod(address, 0o660)  # noqa: PTH101 - may go through /proc/self/fd
            listener.listen(MOST_CLIENTS)
    except OSError as error:
        listener.close()
        what = f"the command socket cannot be made: {error.strerror}"
        raise RecordsError(what, str(state / NAME), "Give the service's user the right to write there") from None
    except BaseException:
        listener.close()
        raise
    return listener


def _clear(state: Path, address: str) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1)
        try:
            probe.connect(address)
        except ConnectionRefusedError:
            if not stat.S_ISSOCK(os.lstat(address).st_mode):
                raise
            os.unlink(address)  # noqa: PTH108 - may go through /proc/self/fd
            return
        except (TimeoutError, BlockingIOError):
            pass  # a full queue means that somebody listens
    raise StateHeldError("another dncd answers there", str(state / NAME), "Stop it, or use another state folder")


def _move(sock: socket.socket, going: bytearray, news: WatchQueue) -> bool:
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
