"""What stands before every request of the page: host, size, headers. Pure ASGI, so that a stream of news passes as well.

Sources: OWASP's Secure Headers Project (from memory), its HTTP Headers and Cross-Site Request Forgery Prevention Cheat
Sheets; RFC 9110 and RFC 6454.
"""

from collections.abc import Collection, Iterable
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dncd.outside.command_client import DROP_BYTES
from dncd.outside.config_page import address

BODY_BYTES: Final = DROP_BYTES + 20_000
"""Of one request: a file and what a form has around it."""

HEADERS: Final = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-dns-prefetch-control": "off",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",  # with no-referrer a browser's own form comes with `Origin: null` (Fetch, 3.2)
    "cross-origin-embedder-policy": "require-corp",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "x-permitted-cross-domain-policies": "none",
}


_FORWARDED: Final = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip", "via")
"""What a proxy adds to a request."""


class Guard:
    """hosts: names by which this page is called; every other `Host` is somebody's who had his own name lead here (DNS
    rebinding). secure: whether browsers come by TLS; proxies: the addresses whose word on who asks, and how, is believed."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str], *, secure: bool, proxies: Collection[str] = ()) -> None:
        self._app, self._hosts = app, frozenset(host.lower() for host in hosts)
        self._secure, self._proxies = secure, proxies
        self._headers = HEADERS | ({"strict-transport-security": "max-age=31536000"} if secure else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return  # a web socket, which the page has not
        headers, taken = Headers(scope=scope), 0
        client, scheme = asked_by(scope, headers, self._proxies)

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
        if (scheme == "https") < self._secure:
            refused, status = "This page is given by https alone, and what came did not come so.", 421
        elif not self._secure and any(name in headers for name in _FORWARDED):
            refused, status = "This came by way of a proxy that the settings, [page] behind_proxy, do not name.", 421
        elif host_of(headers.get("host", "")) not in self._hosts:
            refused, status = f"This page is called {', '.join(sorted(self._hosts))}, and by no other name.", 421
        elif len(headers.getlist("host")) != 1 or not (said.isascii() and said.isdigit()):
            refused, status = "This is no request.", 400
        elif int(said[:20]) > BODY_BYTES:
            refused, status = TOO_LONG, 413
        else:
            await self._app({**scope, "client": (client, 0)}, counted, guarded)
            return
        await PlainTextResponse(refused, status, {"connection": "close"})(scope, receive, guarded)


TOO_LONG: Final = f"That is more than the {BODY_BYTES} bytes that the page takes. Put the file into the shop's folder."


def asked_by(scope: Scope, headers: Headers, proxies: Collection[str]) -> tuple[str, str]:
    """The address of whoever asks, and "https" or "http": what the connection says or, if it is a believed proxy's, what
    that one wrote last. Others may write there what they like."""
    client = plain((scope.get("client") or ("",))[0])
    if client not in proxies:
        return client, scope["scheme"]
    said = [part.strip() for line in headers.getlist("x-forwarded-for") for part in line.split(",")]
    found = next((each for each in map(plain, reversed(said)) if each not in proxies), client)
    scheme = ",".join(headers.getlist("x-forwarded-proto")).rpartition(",")[2].strip().lower()
    return found if address(found) else client, scheme


def plain(text: str) -> str:
    """An address as `[page] behind_proxy` has it: an IPv4 one stands in an IPv6 one where the socket is such (RFC 4291)."""
    found = address(text)
    return str(getattr(found, "ipv4_mapped", None) or found or text)


def host_of(host: str) -> str:
    """The name in a `Host` header, without its port, in small letters; "" where it is none."""
    try:
        return (urlsplit(f"//{host}").hostname or "") if not set(host) & set("/?#@\\ ") else ""
    except ValueError:
        return ""


def own(headers: Headers, *, secure: bool) -> bool:
    """Whether a form came from a page of this very host: browsers say so in `Origin`, which no other page can set."""
    return headers.get("origin", "") == f"http{'s' if secure else ''}://{headers.get('host', '')}"
