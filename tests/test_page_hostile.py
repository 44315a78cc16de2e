"""What comes from outside stays words: in programs, names, punched streams and the ledger. And each answer's headers."""

import asyncio
import contextlib
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from page_shop import NEXT, OUT, status
from page_visitors import HERE, Shop, csrf, posted, visited
from starlette.routing import Route

from dncd.page import guard, people
from dncd.page.feed import FLOOR
from dncd.records.ledger import Ledger
from dncd.records.library import Text, Writer
from dncd.values import Origin

SCRIPT = "<script>alert(1)</script>"
BREAKS_OUT = "\"'><img src=x onerror=alert(2)>"
LEADS_AWAY = "javascript:alert(3)"
HOSTILE = f"{SCRIPT}{BREAKS_OUT}{LEADS_AWAY}{{{{7*7}}}}\x1b[2J\u202e"


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setattr(people, "_COST", {"n": 2, "r": 1, "p": 1})
    with visited(tmp_path) as made:
        yield made


def poisoned(shop: Shop) -> None:
    """All that comes from elsewhere says HOSTILE: comments, blocks, file names, keys, what was punched, a ledger's words."""
    with contextlib.closing(Ledger.open(shop.state)) as ledger, contextlib.closing(Writer(shop.state)) as library:
        for n, origin in enumerate(Origin, 1):
            text = f"O0666 ({HOSTILE})\nN10 ({SCRIPT}{n})\nM30\n"
            library.revise("gang-lathe", "O0666", Text.of(text.encode()), origin, {})
        about = {"machine": "gang-lathe", "program": "O0666", "file": f"{HOSTILE}.nc"}
        ledger.append("sent", {**about, "revision": 1, "reasons": [HOSTILE]})
        ledger.append("received", {**about, "revision": 2})
        ledger.append("differs", {**about, "revision": 2, "against": 1})
        ledger.append("proven", {**about, "revision": 1, "note": HOSTILE, "by": HOSTILE})
        ledger.append("damaged", {**about, "reasons": [f"line 1, column 1, block '{HOSTILE}': {HOSTILE}"]})
        ledger.append(HOSTILE, {**about, "what": HOSTILE})
    damaged = shop.state.parent / "shop/gang-lathe/from-machine/damaged"
    (damaged / f"{SCRIPT.replace('/', '-')}.nc").write_text(f"%\n{HOSTILE}\n%\n")
    shop.page.feed.status = {
        "service": {"pid": 1, "trouble": [HOSTILE], "reload": {"result": "refused", "what": HOSTILE}},
        "machines": {
            "gang-lathe": status(
                title=HOSTILE, port=HOSTILE, trouble=[HOSTILE], waiting=[HOSTILE], folder=HOSTILE, pending=HOSTILE,
                keys=dict.fromkeys(("read", "punch", "reset"), HOSTILE), transfer={**OUT, "file": HOSTILE, "block": HOSTILE},
                next={**NEXT, "by": f"the next {HOSTILE}", "file": HOSTILE, "title": HOSTILE, "warnings": [HOSTILE]},
                last={"time": HOSTILE, "event": HOSTILE, "file": HOSTILE, "damaged": 3}, lent_to=HOSTILE,
            ),
        },
    }  # fmt: skip


class Found(HTMLParser):
    """Elements of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags = list[tuple[str, dict[str, str | None]]]()
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


OWN_SCRIPT = {"src": "/static/page.js", "defer": None}


def harm(html: str) -> list[Any]:
    """What of a page is no page of ours: scripts, handlers, styles, elements that fetch, addresses of elsewhere."""
    found = list[Any]()
    for tag, attributes in Found(html).tags:
        if tag in ("img", "iframe", "object", "embed", "style", "base", "svg") or (
            tag == "script" and attributes != OWN_SCRIPT
        ):
            found.append((tag, attributes))
        for name, value in attributes.items():
            away = name in ("href", "src", "action", "formaction") and not re.match(r"[/?#](?!/)", value or "/")
            if name.startswith("on") or name == "style" or away:
                found.append((tag, name, value))
    return found


def test_script_in_programs_names_streams_and_records_stays_words_on_every_page(shop: Shop) -> None:
    poisoned(shop)
    app: Any = shop.page.app()
    browser, seen = shop.browser(), ""
    paths = [route.path for route in app._app.routes if isinstance(route, Route) and "GET" in (route.methods or ())]
    assert len(paths) > 15
    for program in ("O0666", SCRIPT.replace("/", "%2F")):
        for path in paths:
            if path not in ("/news", "/status.json"):
                places = {"machine": "gang-lathe", "program": program, "code": SCRIPT.replace("/", "%2F")}
                answer = browser.get(path.format_map(places), params={"q": HOSTILE, "words": HOSTILE, "from": HOSTILE})
                assert answer.headers["content-type"] == "text/html; charset=utf-8", path
                assert harm(answer.text) == [], path
                assert SCRIPT not in answer.text
                assert "\x1b" not in answer.text
                assert "\u202e" not in answer.text
                seen += answer.text
    for words in ("&lt;script&gt;alert(1)", "&lt;img src=x onerror=alert(2)&gt;", "{{7*7}}"):
        assert seen.count(words) > 20, "it was there, as words"


def test_script_in_what_changes_by_itself_stays_words(shop: Shop) -> None:
    """Parts of a page come as HTML in JSON, and go into the page as HTML."""
    poisoned(shop)

    async def told() -> bytes:
        found = b""
        for on in (FLOOR, "gang-lathe"):
            listener = shop.page.feed.listen(on, "en")
            assert listener is not None
            found += await listener.news()
        return found

    parts = [json.loads(line[6:]) for line in asyncio.run(told()).splitlines() if line.startswith(b"data: ")]
    assert {part["id"] for part in parts} >= {
        "service",
        "floor-counts",
        "machine-gang-lathe",
        "machine-gang-lathe-card",
    }
    for part in parts:
        assert harm(part["html"]) == [], part["id"]
        assert SCRIPT not in part["html"]


def test_the_check_for_harm_finds_some() -> None:
    harms = ["<script>1</script>", "<img src=/x>", "<a href='javascript:1'>", "<p onclick=1>", "<p style='x'>"]
    harms += [
        "<form action='//evil.example'>",
        "<script src='/static/page.js'>",
        "<button formaction='https://evil.example'>",
    ]
    for html in harms:
        assert harm(html) != [], html
    assert (
        harm("<a href='/log'><a href='?language=de'><a href='#main'><script src='/static/page.js' defer></script>")
        == []
    )


# --- headers ---------------------------------------------------------------------------------------------------------

WANTED = {
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    "x-permitted-cross-domain-policies": "none",
    "x-dns-prefetch-control": "off",
    "cross-origin-embedder-policy": "require-corp",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
"""What a public scanner asks for (OWASP Secure Headers Project, "Response Headers"; from memory). It has `no-referrer`
too, with which a browser's own forms come with `Origin: null`: here no other site is told anything either."""

UNWANTED = (
    "server",
    "x-powered-by",
    "x-aspnet-version",
    "x-xss-protection",
    "expect-ct",
    "public-key-pins",
    "via",
)
"""What tells of the server, or does more harm than good (the same; from memory). Files of
ours may have an ETag."""


def test_every_answer_has_the_headers_that_a_scanner_asks_for(shop: Shop) -> None:
    secure, base = shop.open(secure=True), "https://127.0.0.1:8750"
    browser, away = shop.browser(secure, base), shop.browser(shop.open(secure=True, local=False), base)
    token = csrf(browser)
    answers = {
        "page": browser.get("/"),
        "form that is refused": posted(browser, "/machine/gang-lathe/stop", "https://evil.example"),
        "done": posted(browser, "/machine/gang-lathe/stop", base, csrf=token, file="0004.nc"),
        "no such page": browser.get("/no-such"),
        "no such machine": browser.get("/machine/no-such"),
        "no such method": browser.request("DELETE", "/"),
        "another name": browser.get("/", headers={"host": "evil.example"}),
        "no request": browser.get("/", headers={"content-length": "x"}),
        "too long": browser.get("/", headers={"content-length": str(guard.BODY_BYTES + 1)}),
        "not by TLS": shop.browser(secure, HERE).get("/"),
        "sign on": away.get("/sign-on"),
        "sent to sign on": away.get("/"),
        "news for nobody": away.get("/news"),
        "style": browser.get("/static/page.css"),
        "script": browser.get("/static/page.js"),
        "nothing static": browser.get("/static/none"),
        "signed off": posted(browser, "/sign-off", base, csrf=token),
    }
    assert {answer.status_code for answer in answers.values()} == {200, 303, 400, 401, 403, 404, 405, 413, 421}
    for name, answer in answers.items():
        for header, value in WANTED.items():
            assert answer.headers.get(header) == value, (name, header)
        assert answer.headers["referrer-policy"] in ("no-referrer", "same-origin"), name
        age = re.fullmatch(r"max-age=(\d+)(; includeSubDomains)?", answer.headers["strict-transport-security"])
        assert age, name
        assert int(age[1]) >= 31_536_000, name
        assert "permissions-policy" in answer.headers, name
        assert [header for header in UNWANTED if header in answer.headers] == [], name
    policies = {answer.headers["content-security-policy"] for answer in answers.values()}
    (policy,) = (dict(part.strip().split(" ", 1) for part in each.split(";")) for each in policies)
    assert (policy["default-src"], policy["base-uri"], policy["frame-ancestors"]) == ("'none'",) * 3
    assert {value for name, value in policy.items() if name not in ("default-src", "base-uri", "frame-ancestors")} == {
        "'self'"
    }
    assert answers["signed off"].headers["clear-site-data"] == '"cache", "storage"'
    assert "strict-transport-security" not in shop.browser().get("/").headers, "nor without TLS"
