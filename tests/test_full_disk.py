"""A real small file system that fills up under a running service, and has room again."""

import contextlib
import json
import os
import pty
import subprocess
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from house import house
from waiting import until

pytestmark = pytest.mark.slow

PUNCHED = b"%\nO0042\nN10 G00 X1.\nM30\n%\n"


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of two megabytes in memory; only root may mount one."""
    place = tmp_path / "small"
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


def fill(place: Path) -> Path:
    """Takes the last block."""
    path = place / "something else"
    with contextlib.suppress(OSError), path.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    return path


def test_a_full_disk_is_told_loses_nothing_and_clears_itself(small: Path) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    tables = {
        "line": {"port": os.ttyname(slave), "baud": 9600, "frame": "8N1"},
        "send": {"start_on": "now"},
        "receive": {"silence_s": 0.5},
    }
    with house(small, lathe=tables) as shop:
        folder = shop.shop / "lathe"

        def troubles() -> list[str]:
            return json.loads(shop.dncd("status", "--json").stdout)["machines"]["lathe"]["trouble"]

        assert troubles() == []
        filler = fill(small)
        os.write(master, PUNCHED)
        (said,) = until(troubles)
        assert "No space left on device" in said
        assert not list((folder / "from-machine").glob("*.nc"))
        filler.unlink()
        assert shop.receipt("lathe", "from-machine", "O0042.nc").get("result") == "received"
        until(lambda: not troubles())
        filler = fill(small)
        bad = folder / "to-machine" / "bad.nc"
        bad.touch()  # an empty file needs no room; it is refused, which needs some
        until(lambda: any("No space left" in what for what in troubles()))
        assert not list((folder / "refused").glob("*.receipt.txt"))
        filler.unlink()
        assert shop.receipt("lathe", "refused", "bad.nc").get("result") == "refused"
        until(lambda: not troubles())
        assert [r["event"] for r in shop.ledger()].count("received") == 1
        assert [r["event"] for r in shop.ledger()].count("refused") == 1
        assert not [p.name for p in (shop.state / "captures").iterdir()]
        assert shop.dncd("verify").returncode == 0
    os.close(master)
    os.close(slave)
