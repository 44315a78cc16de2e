"""Asking the running service through its Unix socket in the state folder: one JSON object a line, each way.

A request is `{"do": NAME, …}`; the answer `{"ok": {…}}` or `{"error": {"code", "what", "where", "next_step",
"exit_status"}}`. Some answers leave their connection open (`StreamRequest`). `command_server` is the other end.
"""

import contextlib
import json
import os
import socket
import time
from collections.abc import Iterator
from typing import Any, Final

from dncd import errors
from dncd.errors import DncdError, NoServiceError, NotDoneError

NAME: Final = "dncd.sock"

PAGE: Final = "page"
"""In the state folder: where the page's own socket lies, and who may use the page."""

DROP_BYTES: Final = 1_000_000
"""Of a file that is dropped by the page: more than any control's memory. What is drip-fed comes by the folder."""

LONGEST_ADDRESS: Final = 107
"""Bytes of a path that fit a Unix socket address (unix(7): sun_path is 108 with its NUL)."""

LONGEST_ANSWER: Final = 64 * 1024 * 1024
"""Bytes of one answer: a status with many thousand waiting names is a few million."""

ANSWER_S: Final = 10.0
"""Seconds that a command waits for the service: its answers come from memory."""

_QUEUE_S: Final = 0.01

_PIECE: Final = 1 << 18


@contextlib.contextmanager
def socket_address(state: "str | os.PathLike[str]") -> Iterator[str]:
    """The socket's path; through the opened folder where the path itself is too long for an address."""
    path = f"{state}/{NAME}"
    if len(os.fsencode(path)) <= LONGEST_ADDRESS:
        yield path
        return
    folder = os.open(state, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{NAME}"
    finally:
        os.close(folder)


def encoded(message: dict[str, Any]) -> bytes:
    return json.dumps(message, ensure_ascii=True, separators=(",", ":"), default=str).encode() + b"\n"


def ask(state: "str | os.PathLike[str]", request: dict[str, Any], timeout: float = ANSWER_S) -> dict[str, Any]:
    """Sends one request to the service and gives the content of its `ok`. NoServiceError: nobody answers. NotDoneError:
    it may not be spoken to, or said nothing within `timeout` seconds. DncdError with the service's own code, sentences
    and exit status: it said no."""
    sock, _, content = open_request(state, request, timeout)
    sock.close()
    return content


def open_request(
    state: "str | os.PathLike[str]", request: dict[str, Any], timeout: float
) -> tuple[socket.socket, bytearray, dict[str, Any]]:
    """Sends one request: its connection, still open, what came behind the answer, and the answer's `ok`; errors as `ask`."""
    end, coming = time.monotonic() + timeout, bytearray()
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with translating_errors(state, timeout), socket_address(state) as address:
            sock.settimeout(timeout)
            _connect(sock, address, end)
            with contextlib.suppress(BrokenPipeError):  # a full house answers before it is asked
                sock.sendall(encoded(request))
            data = b""
            while b"\n" not in data and len(coming) <= LONGEST_ANSWER:
                left = end - time.monotonic()
                if left <= 0:
                    raise TimeoutError
                sock.settimeout(left)
                data = sock.recv(_PIECE)
                if not data:
                    raise ConnectionResetError("it closed the connection")
                coming += data
        line, _, behind = coming.partition(b"\n")
        return sock, behind, unwrap(line, f"{state}/{NAME}")
    except BaseException:
        sock.close()
        raise


def unwrap(line: bytes | bytearray, where: str) -> dict[str, Any]:
    """The content of an answer's `ok`; DncdError for its `error`, NotDoneError for what is no answer."""
    try:
        answer = json.loads(line)
        if "ok" in answer:
            return {**answer["ok"]}
        said = answer["error"]
        error = DncdError(str(said["what"]), str(said["where"]), str(said["next_step"]))
        error.code, error.exit_status = str(said["code"]), int(said["exit_status"])
    except (ValueError, KeyError, TypeError):
        raise NotDoneError("what answers there is not dncd", where, "Look what else uses that folder") from None
    raise error


def joined(status: dict[str, Any], news: dict[str, Any]) -> dict[str, Any]:
    """The status object after news of `follow`: parts of it, machines each by itself, the transfers of some (`figures`), and
    `names`, those that there are."""
    machines = status["machines"] | news.get("machines", {})
    moved = {name: machines[name] | {"transfer": t} for name, t in news.get("figures", {}).items() if name in machines}
    machines |= moved
    found = {name: machines[name] for name in news.get("names", machines) if name in machines}
    return status | {key: part for key, part in news.items() if key not in ("names", "figures")} | {"machines": found}


class StreamRequest:
    """A request whose answer keeps its connection: leave it as a context to close it, and what was lent goes back.
    content: the answer's `ok`. Errors as `ask`."""

    def __init__(self, state: "str | os.PathLike[str]", request: dict[str, Any], timeout: float = ANSWER_S) -> None:
        self._where = f"{state}/{NAME}"
        self._sock, self._coming, self.content = open_request(state, request | {"peer": 0}, timeout)
        self._sock.setblocking(False)

    def __enter__(self) -> "StreamRequest":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._sock.close()

    def fileno(self) -> int:
        """For select, after `news` was called once: the first news may have come with the answer."""
        return self._sock.fileno()

    def news(self) -> list[dict[str, Any]]:
        """What came since the last call; never waits. NoServiceError when the service closed the connection."""
        while True:
            try:
                data = self._sock.recv(_PIECE)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                lines = self._lines()
                if lines:
                    return lines  # the next call says that it has ended
                raise NoServiceError("the service ended", self._where, "Look into its journal")
            self._coming += data
            if len(data) < _PIECE:
                break
        return self._lines()

    def _lines(self) -> list[dict[str, Any]]:
        whole, newline, rest = self._coming.rpartition(b"\n")
        if not newline:
            return []
        self._coming = rest
        return [json.loads(line) for line in whole.split(b"\n")]


@contextlib.contextmanager
def translating_errors(state: "str | os.PathLike[str]", timeout: float) -> Iterator[None]:
    """Turns what the system says of a connection that fails into the errors of `ask`."""
    where = f"{state}/{NAME}"
    try:
        yield
    except (FileNotFoundError, ConnectionRefusedError, NotADirectoryError):
        import shlex

        next_step = f"Start it: `{shlex.join(errors.start_with)} run` (or `systemctl start dncd`)"
        raise NoServiceError("the service does not run", where, next_step) from None
    except PermissionError:
        what = "this user may not speak to the service"
        raise NotDoneError(what, where, "Use the service's own user, or join its group") from None
    except TimeoutError:
        what = f"the service did not answer within {timeout:g} s"
        raise NotDoneError(what, where, "Try again; if it stays so, look into its journal") from None
    except OSError as error:
        what = f"the service ended while it was asked: {error.strerror or error}"
        raise NoServiceError(what, where, "Look into its journal, then start it with `dncd run`") from None


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
