"""What stands before every request of the page: host, size, headers. Pure ASGI, so that a stream of news passes as well.

Sources: OWASP's HTTP Headers and Cross-Site Request Forgery Prevention Cheat Sheets; RFC 9110 and RFC 6454.
"""

from collections.abc import Iterable
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dncd.outside.command_client import DROP_BYTES

BODY_BYTES: Final = DROP_BYTES + 20_000
"""Of one request: a file and what a form has around it."""

HEADERS: Final = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",  # with no-referrer a browser's own form comes with `Origin: null` (Fetch, 3.2)
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class Guard:
    """hosts: names by which this page is called; every other `Host` is somebody's who had his own name lead here (DNS
    rebinding). secure: whether browsers come by TLS."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str], *, secure: bool) -> None:
        self._app, self._hosts = app, frozenset(host.lower() for host in hosts)
        self._headers = HEADERS | ({"strict-transport-security": "max-age=31536000"} if secure else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return  # a web socket, which the page has not
        headers, taken = Headers(scope=scope), 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > BODY_BYTES:
                raise HTTPException(413, TOO_LONG)
            return message

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                found = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    found[name] = value
                if "cache-control" not in found:
                    found["cache-control"] = "no-store"
            await send(message)

        said = headers.get("content-length", "0")
        if host_of(headers.get("host", "")) not in self._hosts:
            refused, status = f"This page is called {', '.join(sorted(self._hosts))}, and by no other name.", 421
        elif len(headers.getlist("host")) != 1 or not (said.isascii() and said.isdigit()):
            refused, status = "This is no request.", 400
        elif int(said[:20]) > BODY_BYTES:
            refused, status = TOO_LONG, 413
        else:
            await self._app(scope, counted, guarded)
            return
        await PlainTextResponse(refused, status, {"connection": "close"})(scope, receive, guarded)


TOO_LONG: Final = f"That is more than the {BODY_BYTES} bytes that the page takes. Put the file into the shop's folder."


def host_of(host: str) -> str:
    """The name in a `Host` header, without its port, in small letters; "" where it is none."""
    try:
        return (urlsplit(f"//{host}").hostname or "") if not set(host) & set("/?#@\\ ") else ""
    except ValueError:
        return ""


def own(headers: Headers, *, secure: bool) -> bool:
    """Whether a form came from a page of this very host: browsers say so in `Origin`, which no other page can set."""
    return headers.get("origin", "") == f"http{'s' if secure else ''}://{headers.get('host', '')}"
