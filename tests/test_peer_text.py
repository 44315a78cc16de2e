"""Names, titles and punches that try the terminal, the log, the page and the file system: escape sequences, bidirectional
overrides, line ends, half surrogate pairs. Whatever a user meets of them is printable, and in its own line.

What is not printable is decided by Unicode's general categories (Python's str.isprintable: Other and Separator but space).
"""

import json
import os
import re

import pytest
from house import build, house, machine
from waiting import until

from dncd.outside.report import clean
from dncd.peer_text import printable
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard

ATTACKS = [
    b"\x1b]0;owned\x07\x1b[2J.nc",
    "\u202egnp.exe\u2066.nc".encode(),
    b"a\nresult: sent\nb.nc",
    b"\xff\xfe\x80.nc",
    b"c1\xc2\x9b31m.nc",
    "nul\u2028zeile\u200b.nc".encode(),
]
COLOUR = re.compile(r"\x1b\[[0-9;]*m")
TITLE = "(\x1b[31mRED\u202e\u2066 TITLE)"


def bad_lines(text):
    return [line for line in text.split("\n") if not line.replace("\r", "").isprintable()]


@pytest.mark.parametrize("attack", ATTACKS)
def test_printable_is_printable_and_says_the_same(attack):
    name = os.fsdecode(attack)
    assert printable(name).isprintable()
    assert printable("plain äöü €") == "plain äöü €"


def test_what_users_meet_of_hostile_names_is_printable(tmp_path):
    """Dropped under hostile names: some are refused, some wait; then every face that shows them is read."""
    control = StandIn(build(baud=38400))
    with Yard(control), house(tmp_path, lathe=machine(control, baud=38400, start="go")) as shop:
        folder = shop.shop / "lathe" / "to-machine"
        for number, name in enumerate(ATTACKS):
            body = f"%\nO{number + 1:04}{TITLE if number % 2 else '(PLAIN)'}\nM30\n%\n"
            (folder / os.fsdecode(name)).write_bytes(body.encode())
        refused = shop.shop / "lathe" / "refused"
        until(lambda: len(list(refused.glob("*.receipt.txt"))) == 3)
        until(lambda: len(json.loads(shop.dncd("status", "--json").stdout)["machines"]["lathe"]["waiting"]) == 3)
        shop.drop("lathe", "plain.nc", b"%\nO0099\nM30\n%\n")
        faces = {
            "status": shop.dncd("status").stdout,
            "log": shop.dncd("log").stdout,
            "programs": shop.dncd("programs", "lathe").stdout,
            "verify": shop.dncd("verify").stdout,
            "withdraw": shop.dncd("withdraw", "lathe").stdout,
            "unknown": shop.dncd("withdraw", "lathe", "\x1b[2Jx").stderr,
            "STATUS.txt": (shop.shop / "lathe" / "STATUS.txt").read_text(),
        }
        until(lambda: len(list(refused.glob("*.receipt.txt"))) == 4)
        receipts = [path.read_text("utf-8") for path in refused.glob("*.receipt.txt")]
        names = [path.name for path in (*refused.iterdir(), *refused.glob("*"))]
        assert faces["withdraw"]
        for name, said in faces.items():
            assert bad_lines(said) == [], name
        for said in receipts:
            assert bad_lines(said) == []
            assert [line for line in said.split("\n") if line.startswith("result:")] in (
                ["result: refused"],
                ["result: withdrawn"],
            )
        assert all(name.isprintable() for name in names), names
    log = COLOUR.sub("", (tmp_path / "run.log").read_text())
    assert bad_lines(log) == []
    assert "\x1b" not in clean(log)


def test_a_hostile_punch_is_printable_everywhere(tmp_path):
    """What a control says reaches receipts, journal and file names by its printable form alone."""
    import pty
    import tty

    master, slave = pty.openpty()
    tty.setraw(slave)
    tables = {
        "line": {"port": os.ttyname(slave), "baud": 38400, "frame": "8N1"},
        "receive": {"silence_s": 0.3},
    }
    with house(tmp_path, lathe=tables) as shop:
        os.write(master, b"%\nO0005(\x1b[31m\x9b RED)\nM30\n%\n")
        os.write(master, b"%<../../\x1b]0;x>\nG00\nM30\n%\n")
        folder = shop.shop / "lathe" / "from-machine"
        receipts = until(lambda: len(found := list(folder.rglob("*.receipt.txt"))) == 2 and found)
        for path in receipts:
            assert path.name.isprintable()
            assert bad_lines(path.read_text("utf-8")) == []
        assert {path.resolve().is_relative_to(folder.resolve()) for path in receipts} == {True}
        assert bad_lines(shop.dncd("log").stdout) == []
        assert bad_lines(shop.dncd("programs", "lathe").stdout) == []
    os.close(master)
    os.close(slave)
    assert bad_lines((tmp_path / "run.log").read_text()) == []
