"""A service, a lathe at whose control a program was changed, and the office at its page."""

import re
from dataclasses import replace

from house import House, text
from page_visitors import HERE
from starlette.testclient import TestClient
from waiting import until

from dncd.outside.command_client import ask
from dncd.page.app import Page
from dncd.page.door import Access
from dncd.standin.control import Mode, StandIn

LINES = ["O0007 (SLEEVE)", "N10 G00 X26. Z2. (START)", "N20 G01 Z-20. F0.2", "N30 G00 X100.", "N40 G01 X2. F0.3", "M30"]
EDITS = (("F0.2", "F0.15"), ("F0.3", "F0.25"))
TAKE = "/machine/lathe/program/O0007/take"


def page_of(shop: House) -> Page:
    """A page that is asked things without following the service: its deeds see the status as it is."""
    page = Page(shop.state, shop.shop, Access(("127.0.0.1",)))
    page._asking = replace(page._asking, status=lambda: ask(shop.state, {"do": "status"}))
    return page


class Office:
    """A service with a lathe at whose control O0007 was changed in two places, and the page beside it."""

    def __init__(self, shop: House, control: StandIn) -> None:
        self.shop, self.control = shop, control
        self.page = page_of(shop)
        shop.drop("lathe", "0007.nc", text(LINES))
        control.read_in()
        shop.receipt("lathe", "sent", "0007.nc")
        self.punch(*EDITS)

    def punch(self, *edits: tuple[str, str], event: str = "differs") -> None:
        before = self.happened(event)
        assert self.control.wait_for(lambda: self.control.mode is Mode.OFF and self.control.memory.programs, 120)
        (number,) = self.control.memory.programs
        for old, new in edits:
            self.control.edit(number, old, new)
        self.control.punch(number)
        until(lambda: self.happened(event) > before)

    def happened(self, event: str) -> int:
        return sum(line["event"] == event for line in self.shop.ledger())

    def browser(self) -> TestClient:
        self.page.feed.status = ask(self.shop.state, {"do": "status"})
        return TestClient(self.page.app(), base_url=HERE, follow_redirects=False)

    def asked(self) -> list[tuple[str, str, str]]:
        return [(line["do"], line["by"], line["what"]) for line in self.shop.ledger() if line["event"] == "asked"]

    def waits(self) -> list[str]:
        found: list[str] = ask(self.shop.state, {"do": "status"})["machines"]["lathe"]["waiting"]
        return found


def form(html: str) -> dict[str, str]:
    """What the form that is posted on a page brings along, its boxes ticked as they stand."""
    posted = html.partition('method="post" action="/machine/')[2].partition("</form>")[0]
    pairs = re.findall(r'name="([^"]+)"[^>]*? value="([^"]*)"', posted)
    return {key: value for key, value in pairs if key != "lost"}
