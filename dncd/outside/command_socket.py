"""Commands to the running service through a Unix socket in the state folder: one JSON object a line, each way.

A request is `{"do": NAME, …}`; the answer `{"ok": {…}}` or `{"error": {"code", "what", "where", "next_step",
"exit_status"}}`. Who may speak is what the rights of the socket say: the service's user and group. Some answers leave their
connection open (`lasting`).
"""

import contextlib
import json
import os
import selectors
import socket
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from dncd.errors import DncdError, NoServiceError, NotDoneError, RecordsError, StateHeldError, UsageError
from dncd.outside.lasting import Lasting, move, peer_pid
from dncd.outside.threads import Thread
from dncd.values import shown

NAME: Final = "dncd.sock"

LONGEST_ADDRESS: Final = 107
"""Bytes of a path that fit a Unix socket address (unix(7): sun_path is 108 with its NUL)."""

LONGEST_REQUEST: Final = 65_536
"""Bytes of one request: names and little else."""

LONGEST_ANSWER: Final = 64 * 1024 * 1024
"""Bytes of one answer: a status with many thousand waiting names is a few million."""

MOST_CLIENTS: Final = 64
"""Connections at once; the one that was idle longest makes room for a new one."""

IDLE_S: Final = 30.0
"""Seconds after which a connection that says nothing, or does not take its answer, is closed."""

ANSWER_S: Final = 10.0
"""Seconds that a command waits for the service: its answers come from memory."""

_CLOSE_S: Final = 10.0
"""Seconds that the answer under way may take when the service ends; what it waits for takes less."""

_QUEUE_S: Final = 0.01

Handle = Callable[[dict[str, Any]], dict[str, Any] | Lasting]


@contextlib.contextmanager
def _address(state: Path) -> Iterator[str]:
    """The socket's path; through the opened folder where the path itself is too long for an address."""
    path = str(state / NAME)
    if len(os.fsencode(path)) <= LONGEST_ADDRESS:
        yield path
        return
    folder = os.open(state, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{NAME}"
    finally:
        os.close(folder)


@dataclass(slots=True)
class _Client:
    sock: socket.socket
    heard_at: float
    coming: bytearray = field(default_factory=bytearray)
    going: bytearray = field(default_factory=bytearray)
    last_words: bool = False
    lasting: Lasting | None = None


class CommandServer:
    """Answers requests in a thread of its own, until `close`. Nothing that a client sends can end the thread.

    handle: request → the content of `ok`, or a `Lasting` with it; it is called in that thread, one request at a time. A
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
            with contextlib.suppress(OSError), _address(self._state) as address:
                os.unlink(address)  # noqa: PTH108 - may go through /proc/self/fd
            for client in list(self._clients.values()):
                client.lasting = None  # the service ends: nobody is left to be told
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
            if client.lasting is not None:
                self._serve_lasting(client, client.lasting)
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
            passing = [c for c in self._clients.values() if c.lasting is None]
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
        if client.lasting is not None:
            client.lasting.gone()

    def _serve_lasting(self, client: _Client, lasting: Lasting) -> None:
        try:
            waits = move(client.sock, client.going, lasting.news)
        except OSError:
            self._drop(client)
            return
        self._selector.modify(client.sock, selectors.EVENT_READ | (selectors.EVENT_WRITE if waits else 0))

    def _serve(self, client: _Client) -> None:
        if client.lasting is not None:
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
            client.going += _line(self._answer(line, client))
            if client.lasting is not None:
                return True
        if len(client.coming) > LONGEST_REQUEST:
            client.going += _line(
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
            if isinstance(answer, Lasting):
                client.lasting = answer
                answer.news.bind(self._poke)
                return {"ok": answer.content}
            return {"ok": answer}
        except DncdError as error:
            return _error(error)
        except Exception as error:  # noqa: BLE001 - the thread must outlive every fault of a handler
            self._failed(error)
            what = f"the service failed over this request: {type(error).__name__}: {error}"
            return _error(DncdError(what, str(request["do"]), "Look into the service's journal and report it"))


def _line(answer: dict[str, Any]) -> bytes:
    return json.dumps(answer, ensure_ascii=True, separators=(",", ":"), default=str).encode() + b"\n"


def _error(error: DncdError) -> dict[str, Any]:
    said = {"code": error.code, "what": error.what, "where": error.where, "next_step": error.next_step}
    return {"error": {**said, "exit_status": error.exit_status}}


def _listen(state: Path) -> socket.socket:
    """The listening socket in the state folder; a left-over one is replaced only when nobody answers on it."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with _address(state) as address:
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


def ask(state: Path, request: dict[str, Any], timeout: float = ANSWER_S) -> dict[str, Any]:
    """Sends one request to the service and gives the content of its `ok`.

    NoServiceError: nobody answers. NotDoneError: it may not be spoken to, or said nothing within `timeout` seconds.
    DncdError with the service's own code, sentences and exit status: it said no.
    """
    line = _exchange(state, _line(request), timeout)
    try:
        answer = json.loads(line)
        if isinstance(answer["ok"] if "ok" in answer else answer["error"], dict):
            return opened(answer)
    except (ValueError, KeyError, TypeError):
        pass
    raise NotDoneError("what answers there is not dncd", str(state / NAME), "Look what else uses that folder")


def started(state: Path, request: dict[str, Any], timeout: float) -> socket.socket:
    """A connection on which this request was sent, for an answer that keeps it open; errors as `ask`."""
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with _told(state, timeout), _address(state) as address:
            sock.settimeout(timeout)
            _connect(sock, address, time.monotonic() + timeout)
            sock.sendall(_line(request))
    except BaseException:
        sock.close()
        raise
    return sock


def _exchange(state: Path, line: bytes, timeout: float) -> bytes:
    with _told(state, timeout), _address(state) as address, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
        return _talk(sock, address, line, timeout)


@contextlib.contextmanager
def _told(state: Path, timeout: float) -> Iterator[None]:
    """Turns what the system says of a connection that fails into the errors of `ask`."""
    where = str(state / NAME)
    try:
        yield
    except (FileNotFoundError, ConnectionRefusedError, NotADirectoryError):
        raise NoServiceError("the service does not run", where, "Start it with `dncd run`") from None
    except PermissionError:
        what = "this user may not speak to the service"
        raise NotDoneError(what, where, "Use the service's own user, or join its group") from None
    except TimeoutError:
        what = f"the service did not answer within {timeout:g} s"
        raise NotDoneError(what, where, "Try again; if it stays so, look into its journal") from None
    except OSError as error:
        what = f"the service ended while it was asked: {error.strerror or error}"
        raise NoServiceError(what, where, "Look into its journal, then start it with `dncd run`") from None


def _talk(sock: socket.socket, address: str, line: bytes, timeout: float) -> bytes:
    end = time.monotonic() + timeout
    sock.settimeout(timeout)
    _connect(sock, address, end)
    sock.sendall(line)
    coming = bytearray()
    while not coming.endswith(b"\n") and len(coming) <= LONGEST_ANSWER:
        left = end - time.monotonic()
        if left <= 0:
            raise TimeoutError
        sock.settimeout(left)
        data = sock.recv(1 << 18)
        if not data:
            raise ConnectionResetError("it closed the connection")
        coming += data
    return bytes(coming)


def _connect(sock: socket.socket, address: str, end: float) -> None:
    """Connects, waiting while the queue is full: connect(2) says EAGAIN then, for select cannot wait for it."""
    while True:
        try:
            sock.connect(address)
        except BlockingIOError:
            if time.monotonic() >= end:
                raise TimeoutError from None
            time.sleep(_QUEUE_S)
        else:
            return


def opened(answer: dict[str, Any]) -> dict[str, Any]:
    """The content of an answer's `ok`; DncdError for its `error`."""
    if "ok" in answer:
        content: dict[str, Any] = answer["ok"]
        return content
    said = answer["error"]
    error = DncdError(str(said["what"]), str(said["where"]), str(said["next_step"]))
    error.code, error.exit_status = str(said["code"]), int(said["exit_status"])
    raise error
