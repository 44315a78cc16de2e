"""The service's end of the command socket (`command_client` is the other, and says what goes over it).

Who may speak is what the rights of the socket say: the service's user and group. Where an answer is a `StreamReply`, its
connection stays open.
"""

import contextlib
import json
import math
import os
import selectors
import socket
import stat
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError, RecordsError, StateHeldError, UsageError
from dncd.outside.command_client import NAME, encoded, socket_address
from dncd.outside.threads import Thread
from dncd.peer_text import shown

LONGEST_REQUEST: Final = 65_536
"""Bytes of one request: names and little else."""

MOST_CLIENTS: Final = 64
"""Connections at once; the one that was idle longest makes room for a new one."""

MOST_LASTING: Final = 48
"""Of these, followers, watchers and borrowers: the rest is left for commands."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Of one socket. request: bytes; clients, lasting: as above; at_once: requests whose answers are made at a time."""

    request: int = LONGEST_REQUEST
    clients: int = MOST_CLIENTS
    lasting: int = MOST_LASTING
    at_once: int = 1


IDLE_S: Final = 30.0
"""Seconds after which a connection that says nothing, or does not take its answer, is closed."""

_PAUSE_S: Final = 0.1
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
        """Calls `wake`, which never waits, whenever there is something after there was nothing."""
        with self._lock:
            self._wake = wake
            wake()

    def put(self, news: dict[str, Any]) -> None:
        """One more; counted as dropped where it does not fit. What comes while nothing waits always fits, however long."""
        line = json.dumps(news, separators=(",", ":")).encode() + b"\n"
        with self._lock:
            first = not self._lines and not self._dropped
            if self._held and self._held + len(line) > self._most:
                self._dropped += 1
            else:
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
    """An answer whose connection stays open. content: as of any answer; gone: called once, in a thread of the server, when
    the connection has ended, but not when the service itself closes it."""

    content: dict[str, Any]
    gone: Callable[[], None]
    news: WatchQueue = field(default_factory=WatchQueue)


Handle = Callable[[dict[str, Any]], dict[str, Any] | StreamReply]


class _Client:
    """A connection, and the thread that serves it."""

    def __init__(self, sock: socket.socket, serve: "Callable[[_Client], None]") -> None:
        self.sock, self.heard_at = sock, time.monotonic()
        self.stream: StreamReply | None = None
        self.thread = Thread("command-client", lambda: serve(self))

    def hang_up(self, how: int = socket.SHUT_RDWR) -> None:
        """What its thread waits for comes to an end."""
        with contextlib.suppress(OSError):  # it is gone already
            self.sock.shutdown(how)


class CommandServer:
    """Answers requests until `close`, each client in a thread of its own. Nothing that a client sends can end the
    server. handle: request → the content of `ok`, or a `StreamReply` with it; it is called in these threads, for
    `Limits.at_once` requests at a time. A request that has the key `peer` is given the client's process there. A
    DncdError that it raises goes back to the client; any other exception too, as one sentence, and to `failed`."""

    def __init__(
        self,
        state: Path,
        handle: Handle,
        failed: Callable[[Exception], None] = lambda _: None,
        limits: Limits | None = None,
        barred: Collection[int] = (),
    ) -> None:
        """state: the socket's folder; barred: users who may not speak here, whatever their groups."""
        self._state, self._handle, self._failed, self._barred = state, handle, failed, barred
        self._limits = limits or Limits(LONGEST_REQUEST, MOST_CLIENTS, MOST_LASTING)
        self._turn, self._lock = threading.BoundedSemaphore(self._limits.at_once), threading.Lock()
        self._clients: list[_Client] = []
        self._closing = threading.Event()
        self._listener = _listen(state)
        self.thread = Thread("commands", self._accept)
        self.thread.start()

    def __enter__(self) -> "CommandServer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stops answering and takes the socket away. The answers under way are given first."""
        if self._closing.is_set():
            return
        self._closing.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes the accept
        end = time.monotonic() + _CLOSE_S
        self.thread.join(_CLOSE_S)
        clients = list(self._clients)
        for client in clients:
            client.hang_up(socket.SHUT_RD if client.stream is None else socket.SHUT_RDWR)
        for client in clients:
            if not client.thread.join(max(0.0, end - time.monotonic())):
                client.hang_up()  # it does not take its answer

    def _accept(self) -> None:
        try:
            while not self._closing.is_set():
                try:
                    sock, _ = self._listener.accept()
                except OSError:  # closed; or the client went away again, or descriptors ran out: the others still count
                    self._closing.wait(_PAUSE_S)
                else:
                    if peer_of(sock)[1] in self._barred:
                        sock.close()
                    else:
                        self._take(_Client(sock, self._serve))
        finally:
            with contextlib.suppress(OSError), socket_address(self._state) as address:
                os.unlink(address)  # noqa: PTH108 - may go through /proc/self/fd
            self._listener.close()

    def _take(self, client: _Client) -> None:
        """Has it served; the one that was idle longest makes room for it."""
        with self._lock:
            if len(self._clients) >= self._limits.clients:
                passing = [each for each in self._clients if each.stream is None]
                if not passing:
                    with client.sock, contextlib.suppress(OSError):  # nothing was sent yet, so that it never waits
                        client.sock.send(encoded(_error(_full(len(self._clients)))))
                    return
                oldest = min(passing, key=lambda each: each.heard_at)
                oldest.hang_up()
                self._clients.remove(oldest)
            self._clients.append(client)
        try:
            client.thread.start()
        except RuntimeError:  # no thread is left
            self._drop(client)

    def _drop(self, client: _Client) -> None:
        with self._lock:
            if client in self._clients:
                self._clients.remove(client)
        client.sock.close()

    def _serve(self, client: _Client) -> None:
        try:
            with contextlib.suppress(OSError), client.sock.makefile("rb") as coming:
                client.sock.settimeout(IDLE_S)  # also for one that does not take its answer
                longest = self._limits.request
                while line := coming.readline(longest + 1):
                    if not line.endswith(b"\n"):
                        if len(line) > longest:
                            what = f"a request has at most {longest} bytes"
                            client.sock.sendall(encoded(_error(UsageError(what, "", "Shorten it"))))
                        return
                    client.heard_at = math.inf  # who waits for an answer is not idle
                    answer = self._answer(line, client)
                    client.heard_at = time.monotonic()
                    client.sock.sendall(encoded(answer))
                    if client.stream is not None:
                        _tell(client.sock, client.stream.news)
                        return
        finally:
            self._drop(client)
            if client.stream is not None and not self._closing.is_set():  # else nobody is left to be told
                client.stream.gone()

    def _answer(self, line: bytes, client: _Client) -> dict[str, Any]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return _error(UsageError(f"{shown(line.decode('latin-1'))} is not JSON", "", "Send one JSON object a line"))
        if not isinstance(request, dict) or not isinstance(request.get("do"), str):
            return _error(UsageError('a request is an object with "do"', "", "Send one JSON object a line"))
        try:
            if "peer" in request:
                request["peer"] = peer_of(client.sock)[0]
            with self._turn:
                answer = self._handle(request)
            if isinstance(answer, StreamReply):
                with self._lock:  # counted and taken in one, for many may ask at once
                    lasting = sum(each.stream is not None for each in self._clients)
                    client.stream = answer if lasting < self._limits.lasting else None
                if client.stream is None:
                    answer.gone()
                    raise _full(lasting)
                return {"ok": answer.content}
            return {"ok": answer}
        except DncdError as error:
            return _error(error)
        except Exception as error:  # noqa: BLE001 - the client is told of every fault of a handler
            self._failed(error)
            what = f"the service failed over this request: {type(error).__name__}: {error}"
            return _error(DncdError(what, str(request["do"]), "Look into the service's journal and report it"))


def _full(lasting: int) -> NotDoneError:
    what = f"{lasting} commands follow or watch a line or have borrowed one, and no more may"
    return NotDoneError(what, "command socket", "End one of them, such as a `dncd line watch` that nobody looks at")


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


def _tell(sock: socket.socket, news: WatchQueue) -> None:
    """Hands news to a client until it ends, OSError as well. Whatever it says itself is read and means nothing. One
    that takes nothing keeps this thread alone: the queue counts what does not fit."""
    sock.settimeout(None)
    wake, woken = socket.socketpair()
    with wake, woken, selectors.DefaultSelector() as selector:
        wake.setblocking(False)
        selector.register(sock, selectors.EVENT_READ)
        selector.register(woken, selectors.EVENT_READ)
        news.bind(lambda: _poke(wake))
        try:
            while True:
                ready = [key.fileobj for key, _ in selector.select()]
                if sock in ready and not sock.recv(4096):
                    return
                if woken in ready:
                    woken.recv(4096)
                    sock.sendall(news.take())
        finally:
            news.bind(lambda: None)  # before the descriptor may be another one's


def _poke(wake: socket.socket) -> None:
    with contextlib.suppress(BlockingIOError):  # full, so it is woken anyway
        wake.send(b"x")


def peer_of(sock: socket.socket) -> tuple[int, int]:
    """Process and user at the other end of a Unix socket, as the kernel knows them (unix(7), SO_PEERCRED)."""
    pid, uid, _ = struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    return pid, uid
