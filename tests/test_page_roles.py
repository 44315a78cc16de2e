"""Who may see and do what by the page: every path that there is, for every role, for nobody, and for other sites' forms."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_visitors import HERE, PHRASE, Shop, csrf, posted, signed_on, visited
from starlette.routing import Route
from starlette.testclient import TestClient

from dncd.page import people
from dncd.page.asking import WAYS
from dncd.page.people import MAY, Role
from dncd.service import page_door

TABLE = """
           look bring office keeper phone
bring      -    x     x      x      x
again      -    x     x      x      x
good       -    x     x      x      -
stop       -    x     x      x      -
first      -    x     x      x      -
look       -    -     x      x      -
drop       -    -     x      x      -
take-over  -    -     x      x      -
verify     -    -     -      x      -
"""
"""What each role may do: as `dncd manual page` promises it, and not taken from the code."""

HEAD, *ROWS = [line.split() for line in TABLE.strip().splitlines()]
MAY_DO = {(Role(role), row[0]): mark == "x" for row in ROWS for role, mark in zip(HEAD, row[1:], strict=True)}
ACTIONS = [row[0] for row in ROWS]
FORM = {
    "program": "O0004",
    "revision": "1",
    "note": "measured",
    "by": "Somebody Else",
    "file": "0004.nc",
    "chosen": "1",
}
PLACES = {"machine": "gang-lathe", "program": "O0004", "code": "0000-0000-0000-0000"}
OPEN = ("/sign-on", "/join/{code}", "/status.json")
"""What nobody needs a session for; the last wants the token of another box."""

VISITORS = [role for role in Role if role is not Role.BOX]


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setattr(people, "_COST", {"n": 2, "r": 1, "p": 1})
    with visited(tmp_path) as made:
        yield made


def paths(shop: Shop, method: str) -> list[str]:
    """Every path of the page that is asked for so, as its application has them."""
    made: Any = shop.page.app()
    return sorted(
        route.path for route in made._app.routes if isinstance(route, Route) and method in (route.methods or ())
    )


def visitor(shop: Shop, role: Role) -> TestClient:
    if role is not Role.PHONE:
        shop.person("A. Miller", role)
        return signed_on(shop, "A. Miller")
    browser = shop.browser()
    assert posted(browser, f"/join/{shop.phone('gang-lathe')}", join="").status_code == 303
    return browser


def do(browser: TestClient, machine: str, action: str, token: str, origin: str = HERE) -> int:
    """The status of the answer to a form with all that any action wants."""
    path = "/verify" if action == "verify" else f"/machine/{machine}/{action}"
    given = {"data": {**FORM, "csrf": token}, "headers": {"origin": origin}}
    file = {"files": {"file": ("0004.nc", b"%\nO0004\n%\n")}} if action in ("drop", "look") else {}
    return browser.post(path, **given, **file).status_code


def test_every_action_stands_in_the_table() -> None:
    assert set(ACTIONS) == {*WAYS, "verify"} == set().union(*MAY.values())


@pytest.mark.parametrize("role", VISITORS)
def test_a_role_does_what_the_table_says_and_nothing_else(shop: Shop, role: Role) -> None:
    browser = visitor(shop, role)
    token = csrf(browser, "/machine/gang-lathe")
    for action in ACTIONS:
        asked = len(shop.asked)
        answer = do(browser, "gang-lathe", action, token)
        if MAY_DO[role, action]:
            assert answer != 403, action
        else:
            assert (answer, len(shop.asked)) == (403, asked), action
        if role is Role.PHONE:
            asked = len(shop.asked)
            assert (do(browser, "mill", action, token), len(shop.asked)) == (403, asked), action
    names = {"phone of gang-lathe"} if role is Role.PHONE else {"A. Miller"}
    assert {request["by"] for request in shop.asked if "by" in request} <= names, "whatever a form says, it is he"


@pytest.mark.parametrize("role", VISITORS)
def test_a_role_sees_every_page_but_those_that_would_do_what_it_may_not(shop: Shop, role: Role) -> None:
    browser = visitor(shop, role)
    for path in (path for path in paths(shop, "GET") if path not in (*OPEN, "/news", "/")):
        action = path.rpartition("/")[2].replace("taken", "take")
        at_a_machine = path.startswith("/machine/{machine}")
        asks = at_a_machine and action in ACTIONS
        sees = at_a_machine if role is Role.PHONE else True
        may = sees and (not asks or MAY_DO[role, action])
        answer = browser.get(path.format_map(PLACES))
        assert (answer.status_code != 403) == may, path
        if may:
            assert answer.status_code in (200, 409), path
        if role is Role.PHONE:
            assert browser.get(path.format_map({**PLACES, "machine": "mill"})).status_code == 403, path


def test_who_is_not_signed_on_sees_and_does_nothing(shop: Shop) -> None:
    shop.person("A. Miller", Role.KEEPER)
    browser = shop.browser()
    for path in (path for path in paths(shop, "GET") if path not in OPEN):
        answer = browser.get(path.format_map(PLACES))
        assert answer.status_code == (401 if path == "/news" else 303), path
        assert answer.headers.get("location", "/sign-on") == "/sign-on"
        assert "SLEEVE" not in answer.text
        assert "set-cookie" not in answer.headers
    for path in (path for path in paths(shop, "POST") if path not in OPEN):
        assert posted(browser, path.format_map(PLACES), **FORM).status_code == 401, path
    assert shop.asked == []


@pytest.mark.parametrize("how", ["another site", "no token", "another's token"])
def test_no_form_of_another_site_and_none_without_its_token_does_anything(shop: Shop, how: str) -> None:
    """Of every path that takes forms, also those that are added later."""
    keeper = visitor(shop, Role.KEEPER)
    token = csrf(keeper, "/machine/gang-lathe")
    shop.person("B. Young", Role.KEEPER)
    other = csrf(signed_on(shop, "B. Young"), "/machine/gang-lathe")
    assert len({token, other, ""}) == 3
    given = {"another site": token, "no token": "", "another's token": other}[how]
    origin = "https://evil.example" if how == "another site" else HERE
    forms = [path for path in paths(shop, "POST") if how == "another site" or path not in OPEN]
    assert len(forms) > len(WAYS)
    sent = {**FORM, "csrf": given, "name": "A. Miller", "phrase": PHRASE}
    for path in forms:
        answer = posted(keeper, path.format_map(PLACES), origin, **sent)
        assert answer.status_code == 403, path
        assert "location" not in answer.headers
    assert shop.asked == []
    assert keeper.get("/").status_code == 200, "not even signed off"


def test_a_get_does_nothing_whatever_it_says(shop: Shop) -> None:
    keeper = visitor(shop, Role.KEEPER)
    token = csrf(keeper, "/machine/gang-lathe")
    for path in paths(shop, "POST"):
        keeper.get(path.format_map(PLACES), params={**FORM, "csrf": token})
    assert {request["do"] for request in shop.asked} <= set(page_door._LOOKS), "what changes nothing"
    assert keeper.get("/").status_code == 200


def test_a_role_that_is_changed_holds_at_the_next_request(shop: Shop) -> None:
    browser = visitor(shop, Role.KEEPER)
    token = csrf(browser, "/machine/gang-lathe")
    people.keep(shop.state, people.read(shop.state).without("A. Miller"))
    shop.person("A. Miller", Role.LOOK)
    assert do(browser, "gang-lathe", "stop", token) == 401
    assert shop.asked == []
    browser = signed_on(shop, "A. Miller")
    assert do(browser, "gang-lathe", "stop", csrf(browser, "/machine/gang-lathe")) == 403


def test_a_phone_that_is_refused_is_told_in_plain_words_and_led_back_to_its_machine(shop: Shop) -> None:
    browser = visitor(shop, Role.PHONE)
    token = csrf(browser, "/machine/gang-lathe")
    refused = [
        browser.get(path) for path in ("/machine/gang-lathe/stop", "/machine/mill", "/log", "/search", "/decisions")
    ]
    refused.append(posted(browser, "/machine/gang-lathe/stop", csrf=token, file="0004.nc"))
    for answer in refused:
        assert answer.status_code == 403
        assert re.findall('<a class="button" href="([^"]*)"', answer.text) == ["/machine/gang-lathe"]
        for path in ("/decisions", "/search", "/log", "/verify", '"/"'):
            assert f'href="{path}' not in answer.text, path
            assert f'action="{path}' not in answer.text, path
    assert "this phone brings programs to gang-lathe, and does nothing else" in refused[0].text
    other = ["Join it at the other one&#39;s door as well" in answer.text for answer in refused]
    assert other == [False, True, False, False, False, False], "for another machine's page alone"
    assert all("Go back to the machine" in answer.text for answer in refused[2:5])
    german = browser.get("/machine/gang-lathe/stop?language=de").text
    assert "dieses Telefon holt Programme an gang-lathe, und sonst nichts" in german
    lost = browser.get("/no-such-page")
    assert (lost.status_code, "Go back to the machine" in lost.text, "loor" in lost.text) == (404, True, False)


def test_a_phone_whose_machine_is_gone_is_told_of_no_other(shop: Shop) -> None:
    browser = shop.browser()
    assert posted(browser, f"/join/{shop.phone('gang-lathe')}", join="").status_code == 303
    shop.page.feed.status["machines"].pop("gang-lathe")
    for path in ("", "/bring", "/programs"):
        answer = browser.get(f"/machine/gang-lathe{path}")
        assert (answer.status_code, "no machine" in answer.text, "mill" in answer.text) == (404, True, False)
