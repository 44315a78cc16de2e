"""News of the service that reach the open pages, whatever they are."""

import asyncio
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from page_shop import records, status

from dncd.outside.command_server import CommandServer, StreamReply
from dncd.page import feed
from dncd.page.feed import FLOOR, Feed
from dncd.page.people import MAY, Role

GOOD = {"service": {"pid": 2}, "machines": {}}


class Watched(Feed):
    """shown: when the good status has come."""

    shown: asyncio.Event

    def _change(self, status: dict[str, Any], machines: Iterable[str]) -> None:
        super()._change(status, machines)
        if status == GOOD:
            self.shown.set()


def test_news_that_cannot_be_shown_end_no_page_and_the_service_is_asked_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(feed, "AGAIN_S", 0.01)
    answers = iter([{"service": {}, "machines": {"lathe": "a word"}}, GOOD])
    reading = records(tmp_path)
    made = Watched(tmp_path, reading)

    async def follow() -> None:
        made.shown = asyncio.Event()
        made.listen(FLOOR, "en")
        running = asyncio.create_task(made.run())
        await asyncio.wait_for(made.shown.wait(), 120)
        running.cancel()

    with CommandServer(tmp_path, lambda _: StreamReply(next(answers), lambda: None)):
        asyncio.run(follow())
    reading.close()
    assert "asked anew" in caplog.text


def test_the_row_of_what_waits_has_for_each_what_he_may_do(tmp_path: Path) -> None:
    reading = records(tmp_path)
    made = Feed(tmp_path, reading)
    listeners = [made.listen("mill", "en", may=MAY[role]) for role in (Role.LOOK, Role.PHONE, Role.BRING)]
    files = [{"file": f"000{n}.nc", "program": f"O000{n}", "dropped": "2026-11-28T13:05:00Z"} for n in (4, 5)]
    made._change({"service": {"pid": 1}, "machines": {"mill": status(files=files)}}, ["mill"])
    for listener in listeners:
        row = json.loads(listener.waiting["machine-mill-waiting"].partition(b"data: ")[2])["html"]
        may_do = "/mill/stop?file=0005.nc" in row, "/mill/first?file=0005.nc" in row
        assert ("0005.nc" in row, may_do) == (True, (listener is listeners[2],) * 2)
    reading.close()


def test_a_page_is_loaded_anew_when_its_machine_is_gone_or_the_floor_has_others(tmp_path: Path) -> None:
    reading = records(tmp_path)
    made = Feed(tmp_path, reading)

    def tell(*machines: str) -> dict[str, bool]:
        """Which pages are told so now."""
        told = {"service": {"pid": 1}, "machines": {name: status() for name in machines}} if machines else {}
        for page in pages.values():
            page.waiting = {}
        made._change(told, machines)
        return {on: b"event: again" in b"".join(page.waiting.values()) for on, page in pages.items()}

    pages = dict[str, feed.Listener]()
    tell("lathe", "mill")
    for on in (FLOOR, "lathe", "mill"):
        listener = made.listen(on, "en")
        assert listener is not None
        pages[on] = listener
    assert not any(tell("lathe", "mill").values())
    assert not any(tell().values()), "the service does not answer: nobody knows"
    assert tell("lathe") == {FLOOR: True, "lathe": False, "mill": True}
    assert tell("lathe", "drill") == {FLOOR: True, "lathe": False, "mill": True}
    back = made.listen("mill", "en")
    assert back is not None
    assert list(back.waiting) == [""], "one that slept meanwhile"
    reading.close()


def test_what_changed_is_told_to_a_page_though_another_one_was_opened_just_then(tmp_path: Path) -> None:
    reading = records(tmp_path)
    made = Feed(tmp_path, reading)
    made._change({"service": {"pid": 1}, "machines": {"lathe": status()}}, ["lathe"])
    first = made.listen("lathe", "en")
    first.waiting = {}
    reading.undecided = 7
    second = made.listen("lathe", "en")
    second.waiting = {}
    made._change(made.status, [])
    assert (list(first.waiting), list(second.waiting)) == (["undecided"], [])
    reading.close()
