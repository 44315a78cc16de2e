"""`dncd people`: who may use the page, said at the box; phrases are not shown; a phone is for one machine; its sheet."""

import contextlib
import io
import itertools
import json
import os
import pty
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from house import fits_schema

from dncd.cli import main
from dncd.cli.people import ROLES
from dncd.page import people
from dncd.page.people import MAY, Role
from dncd.records.library import Writer

PHRASE = "copper lathe seven rain"
SETTINGS = """
[page]
listen = "192.168.10.5:8750"
names = "dncd.shop.lan"
certificate = "page.pem"
key = "page.key"
[machines.gang-lathe.line]
port = "/dev/x"
[machines.mill.line]
port = "/dev/y"
"""


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(people, "_COST", {"n": 2, "r": 1, "p": 1})
    (tmp_path / "dncd.toml").write_text(SETTINGS)
    (tmp_path / "state").mkdir(mode=0o750)
    monkeypatch.setenv("DNCD_CONFIG", str(tmp_path / "dncd.toml"))
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{PHRASE}\r\nnot this line\n"))
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(words) == status, capsys.readouterr()
    found = capsys.readouterr()
    return found.err if status else found.out


def test_a_person_is_added_listed_and_removed(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "Nobody yet" in said(capsys, "people", "list")
    told = said(capsys, "people", "add", " A.  Miller ", "--role", "office")
    assert "A. Miller may, from now on: look at everything; bring programs" in told
    assert "drop programs, take edits over.\nSign on at https://dncd.shop.lan:8750/" in told
    assert "nobody uses the page without signing on" in told
    assert PHRASE not in told
    found = people.read(shop / "state")
    assert found.signed_on("A. Miller", PHRASE) is not None
    assert found.signed_on("A. Miller", "not this line") is None
    assert re.search(r"A\. Miller +office", said(capsys, "people", "list"))
    listed = json.loads(said(capsys, "people", "list", "--json"))
    assert fits_schema("people-list", listed)
    assert listed == [{"name": "A. Miller", "role": "office", "machine": None, "may": sorted(MAY[Role.OFFICE])}]
    assert "out, in every browser" in said(capsys, "people", "remove", "A. Miller")
    assert people.read(shop / "state").people == ()


@pytest.mark.usefixtures("shop")
def test_another_box_on_record_is_listed_and_is_no_person(capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "people", "box", "hall-2")
    listed = json.loads(said(capsys, "people", "list", "--json"))
    assert fits_schema("people-list", listed)
    assert listed == [{"name": "hall-2", "role": "box", "machine": None, "may": []}]
    told = said(capsys, "people", "add", "A. Miller", "--role", "look")
    assert "nobody uses the page without signing on" in told
    assert "Nobody on record may do anything by the page but look" in told


def test_what_cannot_be_is_told_before_a_phrase_is_asked_for(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "people", "add", "A. Miller", "--role", "look")
    assert sys.stdin.read() == "not this line\n"
    for words, told in {
        ("add", "A. Miller", "--role", "office"): "there is one of this name already",
        ("add", " ", "--role", "office"): "1 to 60 printable characters",
        ("add", "A\x1b[2J", "--role", "office"): "1 to 60 printable characters",
        ("add", "B. Young", "--role", "phone"): "'phone' is not one of",
        ("add", "B. Young"): "Missing option '--role'",
        ("remove", "B. Young"): "There are: A. Miller",
        ("phone", "lathe"): "there is no machine 'lathe'",
    }.items():
        assert told in said(capsys, "people", *words, status=2)
    sys.stdin.seek(0)
    sys.stdin.write("eleven char\n")
    sys.stdin.seek(0)
    assert "it has 11 characters. Use 12 or more" in said(
        capsys, "people", "add", "B. Young", "--role", "look", status=2
    )
    assert [person.name for person in people.read(shop / "state").people] == ["A. Miller"]


def test_without_a_state_folder_nobody_is_put_on_record(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shop / "state").rmdir()
    assert "Start dncd once" in said(capsys, "people", "add", "A. Miller", "--role", "look", status=1)
    assert not (shop / "state").exists()


def test_the_command_says_of_each_role_what_the_page_lets_it_do() -> None:
    assert set(ROLES) == {str(role) for role in Role} - {"phone", "box"}
    sets = [MAY[Role(role)] for role in ROLES]
    assert all(less < more for less, more in itertools.pairwise(sets)), "each has what those before it have"


# --- the terminal ----------------------------------------------------------------------------------------------------


def typed(shop: Path, *answers: str) -> tuple[int, str]:
    """Exit status, and all that a terminal shows of `dncd people add` while this is typed at its questions."""
    leader, follower = pty.openpty()
    words = [
        "setsid",
        "--ctty",
        "--wait",
        sys.executable,
        "-m",
        "dncd",
        "people",
        "add",
        "A. Miller",
        "--role",
        "keeper",
    ]
    command = subprocess.Popen(words, stdin=follower, stdout=follower, stderr=follower, cwd=shop)
    os.close(follower)
    shown, left = "", list(answers)
    with contextlib.suppress(OSError):  # EIO: nobody has the terminal any more
        while data := os.read(leader, 1000):
            shown += data.decode()
            if left and shown.endswith(": "):
                os.write(leader, f"{left.pop(0)}\n".encode())
                shown += "\n"
    os.close(leader)
    return command.wait(), shown


def test_a_phrase_is_asked_for_twice_and_never_shown(shop: Path) -> None:
    status, shown = typed(shop, PHRASE, PHRASE + "x", PHRASE, PHRASE)
    assert status == 0, shown
    assert shown.count("Pass phrase of A. Miller") == 2, "two that differ are asked for anew"
    assert shown.count("Once more") == 2
    assert "copper" not in shown


# --- phones ----------------------------------------------------------------------------------------------------------


def joined(shop: Path, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    told = json.loads(said(capsys, "people", "phone", "gang-lathe", "--json", *words))
    assert fits_schema("people-phone", told)
    return str(told["address"])


def test_a_phone_has_a_code_that_can_be_typed_and_is_kept_nowhere(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = said(capsys, "people", "phone", "gang-lathe")
    code = re.search(r"https://dncd\.shop\.lan:8750/join/([0-9a-hj-km-np-tv-z-]{19})\n", told)
    assert code, told
    assert "dncd people remove 'phone of gang-lathe'" in told
    assert code[1].encode() not in people.file_of(shop / "state").read_bytes()
    found = people.read(shop / "state")
    for as_typed in (code[1], code[1].upper(), code[1].replace("-", ""), code[1].replace("0", "O").replace("1", "l")):
        phone = found.joined(as_typed)
        assert phone, as_typed
        assert (phone.name, phone.role, phone.machine) == ("phone of gang-lathe", Role.PHONE, "gang-lathe")
    for wrong in ("", "-", code[1][:-1], code[1] + "x", "0" * 16):
        assert found.joined(wrong) is None
    assert found.signed_on("phone of gang-lathe", code[1]) is None
    taken = said(capsys, "people", "phone", "gang-lathe", status=2)
    assert "there is one of this name already. Remove that one first, or give this one another with `--name`." in taken
    other = joined(shop, capsys, "--name", "R. Hale's phone")
    assert other.rpartition("/")[2] != code[1]
    assert len({people.new_code()[0] for _ in range(200)}) == 200
    said(capsys, "people", "remove", "phone of gang-lathe")
    assert people.read(shop / "state").joined(code[1]) is None
    assert people.read(shop / "state").joined(other.rpartition("/")[2]) is not None


def test_no_phone_is_joined_to_a_page_that_it_cannot_reach(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shop / "dncd.toml").write_text(SETTINGS.replace("192.168.10.5", "127.0.0.1"))
    assert "no phone reaches the page" in said(capsys, "people", "phone", "gang-lathe", status=2)
    assert people.read(shop / "state").people == ()


class Sheet(HTMLParser):
    """Tags with their attributes, and the text, of what opens and closes as it should."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags, self.text = list[tuple[str, dict[str, str | None]]](), ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_doors_sheet_has_the_phones_address_where_asked_for(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    address = joined(shop, capsys)
    sheet = ("programs", "gang-lathe", "--sheet", "-o", str(shop / "door.html"))
    Writer(shop / "state").close()
    said(capsys, *sheet)
    assert "join" not in (shop / "door.html").read_text()
    said(capsys, *sheet, "--phone", address)
    found = Sheet((shop / "door.html").read_text())
    assert address in "".join(found.text.split())
    tags = [tag for tag, _ in found.tags]
    assert "svg" in tags, "the code can be photographed"
    assert not {"img", "script", "iframe", "image", "use"} & set(tags)
    said(capsys, "people", "remove", "phone of gang-lathe")
    for wrong in (address, "https://dncd.shop.lan:8750/", "x", address.rpartition("/")[2]):
        assert "no phone joins gang-lathe" in said(capsys, *sheet, "--phone", wrong, status=2)
    assert "no phone joins mill" in said(
        capsys, "programs", "mill", "--sheet", "--phone", joined(shop, capsys), "-o", str(shop / "mill.html"), status=2
    )
    assert not (shop / "mill.html").exists()
    assert "a sheet is for one machine" in said(capsys, "programs", "gang-lathe", "--phone", address, status=2)


def pixels(svg: str, scale: int = 8) -> memoryview:
    """A drawing of the sheet as a camera has it, grey: its dark lines are one module high, from a place on, in steps."""
    (path,) = re.findall(r' d="([^"]+)"', svg)
    x = y = 0.0
    dark = set[tuple[int, int]]()
    for step, first, second in re.findall(r"([Mmh])(-?[\d.]+)(?: ?(-?[\d.]+))?", path):
        if step == "h":
            dark |= {(int(x) + n, int(y)) for n in range(int(first))}
            x += int(first)
        else:
            x, y = (float(first), float(second)) if step == "M" else (x + float(first), y + float(second))
    side = range(scale * (max(max(place) for place in dark) + 5))
    grey = bytes(0 if (col // scale, row // scale) in dark else 255 for row in side for col in side)
    return memoryview(grey).cast("B", (len(side), len(side)))


def test_a_camera_reads_the_address_off_the_doors_sheet(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Read by a library that knows nothing of how it was drawn."""
    reader = pytest.importorskip("zxingcpp", reason="reads the drawing with zxing-cpp")
    address = joined(shop, capsys)
    Writer(shop / "state").close()
    said(capsys, "programs", "gang-lathe", "--sheet", "--phone", address, "-o", str(shop / "door.html"))
    (drawing,) = re.findall(r"<svg.*?</svg>", (shop / "door.html").read_text(), re.DOTALL)
    assert [found.text for found in reader.read_barcodes(pixels(drawing))] == [address]


@pytest.mark.skipif(os.geteuid() != 0, reason="users of their own need root")
def test_what_root_puts_on_record_is_the_services(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Root often is the first to use the page's folder; the service must make its socket there."""
    os.chown(shop / "state", 4001, 4002)
    said(capsys, "people", "add", "A. Miller", "--role", "look")
    for path in (shop / "state/page", people.file_of(shop / "state")):
        assert (path.stat().st_uid, path.stat().st_gid) == (4001, 4002)
    assert people.file_of(shop / "state").stat().st_mode & 0o777 == 0o640
