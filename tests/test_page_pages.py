"""The pages over records: each for what was asked, with a service, without one, and for what nobody should ask."""

import contextlib
import re
from collections.abc import Callable, Iterator

import pytest
from page_shop import NOW, records, status

from dncd.errors import UsageError
from dncd.page.pages import PAGES, Look, ask
from dncd.page.reading import Reading
from dncd.records.ledger import Ledger

NAME = "gang-lathe"
RUNS = {"service": {"pid": 1}, "machines": {NAME: status(), "bore-mill": status(title="Bore mill")}}
PLACE = {"machine": NAME, "program": "O0004"}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reading]:
    reading = records(tmp_path_factory.mktemp("shop"))
    reading.verify()
    yield reading
    reading.close()


@pytest.fixture
def look(shop: Reading) -> Callable[..., Look]:
    def made(place=PLACE, told=RUNS, **form: str) -> Look:
        return Look(shop, told, place, form, NOW, {"language": "en", "csrf": "t0ken"})

    return made


@pytest.mark.parametrize("told", [RUNS, {}], ids=["service", "no service"])
@pytest.mark.parametrize("path", PAGES)
def test_every_page_can_be_seen_with_a_service_and_without(look, path, told):
    html = PAGES[path](look(told=told, q="sleeve", r="1", a="1", b="2"))
    assert html.startswith("<!DOCTYPE html>")
    assert ("The service does not answer." in html) is (told == {})
    linked = re.findall(r'href="(/machine/[^"?#]*)', html)
    forms = [re.compile(re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(page))) for page in PAGES]
    known = (*forms, re.compile("/machine/[^/]+/(bring|again|good|stop|first)"))
    assert not [place for place in linked if not any(form.fullmatch(place) for form in known)]


def test_what_a_page_shows_is_what_was_asked_for(look):
    assert "Bore mill" in PAGES["/"](look())
    assert "Bore mill" not in PAGES["/"](look(only="trouble"))
    assert "<li>None.</li>" in PAGES["/log"](look(words="no such words")).replace("\n", "")
    assert "R. Foreman" in PAGES["/log"](look(event="proven"))
    assert "SPACER" not in PAGES["/search"](look(q="sleeve"))
    assert "SPACER" in PAGES["/search"](look(q="O0005"))
    text = "/machine/{machine}/program/{program}/text"
    assert "F0.2" in PAGES[text](look(r="1"))
    assert "F0.15" in PAGES[text](look())
    changed = PAGES["/machine/{machine}/program/{program}/differences"](look(a="1", b="2"))
    assert "<del>F0.2</del>" in changed
    assert "<ins>F0.15</ins>" in changed
    assert "in 6 ledger lines, 3 revisions and 0 receipts" in PAGES["/verify"](look())
    assert "no such program" in PAGES["/machine/{machine}/program/{program}"](look({"machine": NAME, "program": "O9"}))


@pytest.mark.parametrize("number", ["99", "0", "9999999"])
def test_a_revision_that_there_is_not_is_an_error(look, number):
    with pytest.raises(UsageError, match="there is no such revision"):
        PAGES["/machine/{machine}/program/{program}/text"](look(r=number))


@pytest.mark.parametrize("number", ["", "-1", "1e3", "²", "9" * 5000])
def test_what_is_no_number_asks_for_nothing(look, number):
    html = PAGES["/machine/{machine}/program/{program}/text"](look(r=number, **{"from": number}))
    assert "rev 2" in html
    assert html.count("<code>") == 5


def test_a_machine_that_is_not_there_is_an_error(look):
    for path in ("/machine/{machine}", "/machine/{machine}/programs"):
        with pytest.raises(UsageError, match="there is no machine"):
            PAGES[path](look({"machine": "../x"}))
    with pytest.raises(UsageError, match="no such revision"):
        PAGES["/machine/{machine}/program/{program}/text"](look({"machine": "../x", "program": "../../y"}))


def test_each_button_asks_for_the_right_program(look, tmp_path):
    assert 'name="program" value="O0004"' in ask(look(program="4"), "bring")
    assert 'name="revision" value="2"' in ask(look(program="4"), "bring")
    assert "This revision is not proven" in ask(look(program="4"), "bring")
    older = ask(look(program="4", revision="1"), "bring")
    assert 'name="revision" value="1"' in older
    assert 'href="/machine/gang-lathe/program/O0004/differences?a=2&amp;b=1"' in older
    unknown = ask(look(program="99"), "bring")
    assert "O0099: the library has no such program for this machine" in unknown
    assert "Which program?" in unknown
    half = ask(look(), "good")
    assert "O0005: the control is not known to hold it whole" in half
    assert "Yes, it was good" not in half
    assert "O0005 once more?" in ask(look(), "again")
    elsewhere = look({"machine": "bore-mill"})
    assert "Nothing went out to this machine yet." in ask(elsewhere, "again")
    assert "Nothing went out to this machine yet." in ask(elsewhere, "good")
    later = records(tmp_path)
    with contextlib.closing(Ledger.open(tmp_path / "state")) as writer:
        writer.append("sent", {"machine": NAME, "program": "O0004", "revision": 1})
    held = Look(later, RUNS, PLACE, {}, NOW, {})
    assert "O0004 rev 1: first part good?" in ask(held, "good")  # what the control holds, not what is the newest
    assert 'name="revision" value="1"' in ask(held, "again")
    later.close()
    assert 'class="alarm">it is busy' in ask(look(), "stop", "it is busy")
