"""What somebody asks for by the page is done once, and the page says where it stands in the row of what waits."""

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from house import House, build, house, machine, text
from page_office import TAKE, Office, form
from page_visitors import HERE, csrf, posted
from starlette.testclient import TestClient
from waiting import until

from dncd.errors import NotDoneError
from dncd.outside.command_client import ask
from dncd.page import asking
from dncd.records.holdings import Holdings
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    """At a control that starts each program by its key, with O0777 in front."""
    control = StandIn(build())
    with Yard(control), house(tmp_path_factory.mktemp("twice"), lathe=machine(control, start="dc1")) as shop:
        made = Office(shop, control)
        shop.drop("lathe", "0777.nc", text(["O0777", "N10 G01 X1.", "M30"]))
        until(lambda: made.waits() == ["0777.nc"])
        yield made


def yes(browser: TestClient) -> Any:
    """All of the edit is taken over, by a form that was opened before."""
    html = browser.get(f"{TAKE}n-over", params={"a": "1", "b": "2", "g0": "on", "g1": "on"}).text
    return lambda: browser.post(
        "/machine/lathe/take-over", data={**form(html), "by": "Olga Office"}, headers={"origin": HERE}
    )


def status(shop: House) -> Any:
    return ask(shop.state, {"do": "status"})["machines"]["lathe"]


def test_an_edit_is_taken_over_once_and_its_result_is_loaded_anew_without_being_done_anew(office: Office) -> None:
    browser = office.browser()
    first, second = yes(browser), yes(browser)
    assert "Take over" in browser.get("/decisions").text
    answer = first()
    assert answer.status_code == 303
    office.browser()  # news
    for _ in range(2):
        html = browser.get(answer.headers["location"]).text
        assert "O0007.nc waits in place 2, behind 0777.nc." in html
    assert (office.waits(), len(office.asked())) == (["0777.nc", "O0007.nc"], 1)
    for path in ("/decisions", "/machine/lathe/program/O0007", f"{TAKE}-over", f"{TAKE}n-over?a=1&b=2"):
        html = browser.get(path).text
        assert 'A text of it already waits: <a href="/machine/lathe">O0007.nc</a>, by Olga Office, <time' in html, path
        assert "Yes, drop it" not in html
    assert f'href="{TAKE}-over' not in browser.get("/decisions").text
    again = browser.get(second().headers["location"])
    assert (again.status_code, "a text of it already waits: O0007.nc, by Olga Office" in again.text) == (409, True)
    assert (office.waits(), len(office.asked())) == (["0777.nc", "O0007.nc"], 1)
    of_edit = status(office.shop)["files"][1]
    stop = posted(browser, "/machine/lathe/stop", csrf=csrf(browser, "/machine/lathe/stop"), file="O0007.nc")
    assert (of_edit["program"], of_edit["revision"], of_edit["text_of"]) == ("O0007", 0, 2), "it is the operator's text"
    assert "O0007.nc is taken back." in stop.text
    until(lambda: office.waits() == ["0777.nc"])
    office.browser()
    assert f'href="{TAKE}-over' in browser.get("/decisions").text


def test_what_was_done_in_another_visit_or_at_another_machine_is_not_shown(office: Office) -> None:
    browser = office.browser()
    where = browser.post(
        "/machine/lathe/good", data={"csrf": csrf(browser, "/machine/lathe/stop")}, headers={"origin": HERE}
    ).headers["location"]
    assert "no revision is named" in browser.get(where).text
    other = office.browser().get(where)
    assert (other.status_code, "no revision is named" in other.text) == (409, False)


def test_the_yes_stands_below_the_whole_text_and_names_the_new_file(office: Office) -> None:
    html = office.browser().get(f"{TAKE}n-over", params={"a": "1", "b": "2", "g0": "on"}).text
    assert html.index("The whole text") < html.index("Yes, drop it")
    assert "The control keeps its rev 2 until it reads this text in, which overwrites it there." in html
    assert "own file stays as it was: the new one is O0007.nc." in html


def test_a_file_behind_others_is_put_first_and_the_front_one_stays(office: Office) -> None:
    office.shop.drop("lathe", "0778.nc", text(["O0778", "N10 G01 X1.", "M30"]))
    until(lambda: office.waits() == ["0777.nc", "0778.nc"])
    browser = office.browser()
    html = browser.get("/machine/lathe").text
    assert 'href="/machine/lathe/first?file=0778.nc"' in html
    assert "Put 0778.nc first?" in browser.get("/machine/lathe/first?file=0778.nc").text
    answer = posted(browser, "/machine/lathe/first", csrf=csrf(browser, "/machine/lathe/stop"), file="0778.nc")
    assert "0778.nc is next." in answer.text
    until(lambda: office.waits() == ["0778.nc", "0777.nc"])
    posted(browser, "/machine/lathe/stop", csrf=csrf(browser, "/machine/lathe/stop"), file="0777.nc")
    until(lambda: office.waits() == ["0778.nc"])


def test_a_text_of_which_nobody_knows_whether_it_lies_there_is_not_dropped_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The service says of a slow share that the file may wait or not."""
    edit = SimpleNamespace(machine="lathe", program="O0007", edited=SimpleNamespace(commit="c"))
    said = SimpleNamespace(sha256="h", seen="s", file="O0007.nc", data="eA==")
    asked = []

    def slow(_socket: Path, request: dict[str, Any]) -> dict[str, Any]:
        if request["do"] == "status":
            return {"machines": {"lathe": {}}}
        asked.append(request["do"])
        raise NotDoneError("the shop's folder is slow: the file may wait or not", "lathe", "Look at it")

    monkeypatch.setattr(asking, "ask", slow)
    monkeypatch.setattr(asking, "edit_of", lambda *_: edit)
    monkeypatch.setattr(asking, "taken", lambda *_: SimpleNamespace(left=(), said=""))
    monkeypatch.setattr(asking, "checked", lambda *_: said)
    reading: Any = SimpleNamespace(held=Holdings)
    page = asking.Asking(Path("/nowhere"), lambda: {"machines": {"lathe": {}}}, reading)
    wish = asking.Wish("lathe", "Olga Office", {"program": "O0007", "a": "1", "sha256": "h", "seen": "s"})
    with pytest.raises(NotDoneError, match="may wait or not"):
        asking.WAYS["take-over"](page, wish)
    with pytest.raises(NotDoneError, match="was dropped just now"):
        asking.WAYS["take-over"](page, wish)
    assert asked == ["drop"]
