"""A line over months on the page: its table, its drawing, and the sentence where it is worse than it was."""

import json
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from page_shop import status
from waiting import until

from dncd.commissioning.line_health import LineHealth, Verdict, Week
from dncd.page import rendering
from dncd.page.pages import PAGES, Look
from dncd.page.reading import Reading
from dncd.page.views.line import HEIGHT, PITCH, SHOWN, WIDTH, line

MONDAY = date(2026, 11, 23)
WEEKS = 40
TOLD = {"service": {"pid": 1}, "machines": {"lathe": status(), "mill": status()}}


def day(machine: str, week: int, weekday: int, seq: int) -> dict[str, Any]:
    """A sending and what it came to: one day in ten was always disturbed, and of the mill's last four weeks every day."""
    hit = 3 if (weekday == 0 and week % 10 == 0) or (machine == "mill" and week >= WEEKS - 4) else 0
    at = MONDAY - timedelta(weeks=WEEKS - week) + timedelta(days=weekday)
    told = {
        "seq": seq,
        "time": f"{at}T09:00:00Z",
        "event": "sent",
        "machine": machine,
        "program": f"O{weekday}",
        "hash": "",
    }
    told |= {"chars": 4_000, "seconds": 42.0, "holds": 1, "held_s": 2.0, "port_losses": 0, "file": "1.nc"}
    return told | ({"line_faults": {"parity": hit}} if hit else {})


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reading]:
    root = tmp_path_factory.mktemp("line")
    (root / "ledger").mkdir()
    machines = [
        (machine, week, weekday) for week in range(WEEKS) for weekday in range(5) for machine in ("lathe", "mill")
    ]
    lines = [day(*each, seq) for seq, each in enumerate(machines, 1)]
    raw = "".join(json.dumps(each, separators=(",", ":")) + "\n" for each in lines)
    (root / "ledger" / "2026-11.jsonl").write_text(raw)
    reading = Reading(root, root / "shop")
    yield reading
    reading.close()


def look(shop: Reading, path: str, machine: str = "mill", language: str = "en") -> str:
    now = datetime(2026, 11, 28, 14, 10, tzinfo=UTC)
    return PAGES[path](Look(shop, TOLD, {"machine": machine}, {}, now, {"language": language}))


def test_only_a_line_that_is_worse_is_told_on_the_floor_and_it_is_looked_at_once_a_week(shop: Reading) -> None:
    assert [each.verdict for each in (shop.by_week.health(name, MONDAY) for name in ("lathe", "mill"))] == [
        Verdict.STEADY,
        Verdict.WORSE,
    ]
    found = shop.by_week.worse(MONDAY)
    assert dict(found) == {"mill": shop.by_week.health("mill", MONDAY).worse[0].said}, "as of the whole ledger"
    assert shop.by_week.worse(MONDAY + timedelta(days=6)) is found
    assert shop.by_week.worse(MONDAY + timedelta(days=7)) is not found
    html = look(shop, "/")
    until(lambda: shop.by_week.told(MONDAY) == found)
    html = look(shop, "/")
    assert html.count("Line worse than it was") == 1
    assert 'href="/machine/mill/line"' in html
    assert found["mill"] in html
    card = rendering.parts("mill", status(), shop.held(), ("card",), worse=shop.by_week.known)["machine-mill-card"]
    assert found["mill"] in card, "and so in the news"
    assert "worse than it was" in look(shop, "/machine/{machine}")
    assert "worse than it was" not in look(shop, "/machine/{machine}", "lathe")


def test_the_drawing_says_what_it_shows_without_colour_and_the_table_has_all_figures(shop: Reading) -> None:
    shown = line(shop.by_week.health("mill", MONDAY))
    assert (len(shown.weeks), shown.weeks[0].name, len(shown.bars)) == (SHOWN, "2026-W48", SHOWN)
    assert max(bar.height for bar in shown.bars) == HEIGHT
    assert [bar.doubtful for bar in shown.bars][-6:] == [False, True, True, True, True, False]
    assert all(bool(bar.said) == (bar.height > 0) for bar in shown.bars)
    html = look(shop, "/machine/{machine}/line")
    assert re.search(r'<svg [^>]*role="img" aria-labelledby="bars-title bars-desc">', html)
    assert re.search(r'<title id="bars-title">[^<]+</title>\s*<desc id="bars-desc">[^<]+</desc>', html)
    assert html.count('class="doubtful"') == 4
    text = " ".join(re.sub("<[^>]*>", " ", html).replace("&#8239;", " ").split())
    for words in ("This line is worse than it was.", "Hatched: the weeks that are worse.", "look at plug and shield"):
        assert words in text
    assert "2026-W47 20 000 750.0 0 0 5 10 s 100 0" in text


def test_a_line_that_is_as_it_was_and_one_of_which_nothing_is_known(shop: Reading, tmp_path: Path) -> None:
    assert "This line is as it was" in look(shop, "/machine/{machine}/line", "lathe")
    assert "Diese Leitung ist wie zuvor" in look(shop, "/machine/{machine}/line", "lathe", "de")
    (tmp_path / "ledger").mkdir()
    new = Reading(tmp_path, tmp_path)
    assert "Nothing went over this line yet." in look(new, "/machine/{machine}/line")
    assert "Line worse" not in look(new, "/")


def test_the_drawing_of_one_week_is_no_higher_than_that_of_many(shop: Reading, tmp_path: Path) -> None:
    (bar,) = line(LineHealth((Week(MONDAY, captures=1, chars_in=9, hit=1),), Verdict.UNKNOWN, ())).bars
    assert (bar.x, bar.height) == (WIDTH - PITCH, HEIGHT)
    (tmp_path / "ledger").mkdir()
    first = {**day("mill", WEEKS - 1, 0, 1), "seq": 1}
    (tmp_path / "ledger" / "2026-11.jsonl").write_text(json.dumps(first, separators=(",", ":")) + "\n")
    new = Reading(tmp_path, tmp_path)
    shown = [look(each, "/machine/{machine}/line") for each in (new, shop)]
    assert [re.findall(r'viewBox="([^"]+)"', html)[0] for html in shown] == [f"0 0 {WIDTH} 170"] * 2
    assert "Needs seven weeks of traffic before it can judge." in shown[0]
