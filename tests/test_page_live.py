"""`dncd page` beside a real service and stand-in controls, in a real browser: what goes over a line is seen as it goes.

Wants Chromium and the extra `browser`. Screenshots of every page go to $DNCD_SCREENSHOTS, where that names a folder.
"""

import contextlib
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from house import ENV, LONG, build, house, machine, text
from waiting import until

from dncd.outside.command_client import ask
from dncd.standin.control import Mode, StandIn
from dncd.standin.yard import Yard

pytest.importorskip("playwright", reason="the extra `browser` is not installed")
from playwright.sync_api import expect, sync_playwright

CHROMIUM = shutil.which("chromium")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no Chromium")]
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
FIRST_PAGE_BYTES = 100_000
DEADLINE_MS = 120_000
expect.set_options(timeout=DEADLINE_MS)


@contextlib.contextmanager
def served(shop):
    """The page's own process; its address."""
    words = [sys.executable, "-m", "dncd", "--config", str(shop.root / "dncd.toml"), "page", "--listen", "127.0.0.1:0"]
    with (shop.root / "page.log").open("wb") as log:
        page = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=log, env=ENV, text=True)
        try:
            yield next(word for word in page.stdout.readline().split() if word.startswith("http")).rstrip("/")
        finally:
            page.terminate()
            assert page.wait(120) == 0
            page.stdout.close()
    assert (shop.root / "page.log").read_text() == ""


@pytest.fixture(scope="module")
def browser():
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield opened
        opened.close()


@pytest.fixture
def opened(browser):
    """Opens a page in a browser of its own; all are closed behind the test, for an open one listens for news."""
    contexts = []

    def one(url, **options):
        contexts.append(browser.new_context(**options))
        contexts[-1].set_default_timeout(DEADLINE_MS)
        page = contexts[-1].new_page()
        page.goto(url)
        return page

    yield one
    for context in contexts:
        context.close()


@pytest.fixture
def works(tmp_path):
    """A shop with a slow lathe and a mill that asks for nothing; the lathe's control, the shop and the page's address."""
    lathe, mill = StandIn(build(reads_per_s=400)), StandIn(build())
    machines = {"lathe": machine(lathe, start="dc1"), "mill": machine(mill)}
    with Yard(lathe, mill), house(tmp_path, **machines) as shop, served(shop) as url:
        shop.controls = {"lathe": lathe, "mill": mill}
        yield lathe, shop, url


def board(page):
    return page.locator("section.board")


def test_a_drop_is_seen_to_wait_to_go_out_to_hold_and_to_end(works, opened):
    control, shop, url = works
    office, screen = opened(f"{url}/machine/lathe"), opened(f"{url}/machine/lathe")
    expect(board(screen)).to_contain_text("NOTHING WAITS")
    office.set_input_files("#file", {"name": "0100.nc", "mimeType": "text/plain", "buffer": text(LONG[:200])})
    office.click("text=Look at it")
    office.click("text=Drop it")
    expect(board(screen).locator(".brings .program")).to_contain_text("O0100")
    expect(board(screen).locator(".state-waiting")).to_be_visible()
    control.read_in()
    expect(board(screen).locator(".state-held")).to_be_visible()
    expect(board(screen).locator("progress")).to_be_visible()
    expect(board(screen)).to_contain_text("0100.nc sent")
    expect(board(screen)).to_contain_text("NOTHING WAITS")
    assert shop.receipt("lathe", "sent", "0100.nc").get("result") == "sent"


def test_a_stop_says_what_it_will_do_and_does_it_once_it_is_confirmed(works, opened):
    control, shop, url = works
    shop.drop("lathe", "0100.nc", text(LONG))
    page, screen = opened(f"{url}/machine/lathe"), opened(f"{url}/machine/lathe")
    expect(board(page).locator(".state-waiting")).to_be_visible()
    control.read_in()
    expect(board(page).locator("progress")).to_be_visible()
    page.click(".four .stop")
    expect(page.locator("form.ask h2")).to_have_text("Stop O0100?")
    expect(page.locator("form.ask .caution")).to_contain_text("The control may hold half a program: delete it there")
    expect(board(screen).locator("progress")).to_be_visible()  # to ask alone stops nothing
    page.click("text=Yes, stop it")
    expect(board(screen)).to_contain_text("0100.nc interrupted: the control may hold a part of it")
    assert shop.receipt("lathe", "refused", "0100.nc").get("result") == "interrupted"


def test_a_batch_is_seen_piece_by_piece(works, opened):
    control, shop, url = works
    data = text(["O0100", "N10 G00 X1.", "M30"])
    ask(shop.state, {"do": "again", "machine": "lathe", "sha256": hashlib.sha256(data).hexdigest(), "times": 2})
    screen = opened(f"{url}/machine/lathe")
    shop.drop("lathe", "0100.nc", data)
    expect(board(screen).locator(".brings")).to_contain_text("piece 1 of 2")
    control.read_in()
    expect(board(screen).locator(".brings")).to_contain_text("piece 2 of 2")
    expect(board(screen)).to_contain_text("0100.nc sent")


def test_who_slept_is_told_the_newest_as_soon_as_he_is_back(works, opened):
    _, shop, url = works
    screen = opened(f"{url}/machine/lathe")
    expect(board(screen)).to_contain_text("NOTHING WAITS")
    screen.context.set_offline(True)
    shop.drop("lathe", "0100.nc", text(LONG[:9]))
    other = opened(f"{url}/machine/lathe")
    expect(board(other).locator(".brings .program")).to_contain_text("O0100")
    screen.context.set_offline(False)
    expect(board(screen).locator(".brings .program")).to_contain_text("O0100")


def test_of_two_people_who_stop_the_same_file_the_second_stops_nothing_else(works, opened):
    _, shop, url = works
    shop.drop("lathe", "0100.nc", text(LONG[:9]))
    one, other = opened(f"{url}/machine/lathe"), opened(f"{url}/machine/lathe")
    for person in (one, other):
        expect(board(person).locator(".brings .program")).to_contain_text("O0100")
        person.click(".four .stop")
    shop.drop("lathe", "0200.nc", text(["O0200", "M30"]))
    one.click("text=Yes, stop it")
    expect(one.locator(".done")).to_contain_text("is taken back")
    watching = opened(f"{url}/machine/lathe")
    expect(board(watching).locator(".brings .program")).to_contain_text("O0200")
    other.click("text=Yes, stop it")
    expect(other.locator(".alarm")).to_contain_text("0100.nc")
    expect(board(watching).locator(".brings .program")).to_contain_text("O0200")
    stops = [line["do"] for line in shop.ledger() if line["event"] == "asked"]
    assert stops == ["withdraw", "withdraw"], "both stand in the ledger"


def test_a_service_that_goes_is_told_and_so_is_one_that_comes_back(works, opened):
    _, shop, url = works
    screen = opened(f"{url}/")
    expect(screen.locator(".card").first).to_be_visible()
    assert shop.stop() == 0
    expect(screen.locator("#service .alarm")).to_contain_text("does not answer")
    shop.log = (shop.root / "run.log").open("ab")
    shop.start(["lathe", "mill"])
    expect(screen.locator("#service .alarm")).to_have_count(0)


def test_what_the_operator_changed_is_seen_word_by_word(works, opened):
    _, shop, url = works
    mill = shop.controls["mill"]
    mill.read_in()
    shop.drop("mill", "0007.nc", text(["O0007 (SLEEVE)", "N10 G01 X1. F0.2", "M30"]))
    shop.receipt("mill", "sent", "0007.nc")
    assert mill.wait_for(lambda: mill.memory.programs, 120)
    (number,) = mill.memory.programs
    mill.edit(number, "F0.2", "F0.1")
    mill.punch(number)
    assert shop.receipt("mill", "from-machine", "O0007.nc").get("result") == "received"
    page = opened(f"{url}/machine/mill")
    page.click("text=Known: 1 program")
    page.click("text=O0007")
    page.click("text=What changed against rev 1")
    expect(page.locator(".changes ins")).to_have_text("F0.1")
    expect(page.locator(".changes del")).to_have_text("F0.2")


def test_some_of_an_edit_is_taken_over_by_the_keyboard_alone_and_without_script(works, opened):
    _, shop, url = works
    mill = shop.controls["mill"]
    mill.read_in()
    lines = ["O0007 (SLEEVE)", "N10 G01 X1. F0.2", "N20 G00 X9.", "N30 G01 X2. F0.3", "M30"]
    shop.drop("mill", "0007.nc", text(lines))
    shop.receipt("mill", "sent", "0007.nc")
    assert mill.wait_for(lambda: mill.memory.programs and mill.mode is Mode.OFF, 120)
    (number,) = mill.memory.programs
    mill.edit(number, "F0.2", "F0.1")
    mill.edit(number, "F0.3", "F0.25")
    mill.punch(number)
    until(lambda: [line for line in shop.ledger() if line["event"] == "differs"])
    page = opened(f"{url}/machine/mill/program/O0007", java_script_enabled=False, color_scheme="dark")

    def press(label, key="Enter"):
        """Tabs on to what has this label, and presses there."""
        for _ in range(60):
            page.keyboard.press("Tab")
            focused = page.locator(":focus")
            if focused.count() and label in (focused.get_attribute("name") or "", focused.inner_text().strip()):
                page.keyboard.press(key)
                return
        raise AssertionError(label)

    press("Take over what the operator changed")
    press("g0", "Space")
    press("See the text that comes of it")
    expect(page.locator("section[aria-labelledby=lost] ins")).to_have_text("F0.1")
    press("by", "A")
    press("lost", "Space")
    press("Yes, drop it as the office's")
    expect(page.locator(".done")).to_contain_text("O0007.nc")
    mill.read_in()
    shop.receipt("mill", "sent", "O0007.nc")
    sent = (shop.shop / "mill" / "sent" / "O0007.nc").read_bytes()
    assert sent == text([line.replace("F0.3", "F0.25") for line in lines])
    asked = [(line["do"], line["by"]) for line in shop.ledger() if line["event"] == "asked"]
    assert asked == [("drop-over-edits", "A")]


def test_without_script_a_program_is_dropped_brought_and_stopped(works, opened):
    _, shop, url = works
    page = opened(url, java_script_enabled=False)
    page.click("text=lathe")
    page.set_input_files("#file", {"name": "0100.nc", "mimeType": "text/plain", "buffer": text(LONG[:5])})
    page.click("text=Look at it")
    page.click("text=Drop it")
    until(
        lambda: page.goto(f"{url}/machine/lathe/stop") and "Yes, stop it" in page.content()
    )  # nothing else loads it anew
    page.click("text=Yes, stop it")
    assert shop.receipt("lathe", "refused", "0100.nc").get("result") == "withdrawn"
    until(lambda: page.goto(f"{url}/machine/lathe") and "NOTHING WAITS" in page.inner_text(".board"))


def every_page(page, url):
    """Addresses of this page that links lead to, from the floor on; one of each kind of question is enough."""
    found, todo = [], [f"{url}/"]
    while todo:
        at = todo.pop()
        if at in found or not at.startswith(url) or "/static/" in at or "language=" in at:
            continue
        found.append(at)
        answer = page.goto(at)
        assert answer.status == 200, at
        todo += [each.partition("#")[0] for each in page.eval_on_selector_all("a[href]", "all => all.map(a => a.href)")]
    return found


def test_every_page_fits_its_screen_and_axe_finds_nothing(works, opened):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core is not installed").Axe()
    _, shop, url = works
    shop.drop("mill", "0007.nc", text(["O0007 (SLEEVE)", "N10 G00 X1.", "M30"]))
    assert shop.receipt("mill", "sent", "0007.nc").get("result") == "sent"
    shop.drop("lathe", "bad.nc", text(["O0008", "N10 G00 X1.\u00e9", "M30"]))
    shop.receipt("lathe", "refused", "bad.nc")
    shop.drop("lathe", "0100.nc", text(LONG[:9]))
    page = opened(url)
    expect(page.locator("#machine-lathe, .card").first).to_be_visible()
    pages, shots = every_page(page, url), os.environ.get("DNCD_SCREENSHOTS", "")
    assert len(pages) > 12
    if shots:
        Path(shots).mkdir(parents=True, exist_ok=True)
    for scheme, widths in (
        ("light", (360, 1024, 1920)),
        ("dark", (1920,)),
    ):  # dark has other colours, and the same places
        page.emulate_media(color_scheme=scheme)
        for at in pages:
            page.goto(at)
            for width in widths:
                page.set_viewport_size({"width": width, "height": 900})
                assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (at, width)
                if shots:
                    split = urlsplit(at)
                    name = (
                        "_".join([*split.path.strip("/").split("/"), split.query]).strip("_").replace("/", "-")
                        or "floor"
                    )
                    page.screenshot(path=Path(shots) / f"{name[:80]}-{width}-{scheme}.png", full_page=True)
            found = axe.run(page, options={"resultTypes": ["violations"]}).response["violations"]
            assert [(each["id"], each["nodes"][0]["html"]) for each in found] == [], at


def test_the_first_page_is_small(works, opened):
    _, _, url = works
    page = opened("about:blank")
    came = {}
    page.on("response", lambda answer: came.update({answer.url: answer}))
    page.goto(url)
    bodies = {at: len(answer.body()) for at, answer in list(came.items()) if "/news" not in at}
    assert 3 <= len(bodies) <= 4, (
        "page, style and script, and what is drawn in its tab: nothing waits for anything else"
    )
    assert sum(bodies.values()) < FIRST_PAGE_BYTES, bodies
