"""Who may do what by the page: hosts, forms of other sites, sessions, roles, tries, sizes; and each answer's headers."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_visitors import HERE, PHRASE, Shop, csrf, posted, signed_on, visited

from dncd.errors import UsageError
from dncd.page import door, guard, people, sessions
from dncd.page.people import Role
from dncd.page.sessions import END_S, IDLE_S, TRIES, TRIES_S

COST = dict(people._COST)
HOSTILE = "<script>alert(1)</script>"


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setattr(people, "_COST", {"n": 2, "r": 1, "p": 1})
    with visited(tmp_path) as made:
        yield made


# --- hosts, headers, sizes -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "", "127.0.0.1@evil.example", "localhost/x"]
)
def test_a_name_that_leads_here_from_elsewhere_gets_nothing(shop: Shop, host: str) -> None:
    answer = shop.browser().get("/", headers={"host": host})
    assert (answer.status_code, "gang-lathe" in answer.text) == (421, False)


def test_a_request_has_its_limit_whatever_it_says_of_itself(shop: Shop) -> None:
    browser = shop.browser()
    token, large = csrf(browser), b"x" * (guard.BODY_BYTES + 1)
    headers = {"origin": HERE, "content-type": "application/x-www-form-urlencoded"}
    for content in (large, iter([large])):  # the second says no length
        assert browser.post("/machine/gang-lathe/stop", content=content, headers=headers).status_code == 413
    for content in (b"\xff" * 9, b"&".join([b"a=1"] * 99), b"csrf=" + token.encode() * 9):
        assert browser.post("/machine/gang-lathe/stop", content=content, headers=headers).status_code in (403, 404)
    assert shop.asked == []


@pytest.mark.parametrize("path", ["/sign-on", "/join/abcd"])
def test_who_is_not_known_yet_may_say_little(shop: Shop, path: str) -> None:
    shop.person("A. Miller", Role.OFFICE)
    said = b"name=A. Miller&phrase=" + b"x" * 9_000
    headers = {"origin": HERE, "content-type": "application/x-www-form-urlencoded"}
    for content in (said, iter([said])):
        assert shop.browser().post(path, content=content, headers=headers).status_code == 413


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2f..%2fcli/page.py", "/static//etc/passwd",
     "/machine/..%2f..", "/static/..%252f..%252fapp.py", "/static/%00", "/static/page.css%00.py", "/static/..\\app.py",
     "/machine/%00", "/machine/..", "/machine/gang-lathe/program/..%5c..%5cetc/text", "//etc/passwd", "/%2e%2e/etc/passwd",
     "/machine/gang-lathe/program/%00/text", "/machine/" + "x" * 5000, "/machine/gang-lathe/../../static/../app.py",
     "/machine/gang-lathe/program/..%2f..%2fetc%2fpasswd/text", "/join/../../etc/passwd"],
)  # fmt: skip
def test_no_path_leads_out_of_the_page(shop: Shop, path: str) -> None:
    answer = shop.browser().get(path)
    assert answer.status_code in (200, 303, 404)
    assert "import" not in answer.text
    assert "root:" not in answer.text


def test_script_in_words_of_a_request_stays_words(shop: Shop) -> None:
    browser = shop.browser()
    for path in ("/search", "/log", "/", f"/machine/{HOSTILE}", f"/machine/gang-lathe/program/{HOSTILE}"):
        assert HOSTILE not in browser.get(path, params={"q": HOSTILE, "words": HOSTILE, "only": HOSTILE}).text


# --- forms of other sites --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "", "http://127.0.0.1:9999", "https://127.0.0.1:8750"]
)
def test_a_form_of_another_site_does_nothing(shop: Shop, origin: str) -> None:
    browser = shop.browser()
    answer = posted(browser, "/machine/gang-lathe/stop", origin, csrf=csrf(browser), file="0004.nc")
    assert (answer.status_code, shop.asked) == (403, [])
    assert posted(browser, "/sign-on", origin, name="A", phrase="x").status_code == 403


def test_a_form_needs_what_this_very_visit_was_given(shop: Shop) -> None:
    browser, other = shop.browser(), shop.browser()
    token = csrf(browser)
    for wrong in ("", "x", csrf(other), token[:-1]):
        assert posted(browser, "/machine/gang-lathe/stop", csrf=wrong, file="0004.nc").status_code == 403
    assert shop.asked == []
    assert posted(browser, "/machine/gang-lathe/stop", csrf=token, file="0004.nc").status_code == 200
    assert [(r["do"], r["machine"], r["by"], r["file"]) for r in shop.asked] == [
        ("withdraw", "gang-lathe", "this computer", "0004.nc")
    ]


def test_a_file_comes_as_it_was_chosen(shop: Shop) -> None:
    browser = shop.browser()
    data = b"%\r\nO0007\r\nM30\r\n%\r\n\x00\xff"
    answer = browser.post(
        "/machine/gang-lathe/drop",
        data={"csrf": csrf(browser)},
        files={"file": ("0007.nc", data)},
        headers={"origin": HERE},
    )
    assert answer.status_code == 303
    import base64

    assert (shop.asked[0]["file"], base64.b64decode(shop.asked[0]["data"])) == ("0007.nc", data)


def test_a_revision_is_brought_by_its_number_and_put_in_front(shop: Shop) -> None:
    browser = shop.browser()
    answer = posted(browser, "/machine/gang-lathe/bring", csrf=csrf(browser), program="O0004", revision="2")
    assert answer.status_code == 200
    assert [(r["do"], r.get("revision"), r.get("file")) for r in shop.asked] == [
        ("bring", 2, None),
        ("next", None, "0004.nc"),
    ]
    for wrong in ("", "0", "-1", "1e3", "²", "9" * 9):
        answer = posted(browser, "/machine/gang-lathe/again", csrf=csrf(browser), program="O0004", revision=wrong)
        assert (answer.status_code, len(shop.asked)) == (409, 2)


def test_what_went_out_before_it_could_be_put_in_front_is_told_as_that(shop: Shop) -> None:
    shop.waits = []
    browser = shop.browser()
    answer = posted(browser, "/machine/gang-lathe/again", csrf=csrf(browser), program="O0004", revision="2")
    assert "0004.nc went out already." in answer.text
    assert [r["do"] for r in shop.asked] == ["bring"]


def test_on_this_computer_the_name_in_the_form_signs(shop: Shop) -> None:
    browser = shop.browser()
    form = {"csrf": csrf(browser), "program": "O0004", "revision": "2", "note": "first part measured"}
    posted(browser, "/machine/gang-lathe/good", **form, by=" R. Hale ")
    posted(browser, "/machine/gang-lathe/good", **form, by=" ")
    assert [r["by"] for r in shop.asked] == ["R. Hale", "this computer"]


BOUNDARY = b"--x\r\n"
EMPTY = b'Content-Disposition: form-data; name="a"\r\n\r\n\r\n'


@pytest.mark.parametrize(
    "body",
    [
        BOUNDARY * 200_000,
        (BOUNDARY + EMPTY) * 60 + b"--x--",
        BOUNDARY + b"Content-Disposition: form-data" + b"; a=b" * 50_000 + b"\r\n\r\n\r\n--x--",
        BOUNDARY + EMPTY,
        b"preface\r\n" + BOUNDARY + EMPTY + b"--x--",
        BOUNDARY + b'Content-Disposition: form-data; name="a"\r\n\r\n\xff\r\n--x--',
        b"",
    ],
)
def test_what_no_browser_writes_is_no_form_and_is_walked_through_once(body: bytes) -> None:
    """Made to be read for a minute by a parser of all of MIME: many parts, parts in parts, 50,000 parameters."""
    with pytest.raises(UsageError, match="no form"):
        door.filled_in("multipart/form-data; boundary=x", body)


def test_parts_in_parts_are_contents() -> None:
    inner = b"Content-Type: multipart/mixed; boundary=y\r\n\r\n--y\r\n\r\n--y--"
    body = (
        BOUNDARY + b'Content-Disposition: form-data; name="a%22"; filename="b%22.nc"\r\n\r\n' + inner + b"\r\n--x--\r\n"
    )
    assert door.filled_in('multipart/form-data; boundary="x"', body) == ({"file": 'b".nc'}, inner)


# --- sessions --------------------------------------------------------------------------------------------------------


def test_a_session_is_a_cookie_that_no_script_and_no_other_site_has(shop: Shop) -> None:
    said = shop.browser().get("/").headers["set-cookie"].lower()
    assert "httponly" in said
    assert "samesite=strict" in said
    secure = shop.browser(shop.open(secure=True), "https://127.0.0.1:8750").get("/").headers
    assert secure["set-cookie"].startswith("__Host-dncd=")
    assert "; secure" in secure["set-cookie"].lower()
    assert secure["strict-transport-security"]


def test_nobody_comes_in_from_a_network_without_signing_on(shop: Shop) -> None:
    away = shop.browser(shop.open(local=False))
    for path in ("/", "/machine/gang-lathe", "/log", "/search?q=O0004"):
        assert away.get(path).headers["location"] == "/sign-on"
    assert away.get("/news").status_code == 401
    shop.person("A. Miller", Role.OFFICE)
    assert shop.browser().get("/").headers["location"] == "/sign-on", (
        "and on this computer neither, with people on record"
    )


def test_a_session_that_was_given_before_is_not_the_one_that_is_signed_on(shop: Shop) -> None:
    shop.person("A. Miller", Role.OFFICE)
    browser = shop.browser()
    browser.cookies.set("dncd", "chosen-by-somebody-else", domain="127.0.0.1")
    answer = posted(browser, "/sign-on", name="A. Miller", phrase=PHRASE)
    assert "chosen-by-somebody-else" not in answer.headers["set-cookie"]
    stranger = shop.browser()
    stranger.cookies.set("dncd", "chosen-by-somebody-else", domain="127.0.0.1")
    assert stranger.get("/").status_code == 303


def test_a_stolen_cookie_ends_with_the_next_sign_on_and_with_the_page(shop: Shop) -> None:
    shop.person("A. Miller", Role.OFFICE)
    browser = signed_on(shop, "A. Miller")
    stolen = browser.cookies["dncd"]
    thief, later = shop.browser(), shop.browser(shop.open())
    for each in (thief, later):
        each.cookies.set("dncd", stolen, domain="127.0.0.1")
    assert thief.get("/").status_code == 200, "whoever has it is taken for A. Miller: hence TLS, HttpOnly and SameSite"
    assert later.get("/").status_code == 303, "sessions are in the memory of one page alone"
    assert posted(browser, "/sign-on", name="A. Miller", phrase=PHRASE).status_code == 303
    assert browser.cookies["dncd"] != stolen
    assert thief.get("/").status_code == 303
    assert posted(thief, "/machine/gang-lathe/stop", csrf="", file="0004.nc").status_code == 401


def test_a_session_ends_by_idling_by_age_by_sign_off_and_with_its_person(shop: Shop) -> None:
    shop.person("A. Miller", Role.OFFICE)
    browser = signed_on(shop, "A. Miller")
    shop.now += IDLE_S + 1
    assert browser.get("/").status_code == 303
    browser = signed_on(shop, "A. Miller")
    for _ in range(int(END_S / IDLE_S) * 2):
        shop.now += IDLE_S / 2
        assert browser.get("/").status_code == 200
    shop.now += 2
    assert browser.get("/").status_code == 303
    browser = signed_on(shop, "A. Miller")
    token, cookie = csrf(browser), browser.cookies["dncd"]
    assert posted(browser, "/sign-off", csrf=token).status_code == 303
    browser.cookies.set("dncd", cookie, domain="127.0.0.1")
    assert browser.get("/").status_code == 303, "a copy of the cookie is worth nothing afterwards"
    browser = signed_on(shop, "A. Miller")
    shop.person("B. Young", Role.LOOK)
    people.keep(shop.state, people.read(shop.state).without("A. Miller"))
    assert browser.get("/").status_code == 303


def test_one_person_takes_nobody_elses_session(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions, "OF_ONE", 2)
    monkeypatch.setattr(sessions, "MOST", 4)
    for name in ("A. Miller", "B. Young"):
        shop.person(name, Role.LOOK)
    other, *own = (signed_on(shop, name) for name in ("B. Young", *["A. Miller"] * 5))
    assert other.get("/").status_code == 200
    assert [browser.get("/").status_code for browser in own] == [303, 303, 303, 200, 200], "his oldest makes room"


def test_tries_are_counted_by_name_and_address(shop: Shop) -> None:
    shop.person("A. Miller", Role.OFFICE)
    browser = shop.browser()
    for _ in range(TRIES):
        assert posted(browser, "/sign-on", name="A. Miller", phrase="wrong").status_code == 403
    answer = posted(browser, "/sign-on", name="A. Miller", phrase=PHRASE)
    assert (answer.status_code, "too many wrong tries" in answer.text) == (403, True)
    shop.now += TRIES_S + 1
    assert posted(browser, "/sign-on", name="A. Miller", phrase=PHRASE).status_code == 303


# --- phones, and what is kept -----------------------------------------------------------------------------------------


def test_a_phone_sees_and_brings_to_its_machine_alone_until_it_is_revoked(shop: Shop) -> None:
    code = shop.phone("gang-lathe")
    phone = shop.browser(shop.open(local=False))
    assert "gang-lathe" not in phone.get(f"/join/{code}").text, "a look at the link alone joins nothing"
    assert phone.get("/").status_code == 303
    answer = posted(phone, f"/join/{code}", join="")
    assert (answer.status_code, answer.headers.get("location")) == (303, "/machine/gang-lathe"), answer.text
    assert phone.get("/").headers["location"] == "/machine/gang-lathe"
    assert phone.get("/machine/gang-lathe").status_code == 200
    for path in (
        "/machine/mill",
        "/log",
        "/decisions",
        "/search?q=O",
        "/verify",
        "/log?on=gang-lathe",
        "/search?on=gang-lathe&q=O",
        "/decisions?on=gang-lathe",
        "/verify?on=gang-lathe",
        "/news?on=floor",
        "/news?on=mill",
        "/news",
    ):
        assert phone.get(path).status_code == 403, path
    links = set(re.findall(r'(?:href|action)="(/[^"]*)"', phone.get("/machine/gang-lathe").text))
    assert {link for link in links if not link.startswith(("/machine/gang-lathe", "/static/"))} == {"/sign-off"}
    token = csrf(phone, "/machine/gang-lathe/bring?program=O0004")
    assert posted(phone, "/machine/gang-lathe/bring", csrf=token, program="O0004", revision="1").status_code == 200
    for machine, kind in (("mill", "bring"), ("gang-lathe", "stop"), ("gang-lathe", "good"), ("gang-lathe", "drop")):
        assert posted(phone, f"/machine/{machine}/{kind}", csrf=token, file="x").status_code == 403
    assert {request["machine"] for request in shop.asked} == {"gang-lathe"}
    assert posted(shop.browser(), f"/join/{code}x", join="").status_code == 403
    assert posted(phone, "/sign-on", name="phone of gang-lathe", phrase=code).status_code == 403
    people.keep(shop.state, people.People())
    assert phone.get("/machine/gang-lathe").status_code == 303


def test_what_is_kept_of_a_phrase_is_no_phrase(shop: Shop) -> None:
    shop.person("A. Miller", Role.OFFICE)
    data = people.file_of(shop.state).read_bytes()
    assert PHRASE.encode() not in data
    assert people.file_of(shop.state).stat().st_mode & 0o777 == 0o640
    found = people.read(shop.state)
    assert found.signed_on("A. Miller", PHRASE) is not None
    assert found.signed_on("A. Miller", PHRASE + " ") is None
    assert found.signed_on("B. Young", PHRASE) is None
    assert COST == {"n": 2**14, "r": 8, "p": 5}, "OWASP's, one of five of a strength"
    for torn in (data[:50], data.replace(b"scrypt:", b"scrypt:zz")):
        people.file_of(shop.state).write_bytes(torn)
        for path in ("/", "/sign-on"):
            browser = shop.browser()
            answer = browser.get(path) if path == "/" else posted(browser, path, name="A. Miller", phrase=PHRASE)
            assert answer.status_code == 409, "what cannot be read lets nobody in"
            assert str(shop.state) not in answer.text
