"""The page with people before it: browsers without a network, a service that says yes to all, a clock moved by hand."""

from pathlib import Path
from typing import Any

from page_shop import records, status
from starlette.testclient import TestClient

from dncd.page import people
from dncd.page.app import Page
from dncd.page.door import Access
from dncd.page.people import Person, Role

HERE = "http://127.0.0.1:8750"
PHRASE = "copper lathe seven rain"


class Shop:
    """A page over a few records, a service that says yes to all, and a clock that is moved by hand."""

    def __init__(self, root: Path) -> None:
        self.now, self.state, self.asked = 1000.0, root / "state", list[dict[str, Any]]()
        reading = records(root)
        reading.close()
        self.waits = ["0004.nc"]
        self.page = self.open()
        self.page.feed.status = {"service": {"pid": 1}, "machines": {"gang-lathe": status(), "mill": status()}}

    def open(self, **access: Any) -> Page:
        access = {"hosts": ("127.0.0.1", "localhost"), **access}
        page = Page(self.state, self.state.parent / "shop", Access(**access), lambda: self.now)
        page.feed.status = {"service": {"pid": 1}, "machines": {"gang-lathe": status(), "mill": status()}}
        return page

    def browser(self, page: Page | None = None, base: str = HERE, at: str = "testclient") -> TestClient:
        """at: its address."""
        return TestClient((page or self.page).app(), base_url=base, follow_redirects=False, client=(at, 50_000))

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
            now = status(waiting=self.waits, last={"file": "0004.nc", "time": "2026-11-28T13:09:00Z", "event": "sent"})
            self.page.feed.status = {"service": {"pid": 1}, "machines": {"gang-lathe": now}}
        return {"file": request.get("file", "0004.nc"), "revision": request.get("revision", 0)}


def csrf(browser: TestClient, path: str = "/machine/gang-lathe/stop") -> str:
    return browser.get(path).text.partition('name="csrf" value="')[2].partition('"')[0]


def posted(browser: TestClient, path: str, origin: str = HERE, **form: Any) -> Any:
    return browser.post(path, data=form, headers={"origin": origin})


def signed_on(shop: Shop, name: str) -> TestClient:
    browser = shop.browser()
    assert posted(browser, "/sign-on", name=name, phrase=PHRASE).status_code == 303
    return browser
