"""The share of config/samba.conf, served by a real smbd on the loopback, and what the office does on it."""

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from house import House, build, house, machine, text
from waiting import until

from dncd.outside.command_client import ask
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard

SMBD = shutil.which("smbd", path=f"{os.environ['PATH']}:/usr/sbin")
SHARE = Path(__file__).parent.parent / "config/samba.conf"
USER = "daemon"
"""One of the office, with a group of the same name: every Debian has it."""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not (SMBD and shutil.which("smbclient") and os.geteuid() == 0),
        reason="wants root, Debian's samba and smbclient",
    ),
]


@contextlib.contextmanager
def served(shop: Path, home: Path) -> Iterator[list[str]]:
    """How smbclient gets at the share; all that smbd writes is below `home`."""
    home.mkdir()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    own = ("private dir", "lock directory", "state directory", "cache directory", "pid directory", "ncalrpc dir")
    lines = [
        "[global]",
        "interfaces = 127.0.0.1",
        "bind interfaces only = yes",
        f"smb ports = {port}",
        "disable netbios = yes",
    ]
    lines += ["load printers = no", "disable spoolss = yes", f"log file = {home}/smbd.log", "passdb backend = tdbsam"]
    lines += [f"{key} = {home}" for key in own]
    share = SHARE.read_text("utf-8").replace("/srv/shop", str(shop)).replace("@dncd", f"@{USER}")
    settings = home / "smb.conf"
    settings.write_text("\n".join(lines) + "\n" + share.replace("force group = dncd", f"force group = {USER}"))
    words = ["pdbedit", f"--configfile={settings}", "--create", "--password-from-stdin", f"--user={USER}"]
    subprocess.run(words, input="bench\nbench\n", text=True, check=True, capture_output=True)
    with (home / "out").open("wb") as out:
        words = [str(SMBD), "--foreground", f"--configfile={settings}"]
        daemon = subprocess.Popen(words, stdout=out, stderr=out)  # makes a process group of its own, which it ends
        try:
            until(lambda: listens(port))
            client = ["smbclient", f"--configfile={settings}", "//127.0.0.1/shop", f"--port={port}"]
            yield [*client, f"--user={USER}%bench", "--command"]
        finally:
            daemon.terminate()
            daemon.wait(120)


def listens(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
        return True
    return False


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder that the office's own user gets to, which pytest's are not."""
    with tempfile.TemporaryDirectory(prefix="dncd-samba-") as folder:
        Path(folder).chmod(0o711)
        before = os.umask(0o007)  # of the unit
        try:
            yield Path(folder)
        finally:
            os.umask(before)


def test_the_offices_habits_on_a_share(place: Path) -> None:
    shop = place / "shop"
    shop.mkdir()
    shutil.chown(shop, group=USER)
    shop.chmod(0o3775)
    control = StandIn(build())
    started = house(place, lathe=machine(control, start="go"))
    with Yard(control), started as running, served(shop, place / "samba") as share:
        the_day(running, share, place)


def waiting(running: House) -> list[str]:
    return list(ask(running.state, {"do": "status"})["machines"]["lathe"]["waiting"])


def the_day(running: House, share: list[str], here: Path) -> None:
    def office(*commands: str) -> "subprocess.CompletedProcess[str]":
        words = [*share, "; ".join((f"lcd {here}", "cd lathe/to-machine", *commands))]
        return subprocess.run(words, capture_output=True, text=True, check=False)

    old, new = (text([f"O0004 ({word})", "N10 G00 X0", "M30"]) for word in ("OLD", "NEW"))
    (here / "old").write_bytes(old)
    (here / "new").write_bytes(new)

    done = office("put old 0004_new", "rename 0004_new 0004.nc", "ls")
    assert done.returncode == 0, done.stdout
    until(lambda: waiting(running) == ["0004.nc"])
    done = office("del 0004.nc", "put new 0004.nc")
    assert done.returncode == 0, done.stdout
    dropped = running.shop / "lathe/to-machine/0004.nc"
    assert (dropped.group(), dropped.stat().st_mode & 0o777) == (USER, 0o660)
    assert "NT_STATUS" in office("put old Thumbs.db").stdout
    assert not (dropped.parent / "Thumbs.db").exists()

    until(lambda: running.dncd("go", "lathe").returncode == 0)
    receipt = running.receipt("lathe", "sent", "0004.nc")
    assert receipt.get("result") == "sent"
    assert (running.shop / "lathe/sent/0004.nc").read_bytes() == new
    assert [path.name for path in (running.shop / "lathe/refused").iterdir()] == []
    assert [line["event"] for line in running.ledger() if line["event"] == "sent"] == ["sent"]
    done = office("cd ../sent", "get 0004.nc.receipt.txt back")
    assert done.returncode == 0, done.stdout
    assert (here / "back").read_bytes() == (running.shop / "lathe/sent/0004.nc.receipt.txt").read_bytes()
