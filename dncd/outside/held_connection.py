"""The client's end of a connection that outlasts its answer: hold it, read the news, close it (`lasting`)."""

import json
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from dncd.errors import NoServiceError, NotDoneError
from dncd.outside.command_socket import ANSWER_S, NAME, opened, started

_PIECE: Final = 1 << 16


class Held:
    """A request whose answer keeps its connection; errors as `command_socket.ask`. Leave it as a context to close it."""

    def __init__(self, state: Path, request: dict[str, Any], timeout: float = ANSWER_S) -> None:
        self._where = str(state / NAME)
        self._coming = bytearray()
        self._sock = started(state, request | {"peer": 0}, timeout)
        try:
            self.content: dict[str, Any] = opened(self._first(timeout))
            self._sock.setblocking(False)
        except BaseException:
            self._sock.close()
            raise

    def __enter__(self) -> "Held":
        return self

    def __exit__(self, _kind: type[BaseException] | None, _error: object, _trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Ends it: what was lent goes back."""
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

    def _first(self, timeout: float) -> dict[str, Any]:
        self._sock.settimeout(timeout)
        try:
            while b"\n" not in self._coming:
                data = self._sock.recv(_PIECE)
                if not data:
                    raise NoServiceError("the service ended while it was asked", self._where, "Look into its journal")
                self._coming += data
        except TimeoutError:
            what = f"the service did not answer within {timeout:g} s"
            raise NotDoneError(what, self._where, "Try again; if it stays so, look into its journal") from None
        except OSError as error:
            what = f"the service ended while it was asked: {error.strerror or error}"
            raise NoServiceError(what, self._where, "Look into its journal") from None
        line, _, self._coming = self._coming.partition(b"\n")
        try:
            answer: dict[str, Any] = json.loads(line)
        except ValueError:
            what = "what answers there is not dncd"
            raise NotDoneError(what, self._where, "Look what else uses that folder") from None
        return answer
