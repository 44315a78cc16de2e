"""The pages to print as a browser prints them: how many sheets, and that nothing on them is cut or lies over another."""

import re
import shutil
import subprocess
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import pytest
from backup_shop import MACHINE, Shop
from dumps import dump, memory

from dncd import defaults
from dncd.choices import Flow
from dncd.cli import main
from dncd.commissioning.wiring import Connector, Contacts, Order
from dncd.commissioning.wiring_page import wiring_page

BROWSER = shutil.which("chromium") or ""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not BROWSER, reason="chromium is not here: nothing prints the pages"),
]


def browse(root: Path, page: Path, *words: str) -> str:
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
    command = [BROWSER, *options, f"--user-data-dir={root / 'browser'}", *words, page.as_uri()]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=300).stdout


def sheets(root: Path, page: Path) -> int:
    file = root / "page.pdf"
    browse(root, page, "--no-pdf-header-footer", f"--print-to-pdf={file}")
    return len(re.findall(rb"/Type */Page\b", file.read_bytes()))


_LOOK = """<script>
const cut = [...document.querySelectorAll("td, th, h1, p, li")].filter(
    each => each.scrollWidth > each.clientWidth + 1).map(each => each.textContent);
const boxes = [...document.querySelectorAll("svg")].flatMap(svg => {
    const texts = [...svg.querySelectorAll("text")].map(each => [each.textContent, each.getBoundingClientRect()]);
    const over = (a, b) => a.left < b.right && b.left < a.right && a.top + 2 < b.bottom && b.top + 2 < a.bottom;
    const frame = svg.getBoundingClientRect();
    return texts.flatMap(([said, a], n) => [
        ...texts.slice(n + 1).filter(([_, b]) => over(a, b)).map(([more]) => said + "/" + more),
        ...(a.left < frame.left || a.right > frame.right || a.top < frame.top || a.bottom > frame.bottom ? [said] : [])]);
});
document.body.setAttribute("data-seen", JSON.stringify([cut, boxes]));
</script></body>"""
"""Two points of a text's box are its font's own room."""


def hidden(root: Path, page: Path) -> str:
    """What is cut, and which texts of a drawing lie over another."""
    looked = page.with_name("looked.html")
    looked.write_text(re.sub(r"<meta http-equiv[^>]*>", "", page.read_text("utf-8")).replace("</body>", _LOOK), "utf-8")
    (found,) = re.findall(r'data-seen="([^"]*)"', browse(root, looked, "--window-size=720,1100", "--dump-dom"))
    return str(found)


TITLE = ("Boring mill with a rotary table that stands at the far wall of bay 2 " * 9)[: defaults.NAME_CHARS]


@pytest.mark.parametrize(("flow", "title"), [(Flow.XON_XOFF, "Gang lathe, bay 2"), (Flow.RTS_CTS, TITLE)])
def test_the_cable_and_its_plugs_are_two_sheets(tmp_path: Path, flow: Flow, title: str) -> None:
    for near, far in product(Connector, Connector):
        page = tmp_path / "cable.html"
        page.write_text(wiring_page(Order("gang-lathe", title, 38400, flow, near, far, Contacts.PINS)), "utf-8")
        assert sheets(tmp_path, page) == 2, (near, far)
        assert hidden(tmp_path, page) == "[[],[]]"


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(tmp_path)
    yield made
    made.office.close()


def test_forty_programs_and_long_titles_fit_on_the_doors_sheets(shop: Shop) -> None:
    """With titles of as many characters as one line has, with and without a blank."""
    programs = memory(40)
    shop.punch(dump(programs))
    for number, title in ((9001, "BEARING SLEEVE, JAWS BORED TO 84.2, " * 3), (9002, "X" * 100)):
        shop.punch(f"%\nO{number}({title})\nM30\n%\n".replace("\n", "\n\r\r").encode())
    for event, program in zip(("sent", "proven", "interrupted"), programs, strict=False):
        shop.office.ledger.append(event, {"machine": MACHINE, "revision": 1, "program": program.name})
    page = shop.root / "door.html"
    assert main(["--config", str(shop.root / "dncd.toml"), "programs", MACHINE, "--sheet", "-o", str(page)]) == 0
    assert sheets(shop.root, page) == 2
    assert hidden(shop.root, page) == "[[],[]]"
    page.write_text(page.read_text("utf-8").replace("break-word", "normal"), "utf-8")
    assert "XXX" in hidden(shop.root, page), "what is cut is seen"
