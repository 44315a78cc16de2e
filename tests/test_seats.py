"""Several controls on one port behind a switch box: by the settings, and with a real service, terminal and two controls."""

import contextlib
import os
import select
import socket
import threading
from collections import deque
from dataclasses import replace
from pathlib import Path

import pytest
from house import build, house, machine, text
from waiting import until

from dncd.errors import SettingsError
from dncd.outside import config, config_shown
from dncd.standin.control import Mode, StandIn
from dncd.standin.plug import NullModem, Plug
from dncd.standin.program_memory import Stored
from dncd.standin.yard import Yard

CODES = {b"\x82A": 0, b"\x82B": 1}
"""STX and a letter, as 7E1 has them on the wire."""


class SwitchBox:
    """One terminal, and two controls of which one is joined to it: the one that it is turned to, by hand or by CODES."""

    def __init__(self):
        self.port = NullModem()
        self.turned, self.came, self._last = 0, bytearray(), deque(maxlen=2)
        pairs = [socket.socketpair(), socket.socketpair()]
        self._ends = [near for near, _ in pairs]
        self._fars = [far for _, far in pairs]
        self.controls = [StandIn(build(), plug=Plug(far.fileno())) for far in self._fars]
        self._wake, self._over = os.pipe()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self):
        self._yard = Yard(*self.controls)
        self._yard.__enter__()
        self._thread.start()
        return self

    def __exit__(self, *_):
        os.write(self._over, b".")
        self._thread.join()
        self._yard.__exit__()
        for end in (*self._ends, *self._fars):
            end.close()
        os.close(self._wake)
        os.close(self._over)
        self.port.close()

    def _run(self):
        os.set_blocking(self.port.fd, False)
        while True:
            ready, _, _ = select.select([self._wake, self.port.fd, *self._ends], [], [])
            if self._wake in ready:
                return
            if self.port.fd in ready:
                with contextlib.suppress(BlockingIOError):
                    self._from_host(os.read(self.port.fd, 4096))
            for index, end in enumerate(self._ends):
                if end in ready and (said := end.recv(4096)) and index == self.turned:
                    os.write(self.port.fd, said)

    def _from_host(self, data):
        for char in data:
            self.came.append(char)
            self._last.append(char)
            self.turned = CODES.get(bytes(self._last), self.turned)
            self._ends[self.turned].send(bytes([char]))


def tables(box, **seats):
    made = {}
    for index, (name, seat) in enumerate(seats.items()):
        one = machine(box.controls[index], start="dc1")
        made[name] = {**one, "line": {**one["line"], "port": box.port.path}, "seat": {"switch": "bay-2", **seat}}
    return made


def status(shop, name):
    return (shop.shop / name / "STATUS.txt").read_text()


def opened_by(shop, path):
    """How often the service has the terminal open."""
    fds = Path(f"/proc/{shop.process.pid}/fd")
    return sum(str(fd.readlink()) == path for fd in fds.iterdir() if fd.is_symlink())


def stored(control):
    return list(control.memory.programs)


PART = Stored("O0031", "", ("O0031", "N10 G00 X1.", "M30"))


def test_one_is_seated_at_a_time_and_only_its_start_since_then_counts(tmp_path):
    with SwitchBox() as box, house(tmp_path, **tables(box, lathe={}, mill={})) as shop:
        lathe, mill = box.controls
        shop.drop("lathe", "1.nc", text(["O0001", "M30"]))
        shop.drop("mill", "2.nc", text(["O0002", "M30"]))
        for name in ("lathe", "mill"):
            until(lambda name=name: "not seated: nobody has said yet how bay-2 is turned" in status(shop, name))
            until(lambda name=name: "waiting: " in status(shop, name))
        assert opened_by(shop, box.port.path) == 0
        assert "not seated: " in shop.dncd("request", "mill").stderr + shop.dncd("line", "find", "mill").stderr
        lathe.read_in()  # READ before it is seated starts nothing
        assert lathe.wait_for(lambda: lathe.mode is Mode.READING, 120)
        assert shop.dncd("seat", "lathe").returncode == 0
        until(lambda: "press READ at the control" in status(shop, "lathe"))
        until(lambda: "not seated: bay-2 is turned to lathe" in status(shop, "mill"))
        assert opened_by(shop, box.port.path) == 1
        lathe.reset()
        lathe.read_in()
        mill.read_in()  # nor does READ at the other one
        assert shop.receipt("lathe", "sent", "1.nc").get("result") == "sent"
        assert mill.wait_for(lambda: mill.mode is Mode.READING, 120)
        box.turned = 1
        done = shop.dncd("seat", "mill")
        assert "mill: seated; the line of bay-2 is its own now, and no longer lathe's" in done.stdout
        until(lambda: "press READ at the control" in status(shop, "mill"))
        assert opened_by(shop, box.port.path) == 1
        mill.reset()
        mill.read_in()
        assert shop.receipt("mill", "sent", "2.nc").get("result") == "sent"
        assert (stored(lathe), stored(mill)) == (["O0001"], ["O0002"])
        seated = [(r["machine"], r["switch"], r["before"]) for r in shop.ledger() if r["event"] == "seated"]
        assert seated == [("lathe", "bay-2", ""), ("mill", "bay-2", "lathe")]
        assert shop.dncd("verify").returncode == 0


def test_a_machine_in_use_keeps_its_seat_and_a_box_that_turns_itself_is_told_first(tmp_path):
    with SwitchBox() as box:
        seats = {"lathe": {"code": "\x02A", "at_start": True}, "mill": {"code": "\x02B"}}
        with house(tmp_path, **tables(box, **seats)) as shop:
            lathe, mill = box.controls
            shop.drop("lathe", "long.nc", text(["O0001", *(f"N{n} G01 X{n}." for n in range(10, 3000, 10)), "M30"]))
            until(lambda: "press READ at the control" in status(shop, "lathe"))
            assert box.came.startswith(b"\x82A")
            lathe.read_in()
            until(lambda: "sending" in status(shop, "lathe"))
            refused = shop.dncd("seat", "mill")
            assert refused.returncode == 1
            assert "the service is using the line: it is sending" in refused.stderr
            assert shop.receipt("lathe", "sent", "long.nc").get("result") == "sent"
            until(lambda: "listening" in status(shop, "lathe"))
            box.came.clear()
            assert shop.dncd("seat", "mill").returncode == 0
            until(lambda: box.turned == 1)
            shop.drop("mill", "2.nc", text(["O0002", "M30"]))
            until(lambda: "press READ at the control" in status(shop, "mill"))
            mill.read_in()
            assert shop.receipt("mill", "sent", "2.nc").get("result") == "sent"
            assert box.came.startswith(b"\x82B")
            assert stored(mill) == ["O0002"]
            seated = [(r["machine"], r["before"], r["by"]) for r in shop.ledger() if r["event"] == "seated"]
            assert seated[0] == ("lathe", "", "at_start in the settings")
            assert [machine for machine, _, _ in seated] == ["lathe", "mill"]


def test_a_program_that_another_machine_alone_knows_is_a_doubt_and_nothing_is_sent(tmp_path):
    with SwitchBox() as box, house(tmp_path, **tables(box, lathe={}, mill={})) as shop:
        lathe, mill = box.controls
        mill.memory.store(PART)
        box.turned = 1
        assert shop.dncd("seat", "mill").returncode == 0
        until(lambda: "listening" in status(shop, "mill"))
        mill.punch("O0031")
        shop.receipt("mill", "from-machine", "O0031.nc")
        box.turned = 0
        assert shop.dncd("seat", "lathe").returncode == 0
        until(lambda: "listening" in status(shop, "lathe"))
        box.turned = 1  # somebody turns it, and says nothing
        shop.drop("lathe", "1.nc", text(["O0001", "M30"]))
        until(lambda: "waiting: 1.nc" in status(shop, "lathe"))
        mill.punch("O0031")
        shop.receipt("lathe", "from-machine", "O0031.nc")
        until(lambda: "mill alone has one of that name: how is bay-2 turned?" in status(shop, "lathe"))
        mill.read_in()
        assert mill.wait_for(lambda: mill.mode is Mode.READING, 120)
        before = status(shop, "lathe").splitlines()[1]
        until(lambda: status(shop, "lathe").splitlines()[1] != before)  # a whole round, and nothing went out
        assert (shop.shop / "lathe" / "to-machine" / "1.nc").exists()
        assert stored(mill) == ["O0031"]
        mill.reset()
        box.turned = 0
        assert shop.dncd("seat", "lathe").returncode == 0
        until(lambda: "turned?" not in status(shop, "lathe"))
        lathe.read_in()
        assert shop.receipt("lathe", "sent", "1.nc").get("result") == "sent"
        assert stored(lathe) == ["O0001"]


def test_after_a_start_nobody_is_seated_and_a_reload_lets_the_seated_one_be(tmp_path):
    with SwitchBox() as box, house(tmp_path, **tables(box, lathe={}, mill={})) as shop:
        assert shop.dncd("seat", "lathe").returncode == 0
        until(lambda: "listening" in status(shop, "lathe"))
        file = tmp_path / "dncd.toml"
        titles = "".join(f'[machines.{name}]\ntitle = "{name.title()}"\n' for name in ("lathe", "mill"))
        file.write_text(file.read_text() + titles)
        assert shop.dncd("reload").returncode == 0
        until(lambda: "mill (Mill)" in status(shop, "mill"))
        assert "not seated: bay-2 is turned to lathe" in status(shop, "mill")
        until(lambda: "lathe (Lathe)" in status(shop, "lathe") and "listening" in status(shop, "lathe"))
        shop.process.terminate()
        assert shop.process.wait(120) == 0
        shop.start(("lathe", "mill"))
        for name in ("lathe", "mill"):
            until(lambda name=name: "not seated: nobody has said yet" in status(shop, name))
        assert opened_by(shop, box.port.path) == 0


# --- the settings ----------------------------------------------------------------------------------------------------

A = '[machines.a.line]\nport = "/dev/ttyS0"\n[machines.a.seat]\n'
B = '[machines.b.line]\nport = "/dev/ttyS0"\n[machines.b.seat]\n'
BAY = 'switch = "bay-2"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (A + B, "one port serves one machine, or those that name the same seat.switch"),
        (A + BAY + B, "has the same port"),
        (A + BAY + B + 'switch = "bay-3"', "has the same port"),
        (A + BAY + B.replace("S0", "S1") + BAY, "a switch box shares one port"),
        (A + BAY + "at_start = true\n" + B + BAY + "at_start = true", "one is seated at a time"),
        (
            A + BAY + B + BAY + '[machines.b.send]\nstart_on = "now"',
            "it would go to whatever the switch box is turned to",
        ),
        (A + 'switch = "Bay 2"', "a name of a-z"),
        (A + BAY + 'code = "Ä"', "up to 32 characters of seven bits"),
    ],
)
def test_what_cannot_be_is_refused(text, said):
    with pytest.raises(SettingsError) as raised:
        config.read(Path("dncd.toml"), text)
    assert said in " ".join(raised.value.problems)


def test_check_config_says_who_waits_to_be_seated():
    settings = config.read(Path("dncd.toml"), A + BAY + "at_start = true\n" + B + BAY + 'code = "\\u0002B"')
    shown = config_shown.explain(settings)
    assert "[machines.a.seat]    # nothing goes over the line until it is seated: `dncd seat`, or at the start" in shown
    assert "[machines.b.seat]    # nothing goes over the line until it is seated: `dncd seat`\n" in shown
    assert replace(config.read(settings.file, shown), file=settings.file) == settings
    assert settings.machines["b"].seat.code == "\x02B"
