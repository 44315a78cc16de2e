"""A real small file system that fills up under a running service, and has room again."""

import contextlib
import os
import pty
import re
import subprocess
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from house import House, house
from waiting import until

from dncd.outside.command_client import ask

pytestmark = pytest.mark.slow

PUNCHED = b"%\nO0042\nN10 G00 X1.\nM30\n%\n"


@pytest.fixture(params=["small"])
def small(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A file system of two megabytes in memory; only root may mount one."""
    place = tmp_path / request.param
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command")
    if done.returncode:
        pytest.skip(f"no file system may be mounted here: {done.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@contextlib.contextmanager
def control() -> Iterator[tuple[int, dict[str, dict[str, object]]]]:
    """The control's end of a line, and the settings of its machine."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        yield (
            master,
            {
                "line": {"port": os.ttyname(slave), "baud": 9600, "frame": "8N1"},
                "send": {"start_on": "now"},
                "receive": {"silence_s": 0.5},
            },
        )
    finally:
        os.close(master)
        os.close(slave)


def fill(place: Path) -> Path:
    """Takes the last block."""
    path = place / "something else"
    with contextlib.suppress(OSError), path.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    return path


def test_a_full_disk_is_told_loses_nothing_and_clears_itself(small: Path) -> None:
    with control() as (master, tables), house(small, lathe=tables) as shop:
        folder = shop.shop / "lathe"

        assert troubles(shop) == []
        filler = fill(small)
        os.write(master, PUNCHED)
        (said,) = until(lambda: troubles(shop))
        assert "No space left on device" in said
        assert not list((folder / "from-machine").glob("*.nc"))
        filler.unlink()
        assert shop.receipt("lathe", "from-machine", "O0042.nc").get("result") == "received"
        until(lambda: not troubles(shop))
        filler = fill(small)
        bad = folder / "to-machine" / "bad.nc"
        bad.touch()  # an empty file needs no room; it is refused, which needs some
        until(lambda: any("No space left" in what for what in troubles(shop)))
        assert not list((folder / "refused").glob("*.receipt.txt"))
        filler.unlink()
        assert shop.receipt("lathe", "refused", "bad.nc").get("result") == "refused"
        until(lambda: not troubles(shop))
        assert [r["event"] for r in shop.ledger()].count("received") == 1
        assert [r["event"] for r in shop.ledger()].count("refused") == 1
        assert not [p.name for p in (shop.state / "captures").iterdir()]
        assert shop.dncd("verify").returncode == 0


def troubles(shop: House) -> list[str]:
    return list(ask(shop.state, {"do": "status"})["machines"]["lathe"]["trouble"])


def lost(shop: House) -> list[int]:
    """Numbers of characters that the journal says are lost."""
    said = (shop.root / "run.log").read_text()
    return [int(number) for number in re.findall(r"(\d+) characters? that the control punched", said)]


@pytest.mark.parametrize("small", ["state"], indirect=True)
def test_a_stop_on_a_full_disk_tells_how_many_characters_are_lost(small: Path, tmp_path: Path) -> None:
    with control() as (master, tables), house(tmp_path, lathe=tables) as shop:
        first, rest = b"%\nO0042\n" + b"N10 G00 X1.\n" * 100, b"N20 G00 X2.\n" * 50
        os.write(master, first)
        until(lambda: sum(path.stat().st_size for path in (shop.state / "captures").iterdir()) == len(first))
        filler = fill(small)
        os.write(master, rest * 10)
        until(lambda: troubles(shop))
        assert shop.stop() == 0
        (number,) = lost(shop)
        (raw,) = (shop.state / "captures").glob("*.raw")
        kept = raw.stat().st_size
        assert kept + number == len(first + rest * 10)
        filler.unlink()
        shop.log = (tmp_path / "run.log").open("ab")
        shop.start({"lathe": tables})
        said = (tmp_path / "run.log").read_text()
        assert f"on record with the {kept} characters" in said
        assert "all its characters" not in said


def test_a_stop_without_a_state_folder_tells_what_is_lost(tmp_path: Path) -> None:
    with control() as (master, tables):
        shop = House(tmp_path, {"lathe": tables})
        try:
            shop.state.rename(tmp_path / "away")
            os.write(master, PUNCHED)
            until(lambda: "a capture cannot be written" in (tmp_path / "run.log").read_text())
            assert shop.stop() == 1  # the line that says "stopped" cannot be written either
        finally:
            shop.process.kill()
        assert lost(shop) == [len(PUNCHED)]
        assert not shop.state.exists()
        assert "ended by a fault" not in (tmp_path / "run.log").read_text()
