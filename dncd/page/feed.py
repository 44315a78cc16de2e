"""Live news: one subscription to the service, told to all open pages as parts of a page that are others now.

A part is made once a change and language, and shared. Each open page has at most one part of an id in waiting: whoever is
slow, slept or came back is told the newest alone.
"""

import asyncio
import contextlib
import hashlib
import json
import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError
from dncd.outside.command_client import StreamRequest, joined
from dncd.page.reading import Looks, Reading
from dncd.page.rendering import box_parts, floor_parts, parts, render
from dncd.page.taking_over import pair_of
from dncd.page.views.decisions import decisions
from dncd.page.views.floor import Far, Service
from dncd.page.views.machine import board
from dncd.records.holdings import Holdings

FLOOR: Final = "floor"

AGAIN_S: Final = 1.0
"""Seconds until a service that does not answer is asked again."""

ALIVE_S: Final = 5.0
"""Seconds without news after which a page is told that there are none: it warns of old ones after three times that."""

MOST: Final = 200
OF_ONE: Final = 50
"""Open pages, in all and of one person: more than a shop has screens."""

_RECORDS_S: Final = 2.0
"""Seconds that news wait for the records; where these do not answer, news go on with what was read of them last."""

_COUNT_S: Final = 5.0
"""Seconds between two counts of what waits for a decision: each looks at all that all controls hold."""

_LOG: Final = logging.getLogger("dncd.page")
_AGAIN: Final = b"event: again\ndata: .\n\n"
_ALIVE: Final = b"event: alive\ndata: .\n\n"
_Status = dict[str, Any]
_Shown = tuple[str, str, frozenset[str]]
"""What open pages have in common that show the same: language, a machine's name or FLOOR, and what may be done there."""


@dataclass(slots=True)
class Listener:
    """An open page. whose: the person who has it; there: the machines that there were when it was loaded, as far as known;
    newest: by element id, what it knows or is to be told; waiting: of that, what it was not told yet."""

    shown: _Shown
    whose: str
    there: frozenset[str]
    newest: dict[str, bytes] = field(default_factory=dict)
    waiting: dict[str, bytes] = field(default_factory=dict)
    woken: asyncio.Event = field(default_factory=asyncio.Event)
    over: bool = False

    def is_old(self, machines: frozenset[str]) -> bool:
        """Whether it shows a machine that is no more, or lacks one, and must be loaded anew. Without any nobody knows."""
        on = self.shown[1]
        return bool(machines) and (machines != self.there if on == FLOOR else on not in machines)

    def put(self, found: Mapping[str, bytes]) -> None:
        """What of it is other than this page knows."""
        other = {key: event for key, event in found.items() if self.newest.get(key) != event}
        self.newest |= other
        self.waiting |= other
        if other:
            self.woken.set()

    def load_anew(self) -> None:
        self.waiting[""] = _AGAIN
        self.woken.set()

    async def news(self) -> bytes:
        """What came since the last call, at least once in `ALIVE_S`; b"" when it is over."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self.woken.wait(), ALIVE_S)
        if self.over:
            return b""
        self.woken.clear()
        told, self.waiting = self.waiting, {}
        return b"".join(told.values()) or _ALIVE


class Feed:
    """For the page's event loop. status: the newest of the service, {} while it does not answer."""

    def __init__(self, socket: Path, reading: Reading) -> None:
        self._socket, self._reading = socket, reading
        self.status: _Status = {}
        self._listeners: list[Listener] = []
        self._records = Looks(1, _RECORDS_S)
        self._over, self._count_at = False, 0.0

    def listen(
        self, on: str, language: str, whose: str = "", loaded: str = "", may: frozenset[str] = frozenset()
    ) -> Listener:
        """A new page: the newest of all its parts come first. loaded: `mark_of` the machines that a floor was loaded with,
        "" where nobody says; may: as `render` has it. NotDoneError where there are too many, of one person or in all."""
        of_one = sum(listener.whose == whose for listener in self._listeners)
        if of_one >= OF_ONE or len(self._listeners) >= MOST or self._over:
            said = "you have as many pages open as one may" if of_one >= OF_ONE else "as many pages are open as may be"
            raise NotDoneError(f"no news come here: {said}", "the page", "Close some that nobody looks at")
        there = self._there()
        shown = language, on, may if on != FLOOR else frozenset[str]()
        made = Listener(shown, whose, there)
        old = made.is_old(there) or (on == FLOOR and there and loaded not in ("", mark_of(there)))
        if old:
            made.load_anew()
        else:
            made.put(self._parts(shown, there))
        self._listeners.append(made)
        return made

    def _there(self) -> frozenset[str]:
        return frozenset(self.status.get("machines", {}))

    def leave(self, listener: Listener) -> None:
        self._listeners.remove(listener)

    def end(self) -> None:
        self._over = True
        for listener in self._listeners:
            listener.over = True
            listener.woken.set()

    async def run(self) -> None:
        """Follows the service for ever, and comes back to it."""
        while True:
            try:
                stream = await asyncio.to_thread(StreamRequest, self._socket, {"do": "follow"})
            except DncdError:
                self._change({}, ())
                await asyncio.sleep(AGAIN_S)
                continue
            with stream:
                try:
                    await self._catch_up(stream.content)
                    self._change(stream.content, stream.content["machines"])
                    await self._follow(stream)
                    continue  # it runs, and pages go on: what they missed comes with its answer
                except DncdError:
                    pass  # the service ended
                except Exception:  # noqa: BLE001 - else all pages would go on showing what was true once
                    _LOG.exception("news of the service could not be shown; it is asked anew")
                    await asyncio.sleep(AGAIN_S)
            self._change({}, ())

    async def _follow(self, stream: StreamRequest) -> None:
        """Until the service ends, or it has told more than was taken: then it is asked anew."""
        loop, ready = asyncio.get_running_loop(), asyncio.Event()
        ready.set()  # the first news may have come with the answer
        loop.add_reader(stream.fileno(), ready.set)
        try:
            while True:
                with contextlib.suppress(TimeoutError):  # else it counts anew, without any news
                    await asyncio.wait_for(ready.wait(), _COUNT_S)
                ready.clear()
                status, named = self.status, set[str]()
                for news in stream.news():
                    if "dropped" in news:
                        return
                    named |= news.get("machines", {}).keys() | news.get("figures", {}).keys()
                    status = joined(status, news)
                await self._catch_up(status)
                self._change(status, named)
        finally:
            loop.remove_reader(stream.fileno())

    def tell_boxes(self, boxes: Sequence[Far]) -> None:
        """What other boxes say now, to those who see the floor."""
        for shown in {listener.shown for listener in self._listeners if listener.shown[1] == FLOOR}:
            self._tell(shown, _events(box_parts(boxes, language=shown[0])))

    async def _catch_up(self, status: _Status) -> None:
        """What the ledger has more than was read of it, and how much waits for a decision, which not all news count anew."""
        job, now = self._reading.held, asyncio.get_running_loop().time()
        if now >= self._count_at:
            self._count_at, job = now + _COUNT_S, partial(_counted, self._reading, status["machines"])
        if not self._records.full:  # else it hangs, or is slow
            with contextlib.suppress(DncdError):  # pages that are loaded say so
                await self._records.done(job)

    def _change(self, status: _Status, machines: Iterable[str]) -> None:
        self.status, machines = status, [name for name in machines if name in status.get("machines", {})]
        there = self._there()
        for listener in self._listeners:
            if listener.is_old(there):
                listener.there = there
                listener.load_anew()
        for shown in {listener.shown for listener in self._listeners}:
            self._tell(shown, self._parts(shown, machines))

    def _tell(self, shown: _Shown, events: Mapping[str, bytes]) -> None:
        """All who have such a page open."""
        for listener in self._listeners:
            if listener.shown == shown:
                listener.put(events)

    def _parts(self, shown: _Shown, machines: Iterable[str]) -> dict[str, bytes]:
        """The events of those parts that such a page shows, of the whole shop and of these machines."""
        found, held, now = dict[str, str](), self._reading.known, datetime.now().astimezone()
        language, on, may = shown
        given: dict[str, Any] = {"language": language, "may": may, "now": now, "worse": self._reading.by_week.known}
        given["undecided"] = self._reading.undecided
        whole = floor_parts(self.status, held, **given)
        found |= whole if on == FLOOR else {key: whole[key] for key in ("service", "undecided")}
        for name in machines:
            if on in (FLOOR, name):
                wanted = ("card",) if on == FLOOR else ("waiting", "board")
                found |= parts(name, self.status["machines"][name], held, wanted, **given)
        return _events(found)


def _counted(reading: Reading, machines: Mapping[str, Mapping[str, Any]]) -> Holdings:
    """Counts what waits for a decision, as that page shows it, without reading what came damaged; gives the holdings."""
    held = reading.held()
    boards = [board(name, status, held) for name, status in machines.items()]
    found = decisions(boards, held, reading.history, partial(pair_of, reading), ())
    reading.undecided = len(found) + sum(held.checks.ending(each.name).damaged for each in boards)
    return held


def mark_of(machines: Iterable[str]) -> str:
    """A short mark of which machines there are: a page that slept over a reload of the settings comes back with another."""
    return hashlib.sha256("/".join(sorted(machines)).encode()).hexdigest()[:12]


def told_first(problem: str, language: str) -> bytes:
    """What a page is told that gets no news: it stands where troubles of the service do."""
    return _event("service", render("_service.html", language=language, service=Service(True, (problem,))))


def _events(found: Mapping[str, str]) -> dict[str, bytes]:
    return {key: _event(key, html) for key, html in found.items()}


def _event(key: str, html: str) -> bytes:
    return b"event: part\ndata: " + json.dumps({"id": key, "html": html}).encode() + b"\n\n"
