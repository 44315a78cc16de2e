"""The page on a network: TLS really used, a proxy that is believed, strangers who are not, starts that are refused."""

import contextlib
import http.client
import socket
import ssl
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_visitors import PHRASE, Shop, certificate, csrf, needs_openssl, posted, served, trusting, visited
from starlette.datastructures import Headers

from dncd.cli import main
from dncd.errors import NotDoneError
from dncd.page import guard, people, server
from dncd.page.people import Role
from dncd.page.sessions import TRIES

PROXY, OUTSIDE, STRANGER = "10.0.0.1", "https://dncd.shop.lan", "10.0.0.77"


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setattr(people, "_COST", {"n": 2, "r": 1, "p": 1})
    with visited(tmp_path) as made:
        yield made


# --- TLS -------------------------------------------------------------------------------------------------------------


@needs_openssl
def test_pass_phrase_and_session_go_by_tls_alone(shop: Shop, tmp_path: Path) -> None:
    made, key = certificate(tmp_path)
    shop.person("A. Miller", Role.OFFICE)
    with served(shop, server.Tls(made, key).read()) as port:
        browser = http.client.HTTPSConnection("127.0.0.1", port, context=trusting(made), timeout=30)
        form = f"name=A.+Miller&phrase={PHRASE.replace(' ', '+')}"
        origin = f"https://127.0.0.1:{port}"
        kind = "application/x-www-form-urlencoded"
        browser.request("POST", "/sign-on", form, {"origin": origin, "content-type": kind})
        answer = browser.getresponse()
        cookie = answer.headers["set-cookie"]
        assert (answer.status, cookie[:12]) == (303, "__Host-dncd=")
        for word in ("; Path=/", "; Secure", "; HttpOnly", "; SameSite=strict"):
            assert word in cookie
        assert "Domain" not in cookie
        assert answer.headers["strict-transport-security"]
        answer.read()
        browser.request("GET", "/", headers={"cookie": cookie.partition(";")[0]})
        assert browser.getresponse().status == 200
        browser.close()
        plain = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        plain.request("GET", "/")
        with pytest.raises((http.client.HTTPException, ConnectionError)):
            plain.getresponse()
        plain.close()


@needs_openssl
@pytest.mark.filterwarnings("ignore:.*TLSVersion.TLSv1_1 is deprecated:DeprecationWarning")
def test_an_old_tls_and_a_handshake_that_never_ends_get_nothing(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "REQUEST_S", 0.3)
    made, key = certificate(tmp_path)
    context = server.Tls(made, key).read()
    assert context.minimum_version >= ssl.TLSVersion.TLSv1_2
    with served(shop, context) as port:
        old = trusting(made)
        old.set_ciphers("ALL:@SECLEVEL=0")
        old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
        with socket.create_connection(("127.0.0.1", port), 30) as sock, pytest.raises((ssl.SSLError, ConnectionError)):
            old.wrap_socket(sock, server_hostname="127.0.0.1")
        with socket.create_connection(("127.0.0.1", port), 30) as slow:
            slow.sendall(b"\x16\x03\x01")
            with contextlib.suppress(ConnectionError):
                assert slow.recv(100) == b""


def shown_by(port: int, trusted: str) -> bytes:
    with (
        socket.create_connection(("127.0.0.1", port), 30) as sock,
        trusting(trusted).wrap_socket(sock, server_hostname="127.0.0.1") as tls,
    ):
        return tls.getpeercert(binary_form=True) or b""


@needs_openssl
def test_a_renewed_certificate_is_taken_over_and_a_broken_one_is_not(shop: Shop, tmp_path: Path) -> None:
    (made, key), (other, other_key) = certificate(tmp_path), certificate(tmp_path, "other")
    tls = server.Tls(made, key)
    context = tls.read()
    with served(shop, context) as port:
        first = shown_by(port, made)
        Path(made).write_bytes(Path(other).read_bytes())
        with pytest.raises(NotDoneError, match="another certificate's"):
            tls.read()
        Path(key).write_bytes(Path(other_key).read_bytes())
        tls.read(context)
        assert shown_by(port, other) not in (b"", first)


@needs_openssl
def test_what_is_no_certificate_with_its_key_is_told_with_its_place(tmp_path: Path) -> None:
    (made, key), (locked, locked_key) = certificate(tmp_path), certificate(tmp_path, "locked", "a phrase of four")
    (tmp_path / "text").write_text("no PEM")
    for one, other, what in (
        (made, str(tmp_path / "none"), "none"),
        (str(tmp_path), key, "Is a directory"),
        (str(tmp_path / "text"), key, "no certificate with its key"),
        (locked, locked_key, "without a pass phrase"),
        (made, locked_key, "without a pass phrase"),
        (locked, key, "the key is another certificate's"),
    ):
        with pytest.raises(NotDoneError) as told:
            server.Tls(one, other).read()
        assert what in str(told.value)
        assert "[page]" in str(told.value)


# --- a proxy ---------------------------------------------------------------------------------------------------------


def by_proxy(**more: str) -> dict[str, str]:
    return {"x-forwarded-proto": "https", "x-forwarded-for": "10.0.0.9", **more}


def test_who_asks_by_the_proxy_is_believed_and_nobody_else(shop: Shop) -> None:
    shop.person("A. Miller", Role.OFFICE)
    page = shop.open(hosts=("dncd.shop.lan",), secure=True, local=False, proxies=(PROXY, "::1"))
    proxy = shop.browser(page, "http://dncd.shop.lan", PROXY)
    proxy.headers = by_proxy()  # type: ignore[assignment]
    answer = posted(proxy, "/sign-on", OUTSIDE, name="A. Miller", phrase=PHRASE)
    assert (answer.status_code, answer.headers["set-cookie"][:12]) == (303, "__Host-dncd=")
    assert "; secure" in answer.headers["set-cookie"].lower()
    stranger = shop.browser(page, "http://dncd.shop.lan", STRANGER)
    for headers in ({}, by_proxy(), by_proxy(forwarded="proto=https")):
        assert stranger.get("/sign-on", headers=headers).status_code == 421, "who goes round the proxy gets nothing"
    for proto in ("http", "", "https, http", "HTTPSX"):
        assert proxy.get("/sign-on", headers={"x-forwarded-proto": proto}).status_code == 421, proto
    del proxy.headers["x-forwarded-proto"]
    assert proxy.get("/sign-on").status_code == 421, "a proxy must say how the browser came"


@pytest.mark.parametrize(
    ("client", "said", "found"),
    [
        (PROXY, "10.0.0.9", "10.0.0.9"),
        (PROXY, "1.2.3.4, 10.0.0.9", "10.0.0.9"),
        (PROXY, "1.2.3.4,10.0.0.9,::1, 10.0.0.1", "10.0.0.9"),
        ("::ffff:10.0.0.1", "::FFFF:10.0.0.9", "10.0.0.9"),
        ("::1", "fd00::9", "fd00::9"),
        (PROXY, "", PROXY),
        (PROXY, "unknown", PROXY),
        (PROXY, PROXY, PROXY),
        (STRANGER, "10.0.0.9", STRANGER),
        ("::ffff:10.0.0.77", "10.0.0.9", STRANGER),
    ],
)
def test_of_those_named_the_last_that_is_no_proxy_asks(client: str, said: str, found: str) -> None:
    headers = Headers({"x-forwarded-for": said} if said else {})
    assert guard.asked_by({"client": (client, 1), "scheme": "http"}, headers, (PROXY, "::1"))[0] == found


def test_wrong_tries_count_for_who_made_them_whatever_he_says_of_himself(shop: Shop) -> None:
    shop.person("A. Miller", Role.OFFICE)
    direct = shop.open(secure=True, local=False, hosts=("dncd.shop.lan",))
    for page, at, base in (
        (direct, STRANGER, OUTSIDE),
        (shop.open(secure=True, local=False, hosts=("dncd.shop.lan",), proxies=(PROXY,)), PROXY, "http://dncd.shop.lan"),
    ):  # fmt: skip
        browser = shop.browser(page, base, at)
        said = [f"10.1.0.{n}" if at == STRANGER else f"10.1.0.{n}, 10.0.0.9" for n in range(TRIES + 1)]
        answers = []
        for n, each in enumerate(said):
            browser.headers = by_proxy(**{"x-forwarded-for": each})  # type: ignore[assignment]
            answers.append(posted(browser, "/sign-on", OUTSIDE, name=f"Name {n}", phrase="wrong").text)
        assert ["too many wrong tries" in text for text in answers] == [False] * TRIES + [True]
    other = shop.browser(page, "http://dncd.shop.lan", PROXY)
    other.headers = by_proxy(**{"x-forwarded-for": "10.0.0.10"})  # type: ignore[assignment]
    assert posted(other, "/sign-on", OUTSIDE, name="A. Miller", phrase=PHRASE).status_code == 303


@pytest.mark.parametrize("name", ["x-forwarded-for", "x-forwarded-proto", "forwarded", "via", "x-real-ip"])
def test_a_proxy_that_nobody_named_makes_no_visitor_this_computer(shop: Shop, name: str) -> None:
    """Else a web server on this computer would let the whole network in as whoever sits here."""
    answer = shop.browser().get("/", headers={name: "10.0.0.9"})
    assert (answer.status_code, "behind_proxy" in answer.text) == (421, True)
    assert csrf(shop.browser())


# --- the start -------------------------------------------------------------------------------------------------------


def settings(folder: Path, text: str) -> str:
    file = folder / "dncd.toml"
    file.write_text(f'[machines.gang-lathe.line]\nport = "/dev/ttyS0"\n[page]\n{text}')
    return str(file)


@pytest.mark.parametrize(
    ("text", "words", "status", "told"),
    [
        ("", ("--listen", "0.0.0.0:8750"), 2, "in the clear; set certificate and key, or behind_proxy"),
        ('listen = "0.0.0.0:8750"', (), 2, "in the clear; set certificate and key, or behind_proxy"),
        ("", ("--listen", "everywhere"), 2, "the page cannot listen at 'everywhere'"),
        ('listen = "0.0.0.0:0"\nnames = "box"\ncertificate = "a"\nkey = "b"', (), 2, "dncd people add NAME --role"),
        ('names = "box"\nbehind_proxy = "127.0.0.1"', (), 2, "dncd people add NAME --role"),
        ('listen = "127.0.0.1:0"\ncertificate = "a"\nkey = "b"', (), 1, "it cannot be read: No such file or directory"),
    ],
)
def test_what_would_not_be_safe_does_not_start(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: tuple[str, ...], status: int, told: str
) -> None:
    assert main(["--config", settings(tmp_path, text), "page", *words]) == status
    assert told in capsys.readouterr().err
