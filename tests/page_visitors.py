"""The page with people before it: browsers without a network, a service that says yes to all, a clock moved by hand."""

import asyncio
import contextlib
import shutil
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_shop import records, status
from starlette.testclient import TestClient
from starlette.types import Receive, Scope, Send

from dncd.outside.command_server import CommandServer
from dncd.page import people, server
from dncd.page.app import Page
from dncd.page.door import Access
from dncd.page.people import Person, Role
from dncd.records.ledger import utc_now, utc_text

HERE = "http://127.0.0.1:8750"
PHRASE = "copper lathe seven rain"


class Shop:
    """A page over a few records, a service that says yes to all, and a clock that is moved by hand."""

    def __init__(self, root: Path) -> None:
        self.now, self.state, self.asked = 1000.0, root / "state", list[dict[str, Any]]()
        self.opened = list[Page]()
        reading = records(root)
        reading.close()
        self.waits = ["0004.nc"]
        self.page = self.open()
        self.page.feed.status = {"service": {"pid": 1}, "machines": {"gang-lathe": status(), "mill": status()}}

    def open(self, **access: Any) -> Page:
        access = {"hosts": ("127.0.0.1", "localhost"), **access}
        page = Page(self.state, self.state.parent / "shop", Access(**access), lambda: self.now)
        self.opened.append(page)
        page.feed.status = {"service": {"pid": 1}, "machines": {"gang-lathe": status(), "mill": status()}}
        return page

    def browser(self, page: Page | None = None, base: str = HERE, at: str = "testclient") -> TestClient:
        """at: its address."""
        app = (page or self.page).app()

        async def from_there(scope: Scope, receive: Receive, send: Send) -> None:
            await app({**scope, "client": (at, 50_000)}, receive, send)

        return TestClient(from_there, base_url=base, follow_redirects=False)

    def person(self, name: str, role: Role) -> None:
        secret = people.phrase_kept(PHRASE)
        people.keep(self.state, people.read(self.state).with_one(Person(name, role, secret)))

    def phone(self, machine: str) -> str:
        code, kept = people.new_code()
        made = Person(f"phone of {machine}", Role.PHONE, kept, machine)
        people.keep(self.state, people.read(self.state).with_one(made))
        return code

    def answer(self, request: dict[str, Any]) -> dict[str, Any]:
        self.asked.append(request)
        if request["do"] == "bring":
            now = status(waiting=self.waits, last={"file": "0004.nc", "time": utc_text(utc_now()), "event": "sent"})
            self.page.feed.status = {"service": {"pid": 1}, "machines": {"gang-lathe": now}}
        elif request["do"] == "drop":
            now = status(waiting=[*self.waits, request["file"]])
            self.page.feed.status = {"service": {"pid": 1}, "machines": {"gang-lathe": now}}
        return {"file": request.get("file", "0004.nc"), "revision": request.get("revision", 0)}


@contextlib.contextmanager
def visited(root: Path) -> Iterator[Shop]:
    """A shop whose service answers."""
    made = Shop(root)
    (made.state / "page").mkdir()
    try:
        with CommandServer(made.state / "page", made.answer):
            yield made
    finally:
        for page in made.opened:
            page.reading.close()


def csrf(browser: TestClient, path: str = "/machine/gang-lathe/stop") -> str:
    return browser.get(path).text.partition('name="csrf" value="')[2].partition('"')[0]


def posted(browser: TestClient, path: str, origin: str = HERE, **form: Any) -> Any:
    return shown(browser, browser.post(path, data=form, headers={"origin": origin}))


def shown(browser: TestClient, answer: Any) -> Any:
    """The page that shows what a deed came to, where an answer leads to it."""
    return browser.get(answer.headers["location"]) if "/done?" in answer.headers.get("location", "") else answer


def signed_on(shop: Shop, name: str) -> TestClient:
    browser = shop.browser()
    assert posted(browser, "/sign-on", name=name, phrase=PHRASE).status_code == 303
    return browser


# --- by TLS ---

needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="makes its certificates with openssl")


def certificate(folder: Path, name: str = "page", phrase: str = "") -> tuple[str, str]:
    """The shop's own, made by openssl: for this computer, for two days."""
    made, key = folder / f"{name}.pem", folder / f"{name}.key"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-days", "2"]
    words += ["-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(made)]
    words += ["-passout", f"pass:{phrase}"] if phrase else ["-nodes"]
    subprocess.run(words, check=True, capture_output=True)
    return str(made), str(key)


@contextlib.contextmanager
def serving(page: Page, host: str = "127.0.0.1", context: ssl.SSLContext | None = None) -> Iterator[int]:
    """The port at which a page is served in a thread, by the loop that `dncd page` has."""
    running = server.server_of(page.app(), context)
    with (
        server.listening(host, 0, page.door.access.proxies) as sock,
        asyncio.Runner(loop_factory=server._Loop) as runner,
    ):
        sock.listen(64)
        thread = threading.Thread(target=lambda: runner.run(running.serve(sockets=[sock])))
        thread.start()
        try:
            yield sock.getsockname()[1]
        finally:
            running.should_exit = True
            thread.join()


def served(shop: Shop, context: ssl.SSLContext, **access: Any) -> contextlib.AbstractContextManager[int]:
    """A shop's page for a network, by TLS."""
    return serving(shop.open(secure=True, local=False, **access), context=context)


def trusting(made: str) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=made)
