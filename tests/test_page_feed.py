"""News of the service that reach the open pages, whatever they are."""

import asyncio
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from page_shop import records

from dncd.outside.command_server import CommandServer, StreamReply
from dncd.page import feed
from dncd.page.feed import FLOOR, Feed

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
        await asyncio.wait_for(made.shown.wait(), 30)
        running.cancel()

    with CommandServer(tmp_path, lambda _: StreamReply(next(answers), lambda: None)):
        asyncio.run(follow())
    reading.close()
    assert "asked anew" in caplog.text
