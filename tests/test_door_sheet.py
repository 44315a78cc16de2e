"""The index sheet for the machine's door: well-formed, self-contained, escaped, and true."""

import json
from html.parser import HTMLParser
from pathlib import Path

import pytest
from backup_shop import MACHINE, Shop
from dumps import dump, memory

from dncd.cli import main
from dncd.cli.door_sheet import HEADS

VOID = {"meta", "br", "hr", "img", "link", "input"}
"""Elements without an end tag that a page might have (HTML Living Standard 13.1.2; memory)."""


class Page(HTMLParser):
    """Reads a page; every end tag must close what is open (the parser is the standard library's)."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.rows: list[list[str]] = []
        self.styles = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if {"td", "th"} & {*self.open}:
            self.rows[-1][-1] += data
        if self.open and self.open[-1] == "style":
            self.styles += data


@pytest.fixture
def shop(tmp_path: Path):
    made = Shop(tmp_path)
    yield made
    made.office.close()


def sheet(shop: Shop, capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    assert main(["--config", str(shop.root / "dncd.toml"), "programs", MACHINE, "--sheet"]) == 0
    return capsys.readouterr().out


def test_every_program_with_what_is_known_of_it(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    programs = memory(40)
    shop.punch(dump(programs))
    more = {"machine": MACHINE, "revision": 1}
    shop.office.ledger.append("sent", {**more, "program": programs[0].name})
    shop.office.ledger.append("proven", {**more, "program": programs[1].name})
    shop.office.ledger.append("interrupted", {**more, "program": programs[2].name})
    page = Page(sheet(shop, capsys))
    assert page.rows[0] == list(HEADS)
    rows = {row[0]: row for row in page.rows[1:]}
    assert set(rows) == {program.name for program in programs}
    for program in programs[3:]:
        chars = len(program.text.replace("\n", "\n\r\r"))
        row = rows[program.name]
        assert row[1:6] == [program.title, "1", "NO", f"{chars:,}", f"{chars * 0.00254:.2f}"]
    assert rows[programs[0].name][1] == f"{programs[0].title}Note: sent, not checked"
    assert rows[programs[1].name][3].startswith("yes, 20")
    assert rows[programs[2].name][2] == "–"
    assert "Note: UNKNOWN: sending of rev. 1 was interrupted" in rows[programs[2].name][1]
    numbers = [int(row[0][1:]) for row in page.rows[1:] if row[0][0] == "O"]
    assert numbers == sorted(numbers)


def test_text_of_programs_is_escaped_and_the_page_needs_nothing(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    title = "<script>alert`1`</script> & \"'BORE' </td></table><img src=x>"
    shop.punch(f"%\nO0001({title})\nM30\n%\n".replace("\n", "\n\r\r").encode())
    text = sheet(shop, capsys)
    page = Page(text)
    assert not {"script", "img", "link", "iframe", "a"} & set(page.tags)
    assert page.tags.count("table") == 1
    assert page.rows[1][1] == title
    assert not {"src", "href", "onload", "onclick"} & {key for key, _ in page.attributes}
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'") in page.attributes
    assert "url(" not in page.styles
    assert "@import" not in page.styles
    assert "size: A4" in page.styles
    assert "http" not in text.replace("http-equiv", "")


def test_a_sheet_is_renewed_and_goes_over_nothing_else(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    shop.punch(dump(memory(2)))
    words = ["--config", str(shop.root / "dncd.toml"), "programs", MACHINE, "--sheet", "--output"]
    out = shop.root / "door.html"
    assert main([*words, str(out)]) == 0
    first = out.read_text("utf-8")
    shop.punch(dump(memory(3)))
    assert main([*words, str(out)]) == 0
    assert len(Page(out.read_text("utf-8")).rows) == len(Page(first).rows) + 1
    other = shop.root / "letter.html"
    other.write_text("<p>Dear customer")
    assert main([*words, str(other)]) == 1
    assert other.read_text() == "<p>Dear customer"
    assert "is not such a page" in capsys.readouterr().err


def test_a_sheet_is_of_one_machine(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    config = ["--config", str(shop.root / "dncd.toml")]
    assert main([*config, "programs", "--sheet"]) == 2
    assert main([*config, "programs", MACHINE, "--sheet", "--json"]) == 2
    assert main([*config, "programs", MACHINE, "-o", "x.html"]) == 2
    capsys.readouterr()
    assert main([*config, "programs", MACHINE, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == []
    assert "no programs yet" in str(Page(sheet(shop, capsys)).rows)
