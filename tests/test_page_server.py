"""The page's process over real sockets: slow and hostile clients, live news, a service that comes and goes, the end."""

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_visitors import serving
from waiting import until

from dncd.page import server
from dncd.page.app import Page
from dncd.page.door import Access


@pytest.fixture
def port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Of a page that is served in a thread."""
    monkeypatch.setattr(server, "IDLE_S", 1)
    with serving(Page(tmp_path / "state", tmp_path / "shop", Access(("127.0.0.1",)))) as found:
        yield found


def raw(port: int, sent: bytes) -> tuple[socket.socket, bytes]:
    """A connection that sent this, and what came until it was closed."""
    sock = socket.create_connection(("127.0.0.1", port), 30)
    sock.sendall(sent)
    came = b""
    with contextlib.suppress(ConnectionResetError):
        while data := sock.recv(65_536):
            came += data
    return sock, came


SIGN_ON = b"GET /sign-on HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


def first_line(sock: socket.socket) -> bytes:
    """Of an answer; b"" where the connection was ended."""
    try:
        sock.sendall(SIGN_ON)
        with sock.makefile("rb") as coming:
            return coming.readline()
    except ConnectionError:
        return b""


def test_there_are_no_more_connections_than_the_page_can_hold(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "CONNECTIONS", 4)
    with serving(Page(tmp_path / "state", tmp_path / "shop", Access(("127.0.0.1",)))) as port:
        with many("127.0.0.1", port, 7) as several:
            assert first_line(several[-1]) == b"HTTP/1.1 503 Service Unavailable\r\n"
        until(lambda: answer_at("127.0.0.1", port) == b"HTTP/1.1 200 OK\r\n")


@contextlib.contextmanager
def many(host: str, port: int, number: int) -> Iterator[list[socket.socket]]:
    with contextlib.ExitStack() as stack:
        yield [stack.enter_context(socket.create_connection((host, port), 30)) for _ in range(number)]


def answer_at(host: str, port: int) -> bytes:
    with socket.create_connection((host, port), 30) as sock:
        return first_line(sock)


def own_address() -> str:
    """Of this computer in its network; "" where it has none. Nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock, contextlib.suppress(OSError):
        sock.connect(("192.0.2.1", 9))
        return str(sock.getsockname()[0])
    return ""


@pytest.mark.skipif(own_address()[:4] in ("", "127."), reason="this computer has no address but its own")
def test_one_address_cannot_take_all_connections_unless_it_is_the_proxys(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "OF_ONE", 3)
    for proxies, refused in (((), 2), ((own_address(),), 0)):
        page = Page(tmp_path / "state", tmp_path / "shop", Access(("127.0.0.1",), proxies=proxies))
        with serving(page, own_address()) as port:
            with many(own_address(), port, 5) as several:
                answers = [first_line(sock) for sock in several]
            assert answers == [b"HTTP/1.1 200 OK\r\n"] * (5 - refused) + [b""] * refused


@pytest.mark.skipif(own_address()[:4] in ("", "127."), reason="this computer has no address but its own")
def test_connections_count_before_tls_for_nobody_need_go_on_with_its_handshake(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "OF_ONE", 2)
    with server.listening(own_address(), 0) as sock, contextlib.ExitStack() as taken:
        sock.listen(8)
        with many(own_address(), sock.getsockname()[1], 4) as several:
            first, _ = (taken.enter_context(sock.accept()[0]) for _ in range(2))
            with pytest.raises(ConnectionAbortedError):
                sock.accept()
            assert first_line(several[2]) == b""
            first.close()
            taken.enter_context(sock.accept()[0])


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
