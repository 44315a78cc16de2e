"""The table `[page]`: where browsers come, by which names, and that no pass phrase goes over a network in the clear."""

from pathlib import Path
from typing import Any

import pytest

from dncd.errors import SettingsError
from dncd.outside import config, config_page, config_shown
from dncd.values import PageSettings

LATHE = '[machines.gang-lathe.line]\nport = "/dev/ttyS0"\n'
TLS = 'certificate = "tls/page.pem"\nkey = "/etc/dncd/page.key"\n'


def page(folder: Path, text: str, rest: str = LATHE, listen: str = "") -> PageSettings:
    file = folder / "dncd.toml"
    file.write_text(f"{rest}[page]\n{text}")
    return config.page_of(file, listen)


def test_without_a_word_this_computer_alone_reaches_the_page(tmp_path: Path) -> None:
    found = page(tmp_path, "")
    assert (found.listen, config_page.is_here(found)) == ("127.0.0.1:8750", True)
    assert config_page.hosts(found) == ("127.0.0.1", "localhost", "::1")
    assert config_page.address_of(found, 8750) == "http://127.0.0.1:8750/"


@pytest.mark.parametrize(
    "listen", ["8750", ":8750", "127.0.0.1", "127.0.0.1:", "127.0.0.1:65536", "127.0.0.1:-1", "127.0.0.1:8٧", "::1:8750",
               "[127.0.0.1]:8750", "box:8750", "127.1:8750", "127.0.0.1:8750 ", "[::1:8750", "http://127.0.0.1:8750"],
)  # fmt: skip
def test_an_address_is_one_or_is_told_with_what_it_may_be(tmp_path: Path, listen: str) -> None:
    with pytest.raises(SettingsError) as told:
        page(tmp_path, f'listen = "{listen}"')
    (problem,) = told.value.problems
    assert problem.startswith(f'dncd.toml: [page] listen = "{listen}": allowed: an address of this computer and a port')


@pytest.mark.parametrize("listen", ["127.0.0.1:0", "localhost:8750", "[::1]:8750", "127.8.9.1:80"])
def test_this_computer_alone_needs_no_tls(tmp_path: Path, listen: str) -> None:
    assert config_page.is_here(page(tmp_path, f'listen = "{listen}"'))


@pytest.mark.parametrize(
    ("text", "key", "what"),
    [
        ('listen = "0.0.0.0:8750"', "listen", "in the clear"),
        ('listen = "192.168.10.5:8750"', "listen", "in the clear"),
        ('listen = "[::]:8750"\nnames = "box"', "listen", "in the clear"),
        ('certificate = "a.pem"', "certificate", "belong together"),
        ('listen = "0.0.0.0:8750"\nkey = "a.pem"', "key", "belong together"),
        (f'listen = "0.0.0.0:8750"\n{TLS}', "names", "nothing says how browsers call the page"),
        ('behind_proxy = "127.0.0.1"', "names", "nothing says how browsers call the page"),
        ('behind_proxy = "127.0.0.1,10.0.0.1"', "behind_proxy", "addresses with a blank between"),
        ('behind_proxy = "proxy.shop.lan"', "behind_proxy", "addresses with a blank between"),
        ("behind_proxy = true", "behind_proxy", "addresses with a blank between"),
        ('names = "box:8750/x"', "names", "names or addresses"),
        ('names = ["box"]', "names", "names or addresses"),
        ('host = "box"', "host", "unknown key"),
    ],
)
def test_what_cannot_be_names_key_and_way_out(tmp_path: Path, text: str, key: str, what: str) -> None:
    with pytest.raises(SettingsError) as told:
        page(tmp_path, text)
    assert [p for p in told.value.problems if p.startswith(f"dncd.toml: [page] {key} = ") and what in p], told.value
    assert "dncd check-config" in str(told.value)
    with pytest.raises(SettingsError, match=key):
        config.load(tmp_path / "dncd.toml")


@pytest.mark.parametrize(
    ("text", "hosts", "address"),
    [
        (f'listen = "192.168.10.5:8750"\n{TLS}', ("192.168.10.5",), "https://192.168.10.5:8750/"),
        (f'listen = "[fd00::5]:443"\n{TLS}', ("fd00::5",), "https://[fd00::5]:443/"),
        (f'listen = "0.0.0.0:8750"\nnames = "Dncd.shop.lan box"\n{TLS}', ("dncd.shop.lan", "box"), "https://dncd.shop.lan:8750/"),
        ('behind_proxy = "127.0.0.1 ::1"\nnames = "dncd.shop.lan"', ("dncd.shop.lan",), "https://dncd.shop.lan/"),
    ],
)  # fmt: skip
def test_on_a_network_the_page_has_tls_and_the_names_that_it_is_given(
    tmp_path: Path, text: str, hosts: tuple[str, ...], address: str
) -> None:
    found = page(tmp_path, text)
    assert (config_page.is_here(found), config_page.hosts(found)) == (False, hosts)
    assert config_page.address_of(found, int(found.listen.rpartition(":")[2])) == address


def test_paths_start_at_the_file_and_all_of_it_is_shown_and_read_again(tmp_path: Path) -> None:
    page(tmp_path, f'listen = "192.168.10.5:8750"\n{TLS}names = "box"\n')
    settings = config.load(tmp_path / "dncd.toml")
    assert settings.page.certificate == str(tmp_path / "tls/page.pem")
    assert settings.page.key == "/etc/dncd/page.key"
    shown = config_shown.explain(settings)
    assert "[page]\nlisten" in shown
    assert config.read(settings.file, shown).page == settings.page
    plain: dict[str, Any] = config_shown.plain(settings)
    assert plain["page"]["names"] == "box"


def test_the_page_is_read_whatever_a_machine_has(tmp_path: Path) -> None:
    """As commands that ask the service, it must work while somebody has the file half changed."""
    wrong = '[machines.gang-lathe.line]\nport = 3\nbuad = 4\n[shop]\nfolder = ""\n'
    assert page(tmp_path, "", wrong).listen == "127.0.0.1:8750"
    assert page(tmp_path, "", wrong, "127.0.0.1:0").listen == "127.0.0.1:0"
    with pytest.raises(SettingsError, match="in the clear"):
        page(tmp_path, "", wrong, "0.0.0.0:80")
    (tmp_path / "dncd.toml").write_text("page = 3\n")
    with pytest.raises(SettingsError, match="must be a table"):
        config.page_of(tmp_path / "dncd.toml", "127.0.0.1:0")
