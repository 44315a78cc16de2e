"""The page in a real browser: every width, light and dark, the rules of WCAG by axe-core, news that come, gloves, no script.

Wants Chromium and the extra `browser`: axe-playwright-python 0.1.8 carries npm's axe-core, as it is published there, in
`axe.min.js` (4.12.1 by the head of that file). But for the last test the server is only what shows the pages.
"""

import json
import queue
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

import pytest
from house import LONG, build, house, machine, text
from page_shop import NEXT, NOW, OUT, records, status

import dncd.page
from dncd.page.pages import PAGES, Look, ask
from dncd.page.reading import Reading
from dncd.page.rendering import ACTIONS, parts
from dncd.page.views.floor import far
from dncd.records.holdings import Holdings
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard

pytest.importorskip("playwright", reason="the extra `browser` is not installed")
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

CHROMIUM = shutil.which("chromium")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no Chromium")]
NAME = "gang-lathe"
STATIC = Path(dncd.page.__file__).parent / "static"
KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
SAFE = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'"
RUNS = {
    "service": {"pid": 1, "trouble": ["the disk has 80 MB left (state): make room there"]},
    "machines": {
        NAME: status(state="held", transfer=OUT, next=NEXT | {"warnings": ["one", "two"], "then": ["O7"]}, waiting=["4.nc"]),
        "bore-mill": status(
            title="Bore mill with a long title, hall 5", state="no-port", trouble=["/dev/serial/by-id/x is gone", "more"],
            last={"time": "2026-11-27T12:58:00Z", "event": "interrupted", "file": "0099.nc", "damaged": 2},
            backup={"due": "its memory was never backed up: punch all its programs out"},
        ),
        "jig": status(next=NEXT | {"withheld": "it is 30 hours older", "next_step": "drop it again", "proven": False}),
    },
}  # fmt: skip
FAR = {
    "machines": {
        "lathe": status(title="Lathe of the other hall", state="held", transfer=OUT),
        "mill": status(state="no-port"),
    }
}
BOXES = (
    far("hall-2", FAR, heard="2026-11-28T13:09:57Z", age_s=3, alive=True, problem=""),
    far(
        "hall-3",
        FAR,
        heard="2026-11-28T13:05:00Z",
        age_s=300,
        alive=False,
        problem="it does not answer: no route to host",
    ),
)
SHOWN = [
    *(path.format(machine=NAME, program="O0004") + "?a=1&b=2" * ("taken-over" in path) for path in PAGES),
    *("/machine/bore-mill", "/machine/jig", "/search?q=sleeve", "/?language=de"),
    *(f"/machine/{NAME}/{kind}" for kind in ACTIONS),
    f"/machine/{NAME}/bring?program=4",
]


class Shop(ThreadingHTTPServer):
    """Shows the pages of a state folder. news: what `/news` tells next, if live is set; "" ends its answer."""

    daemon_threads = True

    def __init__(self, reading: Reading) -> None:
        super().__init__(("127.0.0.1", 0), Answer)
        self.reading, self.news, self.live = reading, queue.Queue[str](), threading.Event()
        self.url = f"http://127.0.0.1:{self.server_port}"

    def page(self, path: str, form: dict[str, str]) -> str:
        place = dict(zip(("machine", "program"), path.split("/")[2::2], strict=False))
        told = {"language": form.get("language", "en"), "who": "A. Miller", "csrf": "t0ken", "boxes": BOXES}
        look = Look(self.reading, RUNS, place, form, NOW, told)
        if (last := path.rpartition("/")[2]) in ACTIONS:
            return ask(look, last)
        names = {value: key for key, value in place.items()}
        return PAGES["/".join(f"{{{names[part]}}}" if part in names else part for part in path.split("/"))](look)


class Answer(BaseHTTPRequestHandler):
    server: Shop

    def log_message(self, *_: object) -> None:
        """It says nothing."""

    def do_GET(self) -> None:
        split = urlsplit(self.path)
        if split.path == "/news":
            self.answer("text/event-stream", b"")
            self.wfile.write(b"retry: 2000\n\n")
            while self.server.live.is_set() and (told := self.server.news.get()):
                self.wfile.write(f"event: part\ndata: {told}\n\n".encode())
                self.wfile.flush()
        elif split.path.startswith("/static/"):
            file = STATIC / split.path.rpartition("/")[2]
            self.answer(KINDS[file.suffix], file.read_bytes())
        else:
            self.answer("text/html; charset=utf-8", self.server.page(split.path, dict(parse_qsl(split.query))).encode())

    def answer(self, kind: str, body: bytes) -> None:
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Security-Policy", SAFE)
        self.end_headers()
        self.wfile.write(body)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    reading = records(tmp_path_factory.mktemp("shop"))
    reading.verify()
    server = Shop(reading)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield server
    server.news.put("")
    server.shutdown()
    server.server_close()
    reading.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    switches = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking", "--disable-sync"]
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=switches)
        yield opened
        opened.close()


@pytest.fixture
def opened(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a page; all are closed behind the test, for an open one listens for news."""
    contexts: list[BrowserContext] = []

    def one(**options: object) -> Page:
        contexts.append(browser.new_context(**options))
        contexts[-1].set_default_timeout(120_000)
        return contexts[-1].new_page()

    yield one
    for context in contexts:
        context.close()


SIZES = """() => [...document.querySelectorAll("a.button, button, input:not([type=hidden]), select, nav a")]
    .map(each => [each, each.getBoundingClientRect()])
    .filter(([each, box]) => box.height > 0 && (box.height < 48 || box.width < 48))
    .map(([each]) => each.outerHTML)"""


@pytest.mark.parametrize("width", [320, 360, 1024, 1920])
def test_no_page_scrolls_sideways_and_every_target_is_large(shop, opened, width):
    page = opened(viewport={"width": width, "height": 800})
    for path in SHOWN:
        page.goto(shop.url + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        assert page.evaluate(SIZES) == [], path
    page.goto(f"{shop.url}/machine/{NAME}")
    heights = page.evaluate("[...document.querySelectorAll('.four .button')].map(each => each.offsetHeight)")
    assert len(heights) == 4
    assert min(heights) >= 88


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(shop, opened, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    page = opened(viewport={"width": 1024, "height": 800}, color_scheme=scheme)
    for path in SHOWN:
        page.goto(shop.url + path)
        found = axe.run(page, options={"resultTypes": ["violations"]}).response["violations"]
        assert [(each["id"], each["nodes"][0]["html"]) for each in found] == [], path


def tell(shop: Shop, harm: str = "", **changes: object) -> None:
    """The board of the machine is another: a page that listens is told. harm: HTML that must not do anything."""
    html = parts(NAME, status(**changes), Holdings(), ("board",), now=NOW)[f"machine-{NAME}"]
    html = html.replace('<ul class="plain">', f'{harm}<ul class="plain">')
    shop.news.put(json.dumps({"id": f"machine-{NAME}", "html": html}))


def test_news_come_into_their_places_and_nothing_else_moves(shop, opened):
    page = opened(timezone_id="Europe/Berlin")
    page.clock.install(time=NOW)
    shop.live.set()
    page.goto(f"{shop.url}/machine/{NAME}")
    page.focus(".board a[href$='/programs']")
    tell(shop, '<script>pwned = 1</script><img src="data:x" onerror="pwned = 2">', trouble=["one", "two"], title="x")
    page.wait_for_selector("text=NOTHING WAITS")
    assert page.evaluate("document.activeElement.getAttribute('href')") == f"/machine/{NAME}/programs"
    assert page.evaluate("typeof pwned") == "undefined"
    page.click("summary")
    shop.news.put("")  # the answer ends: the browser asks anew, and what is open stays open
    tell(shop, trouble=["three", "two"])
    page.clock.run_for(5000)
    page.wait_for_selector("text=three")
    assert page.evaluate("document.querySelector('details').open")
    assert page.is_hidden("#old-news")
    page.clock.run_for(16000)
    assert page.inner_text("#old-news").startswith("No news since 14:10:")
    tell(shop, trouble=["four"])
    page.wait_for_selector("text=four")
    page.wait_for_selector("#old-news", state="hidden")
    shop.live.clear()
    shop.news.put("")


def test_a_glove_types_a_number(shop, opened):
    page = opened()
    page.goto(f"{shop.url}/machine/{NAME}/bring")
    for key in ("4", "7", ""):
        page.click(f".pad button[data-key='{key}']")
    assert page.input_value("#program") == "4"
    page.click("text=Look it up")
    assert page.inner_text("h2") == "Bring O0004?"


def test_all_can_be_read_and_asked_for_without_script(shop, opened):
    page = opened(java_script_enabled=False)
    page.goto(shop.url)
    page.click("text=Bore mill")
    assert "is gone" in page.inner_text(".alarm")
    page.goto(f"{shop.url}/machine/{NAME}/bring")
    assert page.is_hidden(".pad")
    page.fill("#program", "4")
    page.click("text=Look it up")
    assert page.inner_text("form.ask h2") == "Bring O0004?"


def test_a_day_in_the_browser(tmp_path, opened):
    """With the service, a stand-in control and `dncd page` itself: dropped, started, stopped, brought again, signed off; and
    the service gone and back."""
    control = StandIn(build(baud=1200))
    log = (tmp_path / "page.log").open("wb")
    with Yard(control), house(tmp_path, lathe=machine(control, baud=1200, start="dc1")) as running:
        words = ["--config", str(tmp_path / "dncd.toml"), "page", "--listen", "127.0.0.1:0"]
        own = subprocess.Popen([sys.executable, "-m", "dncd", *words], stdout=subprocess.PIPE, stderr=log, text=True)
        try:
            url = re.search(r"http://\S+/", own.stdout.readline())[0]
            page, told = opened(), []
            page.on("console", lambda line: told.append(line.text))
            page.goto(url)
            page.click(".card a")
            assert "NOTHING WAITS" in page.inner_text(".brings")
            (tmp_path / "0100.nc").write_bytes(text(["O0100 (SHAFT)", *LONG[1:80], "M30"]))
            page.set_input_files("#file", tmp_path / "0100.nc")
            page.click("text=Look at it")
            page.click("text=Drop it")
            page.click("text=Back to the machine")
            page.wait_for_selector("text=rev 1 (new)")
            control.read_in()
            page.wait_for_selector("text=Sending O0100")
            page.click("a.stop")
            assert "half a program" in page.inner_text(".caution")
            page.click("text=Yes, stop it")
            page.click("text=Back to the machine")
            page.wait_for_selector("text=interrupted")
            page.goto(f"{url}machine/lathe/good")
            assert "not known to hold it whole" in page.inner_text(".alarm")
            page.goto(f"{url}machine/lathe/again")
            page.click("text=Yes, bring it")
            assert "waits in front" in page.inner_text(".done")
            control.reset()
            control.read_in()
            page.click("text=Back to the machine")
            page.wait_for_selector("text=O0100.nc sent")
            page.click("a.good")
            page.fill("#note", "order 7, measured")
            page.fill("#by", "A. Fitter")
            page.click("text=Yes, it was good")
            page.goto(f"{url}machine/lathe/program/O0100")
            assert "by A. Fitter: order 7, measured" in page.inner_text(".chapter")
            page.goto(f"{url}machine/lathe?language=de")
            assert running.stop() == 0
            page.wait_for_selector("text=Der Dienst antwortet nicht.")
            running.log = (tmp_path / "run.log").open("ab")
            running.start(["lathe"])
            page.wait_for_selector("text=Der Dienst antwortet nicht.", state="detached")
            assert told == []
        finally:
            own.terminate()
            assert own.wait(120) == 0
            log.close()
            own.stdout.close()
    assert (tmp_path / "page.log").read_bytes() == b""
