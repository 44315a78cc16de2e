"""Machines of another box on this page: by TLS with a token, to be looked at, and never as alive when not."""

import asyncio
import contextlib
import queue
import socket
import ssl
import threading
from pathlib import Path
from typing import Any

import pytest
from page_shop import status
from page_visitors import PHRASE, Shop, certificate, needs_openssl, served

from dncd.cli import main
from dncd.errors import NotDoneError
from dncd.page import boxes, people
from dncd.page.boxes import OLD_S, Box, Boxes, asked, of_settings, told_to_others
from dncd.page.people import Role
from dncd.page.rendering import render
from dncd.page.sessions import TRIES
from dncd.page.views.floor import floor
from dncd.page.views.machine import Rank
from dncd.records.holdings import Holdings
from dncd.values import PageSettings

SAID = {
    "service": True,
    "machines": {
        "lathe": {**status(title="Far lathe", state="sending", trouble=["the disk is full"]), "holds": 4, "unsure": 1},
        "mill": {**status(title="<b>Mill</b>"), "holds": 0, "unsure": 0},
    },
}


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    monkeypatch.setattr(people, "_COST", {"n": 2, "r": 1, "p": 1})
    made = Shop(tmp_path)
    (made.state / "page").mkdir()
    (tmp_path / "dncd.toml").write_text('[machines.lathe.line]\nport = "/dev/ttyS0"\n')
    return made


def token_of(shop: Shop, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["--config", str(shop.state.parent / "dncd.toml"), "people", "box", "hall-1"]) == 0
    said = capsys.readouterr().out
    assert "To revoke it: dncd people remove hall-1" in said
    return next(line.strip() for line in said.splitlines() if line.startswith("    "))


def by(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


# --- the box that is looked at ---------------------------------------------------------------------------------------


def test_a_token_opens_the_status_and_nothing_else(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    shop.person("A. Miller", Role.KEEPER)
    token = token_of(shop, capsys)
    assert token not in people.file_of(shop.state).read_text(), "it is kept nowhere"
    browser = shop.browser(shop.open(local=False))
    answer = browser.get("/status.json", headers=by(token))
    assert (answer.status_code, answer.headers.get("set-cookie"), answer.headers["cache-control"]) == (
        200,
        None,
        "no-store",
    )
    assert set(answer.json()["machines"]) == {"gang-lathe", "mill"}
    assert browser.get("/", headers=by(token)).headers["location"] == "/sign-on"
    assert browser.post("/status.json", headers=by(token)).status_code == 405
    assert (
        browser.post(f"/join/{token}", headers={"origin": "http://127.0.0.1:8750"}, data={"a": "b"}).status_code == 403
    )
    form = {"name": "hall-1", "phrase": token}
    assert browser.post("/sign-on", headers={"origin": "http://127.0.0.1:8750"}, data=form).status_code == 403


def test_a_token_is_limited_and_revoked(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    token, browser = token_of(shop, capsys), shop.browser()
    said = []
    for seconds in (0.0, 0.5, 1.0):
        shop.now += seconds
        said.append(browser.get("/status.json", headers=by(token)).status_code)
    assert said == [200, 429, 200]
    people.keep(shop.state, people.read(shop.state).without("hall-1"))
    shop.now += 10
    assert browser.get("/status.json", headers=by(token)).status_code == 401


def test_nobody_tries_many_tokens(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    token, code, browser = token_of(shop, capsys), shop.phone("gang-lathe"), shop.browser()
    wrong = ["", "x", PHRASE, code, *["y"] * TRIES]
    assert [browser.get("/status.json", headers=by(each)).status_code for each in wrong[:TRIES]] == [401] * TRIES
    assert browser.get("/status.json", headers=by(token)).status_code == 429


def test_a_box_on_record_is_nobody_who_could_sign_on(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    token_of(shop, capsys)
    assert shop.browser().get("/").status_code == 200, "this computer is used as before"


@needs_openssl
def test_the_status_comes_by_tls_that_holds(shop: Shop, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (made, key), (other, _), token = certificate(tmp_path), certificate(tmp_path, "other"), token_of(shop, capsys)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(made, key)
    with served(shop, context) as port:
        for ca, sent, what in (
            (other, token, "its certificate does not hold"),
            ("", token, "its certificate does not hold"),
            (made, "no", "does not know our token"),
        ):
            with pytest.raises(NotDoneError, match=what):
                asked(Box("hall-2", "127.0.0.1", port, sent), ca)
        shop.opened[-1].feed.status, status_now = {}, shop.opened[-1].feed.status
        with pytest.raises(NotDoneError, match="its service does not answer"):
            asked(Box("hall-2", "127.0.0.1", port, token), made)
        shop.opened[-1].feed.status, shop.now = status_now, shop.now + 5
        found = asked(Box("hall-2", "127.0.0.1", port, token), made)
    assert set(found["machines"]) == {"gang-lathe", "mill"}
    with pytest.raises(NotDoneError, match="it does not answer"):
        asked(Box("hall-2", "127.0.0.1", port, token), made)


# --- the box that looks ------------------------------------------------------------------------------------------------


class Far:
    """One other box, a clock moved by hand, and what it answers: an error is raised."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now, self.answers = 100.0, [SAID]
        monkeypatch.setattr(boxes, "asked", lambda *_: self.answer())
        monkeypatch.setattr(boxes, "LOOK_S", 0)
        self.boxes = Boxes([Box("hall-2", "dncd-2.shop.lan", 443, "t")], "", lambda: self.now)

    def answer(self) -> Any:
        found = self.answers.pop(0) if self.answers else NotDoneError("it does not answer: no route", "", "")
        if isinstance(found, Exception):
            raise found
        return found

    def looks(self, times: int) -> None:
        async def follow() -> None:
            told = asyncio.Semaphore(0)
            self.boxes.told = told.release
            running = asyncio.create_task(self.boxes.run())
            for _ in range(times):
                await asyncio.wait_for(told.acquire(), 120)
            running.cancel()

        asyncio.run(follow())

    def html(self) -> str:
        return render("floor.html", floor=floor({}, Holdings()), boxes=self.boxes.shown())


def test_another_boxs_machines_are_marked_with_their_box_and_nothing_can_be_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    far = Far(monkeypatch)
    far.looks(1)
    (shown,) = far.boxes.shown()
    assert (shown.alive, [board.name for board in shown.boards]) == (True, ["lathe", "mill"])
    assert (shown.boards[0].rank, shown.boards[0].holds, shown.boards[0].unsure) == (Rank.TROUBLE, 4, 1)
    cards = far.html().partition("<h2>Box hall-2</h2>")[2].partition("</main>")[0]
    assert cards.count("box hall-2") == 2
    assert "Its news are 0 s old" in cards
    assert "the disk is full" in cards
    assert "&lt;b&gt;Mill&lt;/b&gt;" in cards
    assert [word for word in ("href", "<form", "<button", "<input") if word in cards] == []


def test_a_box_that_does_not_answer_is_never_shown_as_alive(monkeypatch: pytest.MonkeyPatch) -> None:
    far = Far(monkeypatch)
    far.looks(1)
    far.now += 200
    assert not far.boxes.shown()[0].alive, "old news alone are enough"
    far.looks(1)
    (shown,) = far.boxes.shown()
    assert (shown.alive, shown.problem) == (False, "it does not answer: no route")
    assert {board.doing.state for board in shown.boards} == {""}
    cards = far.html()
    assert "Its last news are 3 min 20 s old" in cards
    assert "it does not answer: no route" in cards
    assert "Sending" not in cards
    assert "the disk is full" not in cards
    assert cards.count("Not known") == 2
    far.answers = [SAID]
    far.looks(1)
    assert far.boxes.shown()[0].alive
    assert OLD_S < 200


@pytest.mark.parametrize(
    "said",
    [
        {"machines": {"m": "word"}},
        {"machines": {"m": {"waiting": 7}}},
        {"machines": {"m": {"holds": []}}},
        {"machines": {"m": {"state": "held", "transfer": {"held_for_s": float("nan")}}}},
        {"machines": {"m": {"state": "held", "transfer": {"held_for_s": float("inf")}}}},
        {"machines": {"m": {"last": {"time": "0001-01-01T00:00:00+23:59", "event": "sent"}}}},
    ],
)
def test_nonsense_from_another_box_is_told_and_ends_nothing(said: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    far = Far(monkeypatch)
    far.answers = [said, SAID]
    far.looks(1)
    (shown,) = far.boxes.shown()
    assert (shown.alive, shown.boards) == (False, ())
    assert shown.problem.startswith("what it says is no status")
    far.answers = [said, SAID]
    far.looks(2)
    assert far.boxes.shown()[0].alive


def test_a_box_that_answers_too_slowly_is_told_as_that(monkeypatch: pytest.MonkeyPatch) -> None:
    far, over = Far(monkeypatch), threading.Event()
    monkeypatch.setattr(boxes, "_ANSWER_S", 0.01)
    monkeypatch.setattr(boxes, "asked", lambda *_: over.wait(120))
    far.looks(1)
    over.set()
    assert far.boxes.shown()[0].problem == "its answer takes too long"


@needs_openssl
def test_an_answer_that_never_ends_is_left_and_told_as_that(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made, key = certificate(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(made, key)

    def answer() -> None:
        with socket.create_server(("127.0.0.1", 0)) as listening:
            port.put(listening.getsockname()[1])
            with context.wrap_socket(listening.accept()[0], server_side=True) as talks, contextlib.suppress(OSError):
                talks.recv(4096)
                talks.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n\r\n[")
                while True:
                    talks.sendall(b'"x",' * 4096)

    monkeypatch.setattr(boxes, "_ANSWER_S", 120)
    port = queue.SimpleQueue[int]()
    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    with pytest.raises(NotDoneError, match=f"its answer is longer than {boxes._MOST_BYTES} bytes"):
        asked(Box("hall-2", "127.0.0.1", port.get(timeout=20), "t"), made)
    thread.join(20)
    assert not thread.is_alive(), "the connection is closed"


def test_what_another_box_says_is_cut_and_tried_outside_the_loop_that_serves_the_page(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    far, threads, tried = Far(monkeypatch), list[threading.Thread](), boxes.box_parts

    def box_parts(shown: Any) -> dict[str, str]:
        threads.append(threading.current_thread())
        return tried(shown)

    monkeypatch.setattr(boxes, "box_parts", box_parts)
    far.answers = [{"machines": {"m" * 9000: {"title": "t" * 9000, "trouble": ["x" * 9000] * 9000}}}]
    far.looks(1)
    (board,) = far.boxes.shown()[0].boards
    assert (len(board.title), len(board.trouble), len(board.trouble[0])) == (500, 40, 500)
    assert threads
    assert threading.current_thread() not in threads


def test_what_is_told_to_others_is_shown_as_here() -> None:
    told = told_to_others({"service": {"pid": 1}, "machines": {"lathe": status()}}, Holdings())
    assert (told["service"], told["machines"]["lathe"]["holds"]) == (True, 0)
    assert told_to_others({}, Holdings()) == {"service": False, "machines": {}}


# --- the settings ------------------------------------------------------------------------------------------------------


def test_each_box_has_its_token_in_a_file_of_its_own(tmp_path: Path) -> None:
    file = tmp_path / "tokens"
    page = PageSettings(boxes="hall-2=https://dncd-2.shop.lan:8750/ hall-3=https://[fe80::1]", box_tokens=str(file))
    with pytest.raises(NotDoneError, match="cannot be read"):
        of_settings(page)
    file.write_text("# ours\nhall-2 abc\n")
    with pytest.raises(NotDoneError, match="no token for hall-3"):
        of_settings(page)
    file.write_text("hall-2 abc\nhall-3 def\n")
    found = [(each.name, each.host, each.port, each.token) for each in of_settings(page)]
    assert found == [("hall-2", "dncd-2.shop.lan", 8750, "abc"), ("hall-3", "fe80::1", 443, "def")]
    assert of_settings(PageSettings()) == ()
