"""The page's own process: its listening socket, TLS, its signals, and the limits of each connection (uvicorn)."""

import asyncio
import contextlib
import signal
import socket
import ssl
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from weakref import WeakKeyDictionary

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

from dncd.errors import NotDoneError
from dncd.outside.manager import ready
from dncd.page.app import Page
from dncd.page.guard import plain

CONNECTIONS: Final = 256
OF_ONE: Final = 100
"""Connections at once: in all, and from one address that is not this computer's, such as a proxy's. An open page has one."""

REQUEST_S: Final = 20.0
"""Seconds in which a request must have come whole, with its file."""

IDLE_S: Final = 15
"""Seconds for which a connection stays open for a next request."""

STUCK_MS: Final = 60_000
"""Milliseconds after which a peer that takes nothing more is given up (tcp(7), TCP_USER_TIMEOUT)."""

HEAD_BYTES: Final = 16_384
"""Of a request's head."""


class _Bounded(H11Protocol):
    """A connection that must say what it wants in time."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        cycle: RequestResponseCycle | None = self.cycle
        if cycle is not None and not cycle.more_body and not cycle.response_complete:
            self._wait_no_more()
        elif self._late is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._late = self.loop.call_later(REQUEST_S, self.transport.abort)

    def _wait_no_more(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


class _Loop(asyncio.SelectorEventLoop):
    """With TLS a connection counts when its handshake is over; that has its time as well."""

    async def create_server(self, *args: Any, **given: Any) -> asyncio.Server:
        late = {"ssl_handshake_timeout": REQUEST_S} if given.get("ssl") else {}
        made: asyncio.Server = await super().create_server(*args, **given | late)
        return made


class _Server(uvicorn.Server):
    """Its signals are the process's own: uvicorn would raise them once more when it has ended."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class _Listening(socket.socket):
    """Turns away who has as many connections as one may have, and all where there are too many: before TLS, for a handshake
    that nobody goes on with is one as well, and the process would run out of descriptors."""

    free: Sequence[str] = ()

    def __init__(self, *of: Any) -> None:
        super().__init__(*of)
        self._taken = WeakKeyDictionary[socket.socket, str]()

    def accept(self) -> tuple[socket.socket, Any]:
        made, address = super().accept()
        host = plain(address[0])
        if not host.startswith("127.") and host != "::1" and host not in self.free:
            there = [whose for each, whose in self._taken.items() if each.fileno() >= 0]
            if there.count(host) >= OF_ONE or len(there) >= 2 * CONNECTIONS:
                made.close()
                raise ConnectionAbortedError  # as if it had gone before it was taken (accept(2))
            self._taken[made] = host
        return made, address


def listening(host: str, port: int, free: Sequence[str] = ()) -> socket.socket:
    """The socket. free: the addresses of proxies, which may have all connections, as this computer may. NotDoneError where
    the address cannot be had."""
    where = f"{host}:{port}"
    try:
        family, kind, number, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        made = _Listening(family, kind, number)
        made.free = free
        try:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, STUCK_MS)
            made.bind(address)
        except BaseException:
            made.close()
            raise
    except OSError as error:
        what = f"the page cannot listen there: {error.strerror}"
        raise NotDoneError(what, where, "Give it another address with --listen, or end what has this one") from None
    return made


@dataclass(frozen=True, slots=True)
class Tls:
    """The shop's own certificate. certificate, key: files of PEM."""

    certificate: str
    key: str

    def read(self, into: ssl.SSLContext | None = None) -> ssl.SSLContext:
        """What TLS needs of them, new or in place of what it was; NotDoneError where they are not what they should be.

        Python's own context is TLS 1.2 and newer, with the ciphers that it holds good (ssl, "Security considerations").
        """
        context, path = into or ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), self.certificate
        try:
            for path in (self.certificate, self.key):
                Path(path).read_bytes()
            context.load_cert_chain(self.certificate, self.key, password=lambda: b"")
        except ssl.SSLError as error:
            other = error.reason == "KEY_VALUES_MISMATCH"
            what = "the key is another certificate's" if other else f"it is no certificate with its key: {error.reason}"
            next_step = "Give it PEM: the certificate first, those above it behind it, and a key without a pass phrase"
            raise NotDoneError(what, f"[page] certificate = {self.certificate}, key = {self.key}", next_step) from None
        except OSError as error:
            next_step = "Let the page's user read it, or name another in [page]"
            raise NotDoneError(f"it cannot be read: {error.strerror}", path, next_step) from None
        return context


def serve(page: Page, sock: socket.socket, tls: Tls | None = None) -> None:
    """Until SIGTERM or SIGINT; SIGHUP reads a renewed certificate. tls: None where they come without it. Errors of `Tls`."""
    context = tls.read() if tls else None

    async def run() -> None:
        server, loop = server_of(page.app(), context), asyncio.get_running_loop()

        def again() -> None:
            try:
                if tls is not None:
                    tls.read()  # whole, before the one in use is touched
                    tls.read(context)
            except NotDoneError as error:
                print(f"The page goes on with the certificate that it has. {error}", file=sys.stderr, flush=True)

        def end() -> None:
            server.should_exit = True
            page.feed.end()

        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, end)
        loop.add_signal_handler(signal.SIGHUP, again)
        ready("browsers are listened to")
        following = asyncio.create_task(page.run())
        try:
            await server.serve(sockets=[sock])
        finally:
            following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await following

    with asyncio.Runner(loop_factory=_Loop) as runner:
        runner.run(run())


def server_of(app: ASGIApp, tls: ssl.SSLContext | None = None) -> uvicorn.Server:
    config = uvicorn.Config(
        app,
        http=_Bounded,
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="error",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=CONNECTIONS,
        timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=HEAD_BYTES,
    )
    config.load()
    config.ssl = tls
    return _Server(config)
