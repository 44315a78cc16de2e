"""The page's own process: its listening socket, its signals, and the limits of each connection (uvicorn)."""

import asyncio
import contextlib
import signal
import socket
from collections import Counter
from collections.abc import Iterator
from typing import ClassVar, Final

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

from dncd.errors import NotDoneError
from dncd.page.app import Page

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

    _of: ClassVar[Counter[str]] = Counter()
    _late: asyncio.TimerHandle | None = None
    _counted = ""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        host = self.client[0] if self.client else ""
        if not host.startswith("127.") and host != "::1":
            self._counted = host
            self._of[host] += 1
            if self._of[host] > OF_ONE:
                transport.abort()
                return
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
        if self._counted:
            self._of[self._counted] -= 1
            if not self._of[self._counted]:
                del self._of[self._counted]
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._late = self.loop.call_later(REQUEST_S, self.transport.abort)

    def _wait_no_more(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


class _Server(uvicorn.Server):
    """Its signals are the process's own: uvicorn would raise them once more when it has ended."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def listening(host: str, port: int) -> socket.socket:
    """The socket. NotDoneError where the address cannot be had."""
    where = f"{host}:{port}"
    try:
        family, kind, number, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        made = socket.socket(family, kind, number)
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


def serve(page: Page, sock: socket.socket) -> None:
    """Until SIGTERM or SIGINT."""

    async def run() -> None:
        server, loop = server_of(page.app()), asyncio.get_running_loop()

        def end() -> None:
            server.should_exit = True
            page.feed.end()

        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, end)
        following = asyncio.create_task(page.feed.run())
        try:
            await server.serve(sockets=[sock])
        finally:
            following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await following

    asyncio.run(run())


def server_of(app: ASGIApp) -> uvicorn.Server:
    """uvicorn with the limits above."""
    return _Server(
        uvicorn.Config(
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
    )
