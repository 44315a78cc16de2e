"""The live stream over a real socket, read as bytes: the newest first, then what changes; and what hangs keeps nobody."""

import asyncio
import contextlib
import http.client
import json
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from page_shop import NEXT, records, status
from starlette.testclient import TestClient
from waiting import until

from dncd.errors import NotDoneError
from dncd.outside.command_server import NEWS_BYTES, CommandServer, StreamReply, WatchQueue
from dncd.page import app, feed, people, reading
from dncd.page.app import Page
from dncd.page.door import LOCAL, Access
from dncd.page.reading import Looks
from dncd.page.server import server_of

NAME = "gang-lathe"
HOSTS = ("127.0.0.1", "localhost")


class Works:
    """A service that tells what the test says, and the page beside it on a port of its own."""

    def __init__(self, root: Path) -> None:
        self.state, self.machine = root / "state", status()
        records(root).close()
        (self.state / "page").mkdir()
        self.news = list[WatchQueue]()
        self.service = self.begin()
        self.page = Page(self.state, root / "shop", Access(HOSTS))
        self.sock = socket.create_server(("127.0.0.1", 0))
        self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 16_384)  # of each connection: little lies in between
        self.port = self.sock.getsockname()[1]
        self._server = server_of(self.page.app())
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()))
        self._thread.start()
        until(lambda: self.page.feed.status)

    async def _run(self) -> None:
        following = asyncio.create_task(self.page.run())
        await self._server.serve(sockets=[self.sock])
        following.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await following

    def close(self) -> None:
        self._server.should_exit = True
        self.page.feed.end()
        self._thread.join(20)
        self.service.close()
        self.page.reading.close()

    def get(self, path: str) -> tuple[int, str]:
        asks = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        with contextlib.closing(asks):
            asks.request("GET", path)
            answer = asks.getresponse()
            return answer.status, answer.read().decode()

    def begin(self) -> CommandServer:
        return CommandServer(self.state / "page", self._answer)

    def _answer(self, request: dict[str, Any]) -> StreamReply:
        assert request["do"] == "follow"
        self.news.append(WatchQueue())
        content = {"service": {"pid": 1}, "machines": {NAME: self.machine, "mill": status(title="Mill")}}
        return StreamReply(content, lambda: None, self.news[-1])

    def tell(self, **changes: Any) -> None:
        """The machine is another, and the page has taken that in."""
        self.machine = status(**changes)
        self.news[-1].put({"machines": {NAME: self.machine}})
        until(lambda: self.page.feed.status.get("machines", {}).get(NAME) == self.machine)


class Reader:
    """An open page, as its bytes come."""

    def __init__(self, port: int, on: str, *headers: str) -> None:
        self.sock = socket.socket()
        self.sock.settimeout(60)
        self.sock.connect(("127.0.0.1", port))
        head = "\r\n".join([f"GET /news?on={on} HTTP/1.1", f"Host: 127.0.0.1:{port}", *headers, "", ""])
        self.sock.sendall(head.encode())
        self.lines = self.sock.makefile("rb")
        self.told, self.alive = list[tuple[str, str]](), 0

    def until(self, which: str, said: str, lacks: str = "\0") -> None:
        """Reads on until that part of a page says so."""
        while True:
            line = self.lines.readline()
            assert line, "the page ended its news"
            self.alive += line.startswith(b"event: alive")
            assert self.alive < 12, f"not told {said!r} of {which} in a minute: {self.told[-2:]}"
            if line.startswith(b"data: {"):
                part = json.loads(line[6:])
                self.told.append((part["id"], part["html"]))
                if part["id"] == which and said in part["html"] and lacks not in part["html"]:
                    return

    def close(self) -> None:
        self.lines.close()
        self.sock.close()


@pytest.fixture
def works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Works]:
    monkeypatch.setattr(feed, "AGAIN_S", 0.01)
    monkeypatch.setattr(feed, "_RECORDS_S", 0.2)
    monkeypatch.setattr(app, "LOOK_S", 0.3)
    made = Works(tmp_path)
    yield made
    made.close()


@pytest.fixture
def opened(works: Works) -> Iterator[Callable[..., Reader]]:
    readers: list[Reader] = []

    def one(on: str, *headers: str) -> Reader:
        readers.append(Reader(works.port, on, *headers))
        return readers[-1]

    yield one
    for reader in readers:
        reader.close()


BOARD = f"machine-{NAME}"
WAITING = f"machine-{NAME}-waiting"
CARD = f"machine-{NAME}-card"


def test_the_newest_comes_first_and_then_what_changes_on_this_page_alone(works, opened):
    works.tell(state="waiting", waiting=["0007.nc"])
    floor, board = opened("floor"), opened(NAME)
    floor.until(CARD, "Waits for its start")
    board.until(BOARD, "Waits for its start")
    assert list(dict.fromkeys(which for which, _ in board.told)) == ["service", "undecided", WAITING, BOARD]
    before = len(board.told)
    works.tell(state="no-port")
    floor.until(CARD, "No port")
    board.until(BOARD, "No port")
    assert [which for which, _ in board.told[before:] if which != "undecided"] == [BOARD], "that is counted when it may"
    assert {which for which, _ in floor.told} == {"service", "undecided", "floor-counts", CARD, "machine-mill-card"}
    assert sum(which == "machine-mill-card" for which, _ in floor.told) == 1, "the other one did not change"


def test_the_row_of_what_waits_is_live_on_a_machines_page(works, opened):
    page = opened(NAME)
    page.until(WAITING, "<section", lacks="What waits")
    files = [{"file": f"000{n}.nc", "program": f"O000{n}", "dropped": "2026-11-28T13:05:00Z"} for n in (4, 5, 6)]
    works.tell(waiting=[file["file"] for file in files], files=files)
    page.until(WAITING, 'href="/machine/gang-lathe/first?file=0006.nc">Put it first')
    works.tell(waiting=["0006.nc", "0004.nc"], files=[files[2], files[0]])
    page.until(WAITING, 'href="/machine/gang-lathe/first?file=0004.nc">Put it first', lacks="0005.nc")
    works.tell(waiting=["0004.nc"], files=files[:1])
    page.until(WAITING, "<section", lacks="0004.nc")


def test_every_page_says_how_much_waits_for_a_decision_and_the_floor_is_told(works, opened, monkeypatch):
    monkeypatch.setattr(feed, "_COUNT_S", 0.1)
    sections = works.get("/decisions")[1].count('<section class="decision">')
    said = f'<b>{sections}<span class="unseen"> wait for a decision</span></b>'
    until(lambda: said in works.get("/log")[1])
    floor = opened("floor")
    floor.until("undecided", f"<b>{sections}<")
    works.tell(backup={"due": "its memory was never backed up", "last": "", "programs": 0, "wanted": True})
    floor.until("undecided", f"<b>{sections + 1}<")


def test_a_reader_that_takes_nothing_is_told_the_newest_and_not_all_that_was(works, opened):
    reader = opened(NAME)
    reader.until(BOARD, "Listening")
    changes, long = 12, "x" * 80_000
    for n in range(changes):
        works.tell(trouble=[f"trouble {n}. {long}"])
    (listener,) = works.page.feed._listeners
    assert len(listener.waiting) == 1, "one part, however long nobody reads"
    reader.until(BOARD, f"trouble {changes - 1}.")
    assert len(reader.told) < changes


def test_news_of_the_service_that_did_not_fit_are_asked_for_anew(works, opened):
    reader = opened(NAME)
    reader.until(BOARD, "Listening")
    works.machine = status(state="no-port")
    works.news[-1].put({"dropped": 5})
    reader.until(BOARD, "No port")
    assert len(works.news) == 2
    assert not [html for which, html in reader.told if which == "service" and "does not answer" in html]


def test_thousands_of_names_are_shown_on_both_pages_and_nobody_is_told_that_the_service_is_gone(works, opened):
    readers = opened(NAME), opened("floor")
    names = [f"{n:04} {'ä' * 250}" for n in range(200)]
    assert len(json.dumps(names)) > NEWS_BYTES
    files = [
        {"file": name, "program": "O0004", "revision": 1, "is_new": True, "dropped": "2026"} for name in names[:20]
    ]
    coming = NEXT | {"file": names[0], "title": "OF MANY", "then": ["O0004"], "then_more": 1400}
    works.tell(waiting=names, waiting_more=1400, files=files, next=coming)
    for reader, part in zip(readers, (BOARD, CARD), strict=True):
        reader.until(part, "OF MANY")
        assert not [html for which, html in reader.told if which == "service" and "does not answer" in html]
    assert len(works.news) == 1, "nothing was too long to be told"


def test_a_service_that_went_is_told_and_found_again(works, opened):
    reader = opened(NAME)
    reader.until("service", "", lacks="does not answer")
    works.service.close()
    reader.until("service", "does not answer")
    works.machine = status(state="receiving")
    works.service = works.begin()
    reader.until("service", "", lacks="does not answer")
    reader.until(BOARD, "Receiving")


def test_who_comes_back_is_told_the_newest_whatever_he_had_last(works, opened):
    reader = opened(NAME)
    reader.until(BOARD, "Listening")
    reader.close()
    works.tell(state="held", transfer={"direction": "out", "program": "O1", "chars": 1, "of_chars": 9})
    works.tell(state="no-port")
    again = opened(NAME, "Last-Event-ID: 7")
    again.until(BOARD, "No port")
    assert list(dict.fromkeys(which for which, _ in again.told)) == ["service", "undecided", WAITING, BOARD]


def test_news_go_on_while_the_records_hang(works, opened, monkeypatch):
    reader, free, hangs = opened(NAME), threading.Event(), threading.Event()
    reader.until(BOARD, "Listening")

    def held() -> None:
        hangs.set()
        free.wait(120)

    monkeypatch.setattr(works.page.reading, "held", held)
    works.tell(state="no-port")
    reader.until(BOARD, "No port")
    works.tell(state="receiving")
    reader.until(BOARD, "Receiving")
    assert hangs.is_set()
    free.set()


def test_pages_whose_records_hang_say_so_and_the_page_lives_on(works, monkeypatch):
    free = threading.Event()
    monkeypatch.setattr(works.page.reading, "lines", lambda *_: free.wait(120) and [])
    for _ in range(app._AT_ONCE + 1):
        answer, said = works.get("/log")
        assert (answer, "the records cannot be read just now" in said) == (409, True)
    assert works.get("/")[0] == 409, "all threads hang"
    assert works.get("/static/page.css")[0] == 200
    free.set()
    until(lambda: works.get("/log")[0] == 200)


def test_who_asks_for_many_pages_takes_the_others_none(works, monkeypatch):
    """One person's searches hang; another's page comes."""
    monkeypatch.setattr(app, "_whose", lambda _, request: request.query_params.get("by", ""))
    free = threading.Event()
    monkeypatch.setattr(works.page.reading, "lines", lambda *_: free.wait(120) and [])
    said = [works.get("/log?by=one")[1] for _ in range(app._AT_ONCE)]
    assert sum("as many pages of yours are being made as one may have" in each for each in said) == 2
    until(lambda: works.get("/?by=other")[0] == 200)
    free.set()
    until(lambda: works.get("/log?by=one")[0] == 200)


def test_one_person_has_so_many_open_pages_and_is_told_the_others_are_served(works, opened, monkeypatch):
    monkeypatch.setattr(app, "_whose", lambda _, request: request.headers.get("user-agent", ""))
    monkeypatch.setattr(feed, "OF_ONE", 2)
    for _ in range(2):
        opened(NAME, "User-Agent: one").until(BOARD, "Listening")
    opened(NAME, "User-Agent: one").until("service", "you have as many pages open as one may")
    opened(NAME, "User-Agent: other").until(BOARD, "Listening")


def test_a_disk_that_hangs_when_it_is_asked_who_may_stops_no_page_but_that_one(works, opened, monkeypatch):
    reader, free, hangs = opened(NAME), threading.Event(), threading.Event()
    reader.until(BOARD, "Listening")
    monkeypatch.setattr(works.page.door._looks, "_patience_s", 0.3)

    def file_of(state: Path) -> Path:
        hangs.set()
        free.wait(120)
        return state / "page" / "people.json"

    monkeypatch.setattr(people, "file_of", file_of)
    for _ in range(2):
        answer, said = works.get("/")
        assert (answer, "who may use the page cannot be read just now" in said) == (409, True)
    assert hangs.is_set()
    assert works.get("/static/page.css")[0] == 200
    works.tell(state="no-port")
    reader.until(BOARD, "No port")
    free.set()
    until(lambda: works.get("/")[0] == 200)


def test_a_deed_that_hangs_with_the_disk_is_told_as_not_known(tmp_path, monkeypatch):
    records(tmp_path).close()
    page, free = Page(tmp_path / "state", tmp_path / "shop", Access(HOSTS)), threading.Event()
    monkeypatch.setattr(page, "_deeds", Looks(1, 0.3, app._NOT_KNOWN).done)
    monkeypatch.setattr(page, "_made", Looks(1, 0.3).done)
    for each in ("lines", "held", "machines"):  # and no service answers
        monkeypatch.setattr(page.reading, each, lambda *_: free.wait(120) and [])
    browser, session = TestClient(page.app(), base_url="http://127.0.0.1:8750"), page.door.sessions.begin(LOCAL)
    browser.cookies.set("dncd", session.id)
    form = {"csrf": session.csrf, "file": "O0004.nc"}
    said = browser.post(f"/machine/{NAME}/stop", data=form, headers={"origin": "http://127.0.0.1:8750"})
    assert (said.status_code, "nobody knows whether it was done" in said.text) == (409, True)
    free.set()


def test_a_floor_that_slept_over_a_reload_of_the_settings_drops_the_cards_of_machines_that_are_gone(works, opened):
    there = works.get("/")[1].partition("there=")[2].partition('"')[0]
    again = opened(f"floor&there={there}")
    again.until(CARD, "Listening")
    again.close()
    works.news[-1].put({"names": [NAME]})
    until(lambda: list(works.page.feed.status["machines"]) == [NAME])
    back = opened(f"floor&there={there}")
    while (line := back.lines.readline()) != b"event: again\n":
        assert line, "the page ended its news"
        assert not line.startswith(b"data: {"), "it goes on with the cards that it has"


def test_a_share_that_hangs_keeps_one_thread_and_no_decision(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "SHARE_S", 0.1)
    records(tmp_path).close()
    page, free = Page(tmp_path / "state", tmp_path / "shop", Access(HOSTS)), threading.Event()
    monkeypatch.setattr(page.reading, "damaged_text", lambda *_: free.wait(120) and "N20 G01")
    before = threading.active_count()
    for _ in range(3):
        with pytest.raises(NotDoneError, match="the shop's folder cannot be read just now"):
            page.reading.damaged_texts([{"machine": NAME, "file": "O0006.nc"}])
    assert threading.active_count() == before + 1
    page.feed.status = {"service": {"pid": 1}, "machines": {NAME: status()}}
    said = TestClient(page.app(), base_url="http://127.0.0.1:8750").get("/decisions").text
    assert "the shop&#39;s folder cannot be read just now" in said
    assert "The control may hold half a program" in said
    free.set()
    until(lambda: page.reading.damaged_texts([{"machine": NAME, "file": "O0006.nc"}]) == ["N20 G01"])


def test_what_a_look_raised_is_raised_to_whoever_waits():
    async def look() -> None:
        looks = Looks(1, 20)
        with pytest.raises(ZeroDivisionError):
            await looks.done(lambda: 1 // 0)
        assert await looks.done(lambda: 7) == 7
        assert not looks.full

    asyncio.run(look())
