"""A machine's folder, or the state folder, that is read-only or full at each moment of a sending and a capture.

Each trouble is its machine's and told in the status, the others are served, the service starts in the middle of it, and all
of it goes on record once when the trouble is over.
"""

import contextlib
import os
import pty
import subprocess
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from house import House, house
from waiting import until

from dncd.outside.command_client import ask
from dncd.records.verify import verify

pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.geteuid() != 0, reason="a mount needs root")]

MILLS = b"%\r\nO0009\r\nM30\r\n%\r\n"
MOMENTS = ("as it waits", "in the sending", "before the punch", "in the punch")


def mount(*words: str) -> None:
    try:
        done = subprocess.run(["mount", *words], capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command")
    if done.returncode:
        pytest.skip(f"nothing may be mounted here: {done.stderr.strip()}")


@contextlib.contextmanager
def read_only(place: Path) -> Iterator[None]:
    mount("--bind", str(place), str(place))
    try:
        mount("-o", "remount,ro,bind", str(place))
        yield
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


@contextlib.contextmanager
def full(place: Path) -> Iterator[None]:
    filler = place / ".filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while file.write(bytes(4096)):
            pass
    yield
    filler.unlink()


@pytest.fixture
def share(tmp_path: Path) -> Iterator[Path]:
    """The lathe's folder is a small disk of its own."""
    place = tmp_path / "shop" / "lathe"
    place.mkdir(parents=True)
    mount("-t", "tmpfs", "-o", "size=512k,mode=775", "tmpfs", str(place))
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@contextlib.contextmanager
def two() -> Iterator[tuple[int, dict[str, dict[str, dict[str, object]]]]]:
    """The lathe's end of its line, and the settings of a slow lathe and a mill."""
    ends = [pty.openpty() for _ in range(2)]
    for _, slave in ends:
        tty.setraw(slave)
    machines: dict[str, dict[str, dict[str, object]]] = {
        name: {
            "line": {"port": os.ttyname(slave), "baud": baud, "frame": "8N1"},
            "send": {"start_on": "now"},
            "receive": {"silence_s": 0.5},
        }
        for name, baud, (_, slave) in zip(("lathe", "mill"), (1200, 9600), ends, strict=True)
    }
    try:
        yield ends[0][0], machines
    finally:
        for end in ends:
            for descriptor in end:
                os.close(descriptor)


def lathe(shop: House) -> dict[str, object]:
    return dict(ask(shop.state, {"do": "status"})["machines"]["lathe"])


def begin(shop: House, master: int, number: int, moment: str) -> tuple[str, bytes]:
    """The lathe's work of that number comes to that moment; its file's name, and what is still to be punched."""
    name, program = f"O{number:04d}.nc", f"%\nO{number:04d}\nN10 G01 X1.\nN20 G01 X2.\nM30\n%\n".encode()
    if "punch" not in moment:
        shop.drop("lathe", name, program.replace(b"N20", b"N20 (A FEW BLOCKS MORE, TO SEND)\nN30"))
    if moment == "in the sending":
        until(lambda: lathe(shop)["state"] == "sending")
    if moment != "in the punch":
        return name, program
    os.write(master, program[:12])
    until(lambda: lathe(shop)["state"] == "receiving")
    return name, program[12:]


def lines(shop: House, machine: str, *events: str) -> list[str]:
    return [line["file"] for line in shop.ledger() if line.get("machine") == machine and line["event"] in events]


@pytest.mark.parametrize("trouble", [read_only, full])
def test_a_share_that_takes_nothing(share: Path, tmp_path: Path, trouble: object) -> None:
    assert callable(trouble)
    with two() as (master, machines), house(tmp_path, **machines) as shop:
        for number, moment in enumerate(MOMENTS, 1):
            name, rest = begin(shop, master, number, moment)
            with trouble(share):
                if "punch" in moment:
                    os.write(master, rest)
                until(lambda: lathe(shop)["trouble"], about=moment)
                shop.drop("mill", name, MILLS)
                assert shop.receipt("mill", "sent", name).get("result") == "sent"
                if moment in ("in the sending", "in the punch"):
                    until(lambda: lathe(shop)["state"] != "sending")  # a stop would cut it
                    assert shop.stop() == 0
                    shop.log = (tmp_path / "run.log").open("ab")
                    shop.start({"mill": {}})
                    shop.drop("mill", f"again-{name}", MILLS)
                    assert shop.receipt("mill", "sent", f"again-{name}").get("result") == "sent"
                    until(lambda: lathe(shop)["trouble"], about=moment)
            until(lambda: not lathe(shop)["trouble"], about=lambda: str(lathe(shop)["trouble"]))
            until(lambda name=name: name in lines(shop, "lathe", "sent", "received"), about=moment)
        assert sorted(lines(shop, "lathe", "sent", "received", "interrupted", "damaged")) == [
            f"O{number:04d}.nc" for number in range(1, 5)
        ]
        until(lambda: not lathe(shop)["waiting"])
        assert "report it" not in (tmp_path / "run.log").read_text()  # it is the share's trouble, and no fault of dncd
    assert verify(tmp_path / "state", tmp_path / "shop").problems == ()


def test_a_state_folder_that_takes_nothing(tmp_path: Path) -> None:
    with two() as (master, machines), house(tmp_path, **machines) as shop:
        with read_only(shop.state):
            shop.drop("lathe", "O0001.nc", MILLS.replace(b"O0009", b"O0001"))
            os.write(master, b"%\nO0002\nM30\n%\n")
            until(lambda: any("Read-only" in str(what) for what in list(lathe(shop)["trouble"])))  # type: ignore[call-overload]
            assert lines(shop, "lathe", "sent", "received") == []
        until(lambda: sorted(lines(shop, "lathe", "sent", "received")) == ["O0001.nc", "O0002.nc"])
        until(lambda: not lathe(shop)["trouble"])
        assert shop.stop() == 0
        with read_only(shop.state):
            done = shop.dncd("run")
        assert done.returncode == 1
        assert "Read-only file system" in done.stderr
        assert "told better" not in done.stderr
    assert verify(tmp_path / "state", tmp_path / "shop").problems == ()


class Share:
    """A folder on a disk of its own that goes away, so that the empty folder below it shows, and comes back."""

    def __init__(self, place: Path, disk: Path) -> None:
        self.place, self._disk = place, disk
        for folder in (place, disk):
            folder.mkdir(parents=True, exist_ok=True)

    def __enter__(self) -> "Share":
        mount("-t", "tmpfs", "-o", "size=4m,mode=775", "tmpfs", str(self._disk))
        self.come()
        return self

    def __exit__(self, *_: object) -> None:
        for place in (self.place, self._disk):
            subprocess.run(["umount", "-l", str(place)], check=False)

    def come(self) -> None:
        mount("--bind", str(self._disk), str(self.place))

    def go(self) -> None:
        subprocess.run(["umount", "-l", str(self.place)], check=True)


@pytest.mark.parametrize("whose", ["the machine's", "the shop's"])
def test_a_share_that_goes_away_and_comes_back(tmp_path: Path, whose: str) -> None:
    """What waits or is just being sent lies on it, and comes back with it: it goes out once. Nothing goes below it."""
    place = tmp_path / "shop" / ("lathe" if whose == "the machine's" else "")
    with two() as (master, machines), Share(place, tmp_path / "disk") as share, house(tmp_path, **machines) as shop:

        def stuck() -> int:
            """How often it was told that an ending is not on record."""
            return (tmp_path / "run.log").read_text().count('"event": "records"')

        for number, moment in enumerate(MOMENTS, 1):
            name, rest = begin(shop, master, number, moment)
            before = stuck()
            share.go()
            if "punch" in moment:
                os.write(master, rest)
            until(lambda: "share had gone away" in str(lathe(shop)["trouble"]), about=moment)
            if moment != "as it waits":
                until(lambda before=before: stuck() > before, about=moment)
            assert name not in lines(shop, "lathe", "sent", "withdrawn"), moment
            assert list(place.rglob("*.nc")) == [], moment
            share.come()
            until(lambda: not lathe(shop)["trouble"], about=lambda: str(lathe(shop)["trouble"]))
            shop.receipt("lathe", "from-machine" if "punch" in moment else "sent", name)
        shop.drop("lathe", "O0009.nc", MILLS)
        shop.receipt("lathe", "sent", "O0009.nc")
        assert lines(shop, "lathe", "sent", "received", "interrupted", "withdrawn") == [
            *(f"O{number:04d}.nc" for number in range(1, 5)),
            "O0009.nc",
        ]
        assert "report it" not in (tmp_path / "run.log").read_text()
        assert shop.stop() == 0
        shop.log = (tmp_path / "run.log").open("ab")
        assert verify(tmp_path / "state", tmp_path / "shop").problems == ()
        shop.start({"lathe": {}})
