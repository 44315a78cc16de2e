"""Settings read again while the lines run: by signal and by command, in a real service with stand-in controls."""

import contextlib
import os
import signal
import socket

import pytest
from house import LONG, build, house, machine, tables, text
from pty_line import PtyLine
from waiting import until

from dncd.errors import SettingsError
from dncd.outside import config
from dncd.service.stations import changes
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard

LINE = '[machines.{}.line]\nport = "/dev/ttyS{}"\n'


def settings(path, text):
    path.write_text(text)
    return config.load(path)


def test_what_another_file_changes(tmp_path):
    file = tmp_path / "dncd.toml"
    old = settings(file, LINE.format("a", 1) + LINE.format("b", 2) + LINE.format("c", 3))
    new = settings(file, LINE.format("c", 3) + LINE.format("b", 2) + "baud = 9600\n" + LINE.format("d", 4))
    found = changes(old, new)
    assert (found.new, found.changed, found.removed) == (("d",), ("b",), ("a",))
    assert found.sentence() == "new: d; changed: b; removed: a"
    assert changes(old, old).sentence() == "nothing changed"


def test_the_folders_of_a_running_service_stay_where_they_are(tmp_path):
    file = tmp_path / "dncd.toml"
    old = settings(file, LINE.format("a", 1))
    new = settings(file, '[shop]\nfolder = "elsewhere"\n' + LINE.format("a", 1))
    with pytest.raises(SettingsError, match="folder") as raised:
        changes(old, new)
    assert "Restart" in str(raised.value)


def write(shop, **machines):
    (shop.root / "dncd.toml").write_text("[shop]\nsettle_s = 0.1\n" + tables(**machines))


@pytest.fixture
def lathe():
    with PtyLine() as line:
        yield line


@pytest.fixture
def stack():
    with contextlib.ExitStack() as stack:
        yield stack


def status(shop):
    import json

    return json.loads(shop.dncd("status", "--json").stdout)


def reloads(shop):
    return [r for r in shop.ledger() if r["event"] == "reloaded"]


def test_by_signal_in_the_middle_of_a_sending(tmp_path, lathe, stack):
    """gang-lathe sends and keeps its settings; bore-mill changes; grinder goes; slotter comes."""
    mill, slotter = StandIn(build()), StandIn(build())
    stack.enter_context(Yard(mill, slotter))
    before = {"gang-lathe": machine(lathe, baud=4800), "bore-mill": machine(mill, start="go")}
    gone = {"line": {"port": "/dev/ttyS63", "frame": "7E1"}}
    blocks = LONG[:70] + LONG[-1:]
    with house(tmp_path, **before, grinder=gone) as shop:
        shop.drop("bore-mill", "later.nc", text(["O0002", "M30"]))
        shop.drop("gang-lathe", "long.nc", text(blocks))
        lathe.read(50)
        lathe.hold()
        write(shop, **{**before, "bore-mill": machine(mill, start="now"), "slotter": machine(slotter)})
        shop.process.send_signal(signal.SIGHUP)
        (told,) = until(lambda: reloads(shop))
        assert (told["new"], told["changed"], told["removed"]) == (["slotter"], ["bore-mill"], ["grinder"])
        now = status(shop)
        assert list(now["machines"]) == ["gang-lathe", "bore-mill", "slotter"]
        assert now["machines"]["gang-lathe"]["transfer"]["file"] == "long.nc"
        assert now["service"]["reload"]["result"] == "done"
        assert shop.receipt("bore-mill", "sent", "later.nc").get("result") == "sent"  # by its new settings
        shop.drop("slotter", "new.nc", text(["O0003", "M30"]))
        assert shop.receipt("slotter", "sent", "new.nc").get("result") == "sent"
        lathe.go()
        lathe.read(len("\n".join(["%", *blocks, "%", ""])) - 50)
        assert shop.receipt("gang-lathe", "sent", "long.nc").get("result") == "sent"
        assert "no more" in (shop.shop / "grinder" / "STATUS.txt").read_text()
        until(lambda: not list((shop.state / "outgoing").iterdir()))


def test_changed_settings_wait_for_the_sending_under_way(tmp_path, lathe):
    before = machine(lathe, baud=4800)
    after = {**before, "program": {"longest_block_chars": 5}}
    with house(tmp_path, lathe=before) as shop:
        shop.drop("lathe", "first.nc", text(LONG[:40] + LONG[-1:]))
        lathe.read(50)
        lathe.hold()
        shop.drop("lathe", "second.nc", text(LONG[:3] + LONG[-1:]))
        until(lambda: status(shop)["machines"]["lathe"]["waiting"] == ["second.nc"])
        write(shop, lathe=after)
        done = shop.dncd("reload")
        assert done.returncode == 0, done.stderr
        assert "changed: lathe" in done.stdout
        assert "as soon as what is under way is over" in done.stdout
        now = status(shop)
        assert now["service"]["reload"]["pending"] == ["lathe"]
        assert "as soon as" in now["machines"]["lathe"]["pending"]
        until(lambda: "as soon as" in (shop.shop / "lathe" / "STATUS.txt").read_text())
        lathe.go()
        assert shop.receipt("lathe", "sent", "first.nc").get("result") == "sent"
        assert "25 characters" in shop.receipt("lathe", "refused", "second.nc").get("reason")
        assert status(shop)["service"]["reload"]["pending"] == []
        assert [r["event"] for r in shop.ledger() if r.get("file") in ("first.nc", "second.nc")] == ["sent", "refused"]


def test_a_bad_file_changes_nothing_and_says_why(tmp_path, lathe):
    good = machine(lathe, baud=4800)
    with house(tmp_path, lathe=good) as shop:
        shop.drop("lathe", "long.nc", text(LONG[:40] + LONG[-1:]))
        lathe.read(50)
        lathe.hold()
        write(shop, lathe={**good, "line": {**good["line"], "baud": 9601}})
        shop.process.send_signal(signal.SIGHUP)
        log = tmp_path / "run.log"
        until(lambda: "9601" in log.read_text())
        assert '"next"' in next(line for line in log.read_text().splitlines() if "9601" in line)
        write(shop, lathe=good, mill={"line": {"port": lathe.path, "frame": "8E1"}})
        assert "same port" in shop.dncd("reload").stderr
        note = tmp_path / "shop/lathe/STATUS.txt"
        written = note.stat().st_mtime_ns
        until(lambda: note.stat().st_mtime_ns != written)  # the file is still wrong: STATUS.txt and `status` go on
        assert "long.nc" in note.read_text()
        now = status(shop)["service"]["reload"]
        assert (now["result"], now["number"]) == ("refused", 1)
        assert "9601" in now["what"]
        master, slave = os.openpty()
        write(shop, lathe=good, mill={"line": {"port": os.ttyname(slave), "frame": "7E1", "flow": "rts/cts"}})
        done = shop.dncd("reload")  # a good file, and a port that cannot do what it asks
        os.close(master)
        os.close(slave)
        assert done.returncode == 2
        assert "rts/cts" in done.stderr
        assert list(status(shop)["machines"]) == ["lathe"]
        write(shop, lathe=good)
        assert shop.dncd("reload").returncode == 0
        lathe.go()
        assert shop.receipt("lathe", "sent", "long.nc").get("result") == "sent"


@contextlib.contextmanager
def manager_at(path, monkeypatch):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(path))
        sock.settimeout(60)
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        monkeypatch.setenv("WATCHDOG_USEC", "1000000")
        yield sock


def words(sock):
    return dict(line.split("=", 1) for line in sock.recv(4096).decode().split("\n"))


def hear(sock, key):
    """The next datagram that has this key."""
    for _ in range(200):
        if key in (said := words(sock)):
            return said
    raise AssertionError(f"no {key} among 200 words")


def test_the_service_manager_hears_of_it(tmp_path, monkeypatch):
    """sd_notify(3): READY, WATCHDOG in half its time, RELOADING with the monotonic clock, READY again, STOPPING."""
    control = StandIn(build())
    with (
        manager_at(tmp_path / "n", monkeypatch) as sock,
        Yard(control),
        house(tmp_path, lathe=machine(control)) as shop,
    ):
        assert hear(sock, "READY")["STATUS"].startswith("1 machine: 1 ")
        hear(sock, "WATCHDOG")
        shop.process.send_signal(signal.SIGHUP)
        said = hear(sock, "RELOADING")
        assert said["RELOADING"] == "1"
        assert int(said["MONOTONIC_USEC"]) > 0
        assert "STATUS" in hear(sock, "READY")
        hear(sock, "WATCHDOG")
        shop.process.send_signal(signal.SIGTERM)
        hear(sock, "STOPPING")
        shop.process.wait(120)  # a second SIGTERM would meet it without its handler
