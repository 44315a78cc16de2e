"""The page's process over real sockets: slow and hostile clients, live news, a service that comes and goes, the end."""

import asyncio
import contextlib
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from dncd.page import server
from dncd.page.app import Page
from dncd.page.door import Access


@pytest.fixture
def port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Of a page that is served in a thread."""
    app = Page(tmp_path / "state", tmp_path / "shop", Access(("127.0.0.1",))).app()
    monkeypatch.setattr(server, "IDLE_S", 1)
    served = server.server_of(app)
    with server.listening("127.0.0.1", 0) as sock:
        sock.listen(64)
        thread = threading.Thread(target=lambda: asyncio.run(served.serve(sockets=[sock])))
        thread.start()
        try:
            yield sock.getsockname()[1]
        finally:
            served.should_exit = True
            thread.join()


def raw(port: int, sent: bytes) -> tuple[socket.socket, bytes]:
    """A connection that sent this, and what came until it was closed."""
    sock = socket.create_connection(("127.0.0.1", port), 30)
    sock.sendall(sent)
    came = b""
    with contextlib.suppress(ConnectionResetError):
        while data := sock.recv(65_536):
            came += data
    return sock, came


HEAD = b"POST /machine/lathe/drop HTTP/1.1\r\nHost: 127.0.0.1\r\n"


@pytest.mark.parametrize(
    "sent",
    [b"", b"GET / HTTP/1.1\r\nHost: 127", HEAD + b"Content-Length: 1000\r\n\r\nx",
     b"GET /sign-on HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET / HT"],
)  # fmt: skip
def test_who_does_not_say_what_he_wants_in_time_is_cut_off(
    port: int, sent: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "REQUEST_S", 0.2)
    sock, came = raw(port, sent)
    sock.close()
    assert came[:12] in (b"", b"HTTP/1.1 200", b"HTTP/1.1 403")


@pytest.mark.parametrize(
    ("sent", "answer"),
    [
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 80 * server.HEAD_BYTES + b"\r\n\r\n", b"HTTP/1.1 400"),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", b"HTTP/1.1 400"),
        (b"GET / HTTP/1.1\r\nHost: a\r\nHost: 127.0.0.1\r\n\r\n", b"HTTP/1.1 400"),
        (b"GET / HTTP/1.1\r\n\r\n", b"HTTP/1.1 400"),
        (HEAD + b"Content-Length: 9999999\r\n\r\n", b"HTTP/1.1 413"),
        (HEAD + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", b""),
    ],
)
def test_what_is_no_request_is_refused(port: int, sent: bytes, answer: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "REQUEST_S", 1.0)
    sock, came = raw(port, sent)
    sock.close()
    assert came.startswith(answer)
    assert b"Traceback" not in came
