"""What the office does by the page: an edit taken over by blocks, from the look at it to the file that waits."""

import contextlib
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from house import build, house, machine, text
from page_office import EDITS, LINES, TAKE, Office, form
from page_visitors import HERE, shown
from starlette.testclient import TestClient
from waiting import until

from dncd.errors import NotDoneError
from dncd.outside.comparer import Comparer
from dncd.page import people
from dncd.page.pages import PAGES, Look
from dncd.page.pages import ask as ask_page
from dncd.page.people import Person, Role
from dncd.page.reading import Reading
from dncd.page.taking_over import edit_of, pair_of, taken
from dncd.program.edits import Version, lost_edits
from dncd.records.ledger import Ledger
from dncd.records.library import Text, Writer
from dncd.records.store import Store
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard
from dncd.station.gates import Gates, refusals_over
from dncd.values import LineSettings, MachineSettings, Origin, Settings, ShopSettings


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    control = StandIn(build())
    with Yard(control), house(tmp_path_factory.mktemp("office"), lathe=machine(control)) as shop:
        yield Office(shop, control)


def take(browser: TestClient, html: str, **more: str) -> Any:
    given = {**form(html), "by": "A. Miller", **more}
    return shown(browser, browser.post("/machine/lathe/take-over", data=given, headers={"origin": HERE}))


def test_an_edit_is_shown_by_groups_and_some_of_it_goes_over_the_rest_once_that_is_named(office: Office) -> None:
    browser = office.browser()
    html = browser.get(f"{TAKE}-over").text
    assert re.findall(r'type="checkbox" name="(g\d)" checked', html) == ["g0", "g1"]
    for words in ("<del>F0.2</del>", "<ins>F0.15</ins>", "<del>F0.3</del>", "<ins>F0.25</ins>", "rev 1", "rev 2"):
        assert words in html
    assert "checked" not in browser.get(f"{TAKE}-over?take=none").text

    html = browser.get(f"{TAKE}n-over", params={"a": "1", "b": "2", "g1": "on"}).text
    lost = html.partition("These blocks of the operator get lost")[2].partition("</section>")[0]
    assert ("<ins>F0.15</ins>" in lost, "F0.25" in lost) == (True, False)
    whole = re.findall(r"<li>\s*<code>(.*?)</code>", html.partition('class="blocks"')[2])
    text_of_it = [re.sub("<.*?>", "", line) for line in whole]
    assert text_of_it == [line.replace(*EDITS[1]) for line in LINES]
    assert office.waits() == []

    before = office.asked()
    assert "nobody said yes" in take(browser, html).text
    assert "another text" in take(browser, html, lost="yes", sha256="0" * 64).text
    assert "another text" in take(browser, html, lost="yes", g0="on").text
    assert "another revision" in take(browser, html, lost="yes", b="1").text
    assert office.asked() == before
    office.control.read_in()
    answer = take(browser, html, lost="yes")
    assert (answer.status_code, "O0007.nc" in answer.text) == (200, True)
    do, by, what = office.asked()[-1]
    assert (do, by) == ("drop-over-edits", "A. Miller")
    assert what.endswith("over the operator's edit, without block N20: F 0.2 → 0.15")
    office.shop.receipt("lathe", "sent", "O0007.nc")
    story = browser.get("/machine/lathe/program/O0007").text
    assert "<b>sent</b> by A. Miller: over the operator&#39;s edit, without block N20: F 0.2 → 0.15" in story
    warning = office.shop.receipt("lathe", "sent", "O0007.nc").get("warning")
    assert "goes over the operator's edit of revision 2, as A. Miller asked for" in warning
    sent = (office.shop.shop / "lathe" / "sent" / "O0007.nc").read_bytes()
    assert sent == text([line.replace(*EDITS[1]) for line in LINES])


def test_an_edit_that_came_since_the_look_is_never_gone_over_and_all_of_one_goes_as_any_drop(office: Office) -> None:
    office.punch(("X100.", "X99."))
    browser, number = office.browser(), len(office.shop.ledger())
    history = office.page.reading.history("lathe", "O0007")
    assert [revision.origin for revision in history[-2:]] == [Origin.OFFICE, Origin.MACHINE]
    asked = {"a": str(len(history) - 1), "b": str(len(history))}
    stale = browser.get(f"{TAKE}n-over", params=asked).text
    office.punch(("X26.", "X27."))
    answer = take(browser, stale, lost="yes")
    assert (answer.status_code, "another revision came" in answer.text) == (409, True)
    assert "another revision came" in browser.get(f"{TAKE}n-over", params=asked).text
    asked["b"] = str(len(history) + 1)
    html = browser.get(f"{TAKE}n-over", params={**asked, "g0": "on", "g1": "on"}).text
    assert "get lost" not in html
    assert "No fault found in the text." in html
    office.control.read_in()
    assert take(browser, html).status_code == 200
    assert [do for do, _, _ in office.asked()][-1] == "drop"
    assert all(line.get("do") != "drop-over-edits" for line in office.shop.ledger()[number:])
    until(lambda: office.happened("sent") == 3)
    assert office.page.reading.text(office.page.reading.history("lathe", "O0007")[-1]).splitlines()[1] == (
        "N10 G00 X27. Z2. (START)"
    )
    assert len(office.page.reading.history("lathe", "O0007")) == len(history) + 1, "his own text is no new revision"
    answer = browser.get(f"{TAKE}-over")
    assert (answer.status_code, "nothing of the operator" in answer.text) == (409, True)


def test_an_edit_that_the_operator_took_back_does_not_wait_to_be_taken_over(office: Office) -> None:
    office.punch(("X27.", "X28."))
    browser = office.browser()
    assert f'href="{TAKE}-over"' in browser.get("/machine/lathe/program/O0007").text
    html = browser.get(f"{TAKE}-over").text
    assert ("refused/" in html, "Cancel" in html) == (False, True)
    office.shop.drop("lathe", "newer.nc", text([*LINES[:-1], "N50 G04 X1.", "M30"]))
    office.shop.receipt("lathe", "refused", "newer.nc")
    assert "newer.nc was refused for lacking an edit" in browser.get(f"{TAKE}-over").text
    office.punch(("X28.", "X27."), event="matched")
    assert f'href="{TAKE}-over"' not in browser.get("/machine/lathe/program/O0007").text
    assert browser.get(f"{TAKE}-over").status_code == 409


def test_what_the_service_finds_stands_there_before_a_file_waits(office: Office) -> None:
    browser = office.browser()
    token = browser.get("/machine/lathe/stop").text.partition('name="csrf" value="')[2].partition('"')[0]

    def looked_at(name: str, data: bytes) -> str:
        """The page that shows what was found in a file."""
        sent = {"data": {"csrf": token}, "files": {"file": (name, data)}, "headers": {"origin": HERE}}
        found: str = shown(browser, browser.post("/machine/lathe/look", **sent)).text
        return found

    lines, waits = len(office.shop.ledger()), office.waits()
    html = looked_at("0008.nc", text(["O0008 (RING)", "N10 G01 X1.\u00e9", "M30"]))
    assert "It would be refused" in html
    assert "line 3, column 12" in html
    assert "Drop it" not in html
    html = looked_at("0007.nc", text(LINES))
    assert "this file lacks what the operator changed at the machine" in html
    assert ("Drop it" in html, 'href="/machine/lathe/program/O0007"' in html) == (False, True)
    data = text(["O0009 (RING)", "N10 G01 X1.", "M30"])
    html = looked_at("0009.nc", data)
    assert ("O0009 (RING)" in html, "behind the others" in html) == (True, False)
    assert "no file is chosen" in looked_at("0009.nc", b"")
    assert (len(office.shop.ledger()), office.waits()) == (lines, waits), "a look drops nothing"

    def dropped(**more: str) -> Any:
        given = {**form(html), **more}
        return shown(browser, browser.post("/machine/lathe/drop", data=given, headers={"origin": HERE}))

    for other in ({"sha256": "0" * 64}, {"file": "0010.nc"}):
        answer = dropped(**other)
        assert (answer.status_code, "not kept any more" in answer.text) == (409, True)
    office.control.read_in()
    assert "0009.nc" in dropped().text
    office.shop.receipt("lathe", "sent", "0009.nc")
    assert (office.shop.shop / "lathe" / "sent" / "0009.nc").read_bytes() == data


def brought(browser: TestClient, number: int) -> str:
    return str(browser.get("/machine/lathe/bring", params={"program": "7", "revision": str(number)}).text)


def test_any_revision_is_brought_back_in_front_and_what_stands_against_it_is_told_before(office: Office) -> None:
    browser = office.browser()
    history = office.page.reading.history("lathe", "O0007")
    story = browser.get("/machine/lathe/program/O0007").text
    assert all(f"/machine/lathe/bring?program=O0007&amp;revision={r.number}" in story for r in history)
    refused = [each.number for each in history if "It would be refused" in brought(browser, each.number)]
    assert refused
    assert not [number for number in refused if f"Bring rev {number} back in front" in story], (
        "that would come to nothing"
    )
    assert browser.get("/machine/lathe/bring", params={"program": "7", "revision": "99"}).status_code == 404
    html = browser.get("/machine/lathe/bring", params={"program": "7", "revision": "1"}).text
    assert "this file lacks what the operator changed at the machine" in html
    assert "Yes, bring it" not in html
    held = office.page.reading.held().one("lathe", "O0007").revision
    html = browser.get("/machine/lathe/bring", params={"program": "7", "revision": str(held)}).text
    assert ("Yes, bring it" in html, "refused" in html) == (True, False)
    assert "at once, if that was pressed already" in html, "this machine starts without a key"


def test_what_is_refused_although_nothing_waits_goes_over_the_edit_once_all_of_it_is_named(office: Office) -> None:
    browser, newest = office.browser(), len(office.page.reading.history("lathe", "O0007"))
    html = browser.get("/machine/lathe/bring", params={"program": "7", "revision": "1"}).text
    assert ("put in front" in html, "not proven" in html) == (False, False), "it is refused: neither comes true"
    assert f'href="{TAKE}-over?a=1"' in html
    html = browser.get(f"{TAKE}-over", params={"a": "1", "take": "none"}).text
    b = html.partition('name="b" value="')[2].partition('"')[0]
    html = browser.get(f"{TAKE}n-over", params={"a": "1", "b": b}).text
    lost = html.partition("These blocks of the operator get lost")[2].partition("</section>")[0]
    assert all(block in lost for block in ("N10", "N30", "N40"))
    assert "nobody said yes" in take(browser, html).text
    sent = office.happened("sent")
    office.control.read_in()
    assert take(browser, html, lost="yes").status_code == 200
    assert [do for do, _, _ in office.asked()][-1] == "drop-over-edits"
    until(lambda: office.happened("sent") > sent)
    history = office.page.reading.history("lathe", "O0007")
    assert len(history) == newest + 1
    assert office.page.reading.text(history[-1]).splitlines() == LINES


OFFICE_TEXT = [f"N{n} G01 X{n}. F0.2" for n in range(10, 120, 10)]


def edited_at(*blocks: int) -> str:
    return "".join(f"{line.replace('F0.2', 'F0.1') if n in blocks else line}\n" for n, line in enumerate(OFFICE_TEXT))


def records(state: Path, texts: list[tuple[int, ...]], events: list[str]) -> None:
    """texts: the edited blocks of each revision, the first of them less than 0 for one of the office's; events: with the
    number of a revision."""
    with contextlib.closing(Ledger.open(state)) as ledger, contextlib.closing(Writer(state)) as writer:
        for blocks in texts:
            origin = Origin.OFFICE if not blocks or blocks[0] < 0 else Origin.MACHINE
            writer.revise("lathe", "O0007", Text.of(edited_at(*map(abs, blocks)).encode()), origin, {})
        for event, number in map(str.split, events):
            ledger.append(event, {"machine": "lathe", "program": "O0007", "revision": int(number)})


@pytest.mark.parametrize(
    ("texts", "events", "waits", "refused"),
    [
        ([(), (2,), (2, 5)], ["sent 1", "received 2", "received 3"], True, [1, 2]),
        ([(), (2,), (2, 5)], ["sent 1", "received 2", "received 3", "sent 3"], False, [1, 2]),
        ([(), (2,), (-2, 8)], ["sent 1", "received 2", "sent 3"], False, [1]),
        ([(), (2,), (-5,)], ["sent 1", "received 2", "sent 3", "received 2"], True, [1, 3]),
        ([(), (2,), (5,)], ["sent 1", "received 2", "received 3", "received 2"], True, [1, 3]),
        ([(), (2,), (-2, 8)], ["sent 1", "received 2", "sent 3", "received 1"], False, []),
    ],
    ids=["two edits", "brought back", "taken over", "made again", "one put back", "all taken back"],
)
def test_what_the_gate_refuses_a_file_for_can_be_taken_over_or_gone_over_by_name(
    tmp_path: Path, texts: list[tuple[int, ...]], events: list[str], waits: bool, refused: list[int]
) -> None:
    """refused: the revisions that the gate lets out no more."""
    records(tmp_path, texts, events)
    settings = MachineSettings("lathe", LineSettings("x"))
    shop = ShopSettings(tmp_path / "shop", tmp_path)
    store = Store.open(Settings(tmp_path / "dncd.toml", shop, {"lathe": settings}))
    with contextlib.closing(Reading(tmp_path, tmp_path / "shop")) as reading, contextlib.closing(store):
        library, comparer = store.library, Comparer()
        gates = Gates(store, comparer, settings)
        office_, newest = pair_of(reading, "lathe", "O0007")
        assert (office_ != newest) == waits
        found = []
        for number, blocks in enumerate(texts, 1):
            lost = gates.lost(library, [("O0007", edited_at(*map(abs, blocks)))])
            if not lost:
                continue
            found.append(number)
            edit = edit_of(reading, "lathe", "O0007", number)
            assert edit.seen == gates.seen(library, ["O0007"])
            named = set(re.findall(r"block N\d+", " ".join(part.said[0] for part in edit.parts)))
            of_gate = set(re.findall(r"block N\d+", " ".join(refusals_over(lost, "lathe", ".nc"))))
            assert of_gate <= named, "what goes over an edit has all of it named"
            whole = taken(edit, {"a": str(number), "b": str(newest), "chosen": "0,1,2"})
            assert gates.lost(library, [("O0007", whole.text)]) == ()
        assert found == refused
        comparer.close()


@pytest.mark.parametrize(
    ("texts", "events", "pair"),
    [
        ([(), (2,), (2, 5)], ["sent 1", "received 2", "received 3", "differs 3"], (1, 3)),
        ([(), (2,), (-5,)], ["sent 1", "received 2", "sent 3", "received 2", "differs 2"], (3, 2)),
    ],
    ids=["two edits", "made again"],
)
def test_a_decision_shows_the_two_texts_that_taking_over_is_about(
    tmp_path: Path, texts: list[tuple[int, ...]], events: list[str], pair: tuple[int, int]
) -> None:
    records(tmp_path, texts, events)
    with contextlib.closing(Reading(tmp_path, tmp_path / "shop")) as reading:
        html = PAGES["/decisions"](Look(reading, {}, {}, {}, datetime.now(UTC), {"may": people.MAY[Role.OFFICE]}))
    assert f"/program/O0007/differences?a={pair[0]}&amp;b={pair[1]}" in html
    assert f'href="{TAKE}-over?a={pair[0]}"' in html


def test_where_nobody_could_look_at_a_revision_the_page_says_so_before_it_is_brought(tmp_path: Path) -> None:
    def busy(*_: object, **__: object) -> Any:
        raise NotDoneError("the service looks at other files just now", "lathe", "Ask again in a moment")

    with contextlib.closing(Ledger.open(tmp_path)), contextlib.closing(Writer(tmp_path)) as library:
        library.revise("lathe", "O0007", Text.of(b"O0007\nM30\n"), Origin.OFFICE, {})
    reading = Reading(tmp_path, tmp_path / "shop")
    form_ = {"program": "O0007", "revision": "1"}
    html = ask_page(Look(reading, {}, {"machine": "lathe"}, form_, datetime.now(UTC), {}, busy), "bring")
    reading.close()
    assert "the service looks at other files just now" in html
    assert "Yes, bring it" in html, "it is looked at again before it waits"


@pytest.mark.parametrize(("name", "sent_back"), [("O0017", False), ("O0018", True)])
def test_a_file_over_a_program_that_began_at_the_machine_goes_once_what_is_lost_is_named(
    office: Office, name: str, sent_back: bool
) -> None:
    """Also where the office sent the control's text back as it was."""
    memory, browser, file = office.control.memory.programs, office.browser(), f"{name[1:]}.nc"
    memory[name] = replace(memory["O0007"].edited("O0007", name), number=name)
    office.control.punch(name)
    until(lambda: office.page.reading.history("lathe", name))
    if sent_back:
        came = office.page.reading.text(office.page.reading.history("lathe", name)[0])
        office.shop.drop("lathe", "back.nc", text(came.splitlines()))
        office.control.read_in()
        office.shop.receipt("lathe", "sent", "back.nc")
    data = text([f"{name} (SLEEVE)", "N10 G00 X50.", "M30"])
    token = browser.get("/machine/lathe/stop").text.partition('name="csrf" value="')[2].partition('"')[0]
    to = {"headers": {"origin": HERE}}
    look = {"data": {"csrf": token}, "files": {"file": (file, data)}}
    html = shown(browser, browser.post("/machine/lathe/look", **look, **to)).text
    assert "nothing tells that this file is built on it" in html
    assert "the office has no text of its own" in html
    assert f"What there is of {name}" in html
    given = {**form(html), "by": "A. Miller"}

    def dropped(**more: str) -> str:
        return str(shown(browser, browser.post("/machine/lathe/drop", data={**given, **more}, **to)).text)

    assert "nobody said yes to what gets lost" in dropped()
    made_up = {"data": {"csrf": token, "seen": "anything", "lost": "yes"}, "files": {"file": ("0007.nc", text(LINES))}}
    other = browser.post("/machine/lathe/drop", **made_up, **to)
    assert "not what was looked at" in shown(browser, other).text, "the office has a text of its own: it is taken over"
    assert office.waits() == []
    assert file in dropped(lost="yes")
    office.control.read_in()
    assert office.shop.receipt("lathe", "sent", file).get("result") == "sent"
    do, by, what = office.asked()[-1]
    assert (do, by) == ("drop-over-edits", "A. Miller")
    assert f"without {name}: this program came from the machine first" in what
    assert "block N10" in what, "what gets lost has its name"
    del memory[name]


@pytest.mark.parametrize("role", [role for role in Role if role not in (Role.PHONE, Role.BOX)])
def test_the_office_alone_takes_over(office: Office, role: Role, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(people, "_COST", {"n": 2, "r": 1, "p": 1})
    state, may = office.shop.state, role in (Role.OFFICE, Role.KEEPER)
    people.keep(state, people.People((Person("A. Miller", role, people.phrase_kept("copper lathe seven rain")),)))
    try:
        browser = office.browser()
        browser.post(
            "/sign-on", data={"name": "A. Miller", "phrase": "copper lathe seven rain"}, headers={"origin": HERE}
        )
        assert (browser.get(f"{TAKE}-over").status_code != 403, "take-over" in people.MAY[role]) == (may, may)
        assert (browser.get(f"{TAKE}n-over").status_code != 403) == may
        token = browser.get("/machine/lathe/stop").text.partition('name="csrf" value="')[2].partition('"')[0]
        assert (take(browser, "", csrf=token).status_code != 403) == may
    finally:
        people.file_of(state).unlink()


def test_an_edit_of_many_groups_fits_the_form_that_says_yes(tmp_path: Path) -> None:
    """A form of more than fifty fields is none (`page/door`)."""
    office = [f"N{n} G01 X{n}." for n in range(10, 1130, 10)]
    edited = [line.replace("X", "Z") if n % 2 else line for n, line in enumerate(office)]
    with contextlib.closing(Ledger.open(tmp_path)) as ledger, contextlib.closing(Writer(tmp_path)) as library:
        for lines, origin in ((office, Origin.OFFICE), (edited, Origin.MACHINE)):
            library.revise("lathe", "O0007", Text.of("\n".join([*lines, ""]).encode()), origin, {})
        ledger.append("sent", {"machine": "lathe", "program": "O0007", "revision": 1})
    reading = Reading(tmp_path, tmp_path / "shop")
    said = {"seen": f"O0007 {reading.history('lathe', 'O0007')[-1].commit}, back 0", "sha256": "0" * 64}
    place, form_ = {"machine": "lathe", "program": "O0007"}, {"a": "1", "b": "2", **{f"g{n}": "on" for n in range(52)}}
    look = Look(reading, {}, place, form_, datetime.now(UTC), {}, lambda *_, **__: said)
    posted = form(PAGES["/machine/{machine}/program/{program}/taken-over"](look))
    assert len(posted) < 10
    edit = edit_of(reading, "lathe", "O0007")
    assert len(edit.parts) == 56
    assert taken(edit, posted) == taken(edit, form_)
    assert taken(edit, {**form_, **posted}).said.count(";") == 3
    lost = taken(edit, {"a": "1", "b": "2"}).said
    assert len(lost) < 2000, "the ledger has so much of it"
    assert lost.count("; ") + int(lost.rpartition("and ")[2].removesuffix(" more blocks")) == 56
    reading.close()


def test_where_a_control_spells_in_its_own_way_its_edit_stands_in_the_offices_spelling(tmp_path: Path) -> None:
    blocks = [f"N{n} G01 X{n}. F0.2 (CUT {n})" for n in range(10, 90, 10)]
    office = "\n".join(["O0007 (SLEEVE)", *blocks, "N90 M30", ""])
    punched = "\n".join(["O0007", *(f"N{n}G1X{n}.F.2" for n in range(10, 90, 10)), "N90M30", ""])
    punched = punched.replace("N40G1X40.F.2", "N40G1X40.F.15\nN45M8")
    with contextlib.closing(Ledger.open(tmp_path)) as ledger, contextlib.closing(Writer(tmp_path)) as library:
        for number, (text_, origin) in enumerate(((office, Origin.OFFICE), (punched, Origin.MACHINE)), 1):
            library.revise("lathe", "O0007", Text.of(text_.encode()), origin, {})
            event = "sent" if origin is Origin.OFFICE else "received"
            ledger.append(event, {"machine": "lathe", "program": "O0007", "revision": number})
    reading = Reading(tmp_path, tmp_path / "shop")
    edit = edit_of(reading, "lathe", "O0007")
    reading.close()
    assert edit.respelt
    assert [(change.of.block, change.of.kind.value) for part in edit.parts for change in part.changes] == [
        ("N40", "changed"),
        ("N45", "new"),
    ]
    whole = taken(edit, {"a": "1", "b": "2", "g0": "on"})
    assert whole.text == office.replace(blocks[3], f"{blocks[3].replace('F0.2', 'F.15')}\nN45M8")
    history = [Version(1, Origin.OFFICE, office), Version(2, Origin.MACHINE, punched)]
    assert lost_edits(history, whole.text) == (), "all of it is in the office's text, whatever its spelling"
    none = taken(edit, {"a": "1", "b": "2"})
    assert (none.text, none.said.startswith("block N40: F 0.2 → .15; block N45 new")) == (office, True)
