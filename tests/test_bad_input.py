"""Whoever reaches the folder, the settings file or the line can do nothing but be refused: ten thousand tries, seeded.

2,500 files with a name each, 2,500 punched streams, 2,500 settings files: no traceback, no file outside the folders, no
growth without end. And noise that is punched without a pause costs the line beside it nothing.
"""

import os
import random
import socket
import threading
from pathlib import Path

import pytest
from fakes import FakePort
from house import LONG, build, house, machine, text
from station_rig import rig
from waiting import until

from dncd.choices import Flow, StartOn
from dncd.errors import SettingsError
from dncd.outside import config
from dncd.outside.folder_looks import Complete, Entry, left_alone
from dncd.records.verify import verify
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard
from dncd.values import Frame, LineSettings, MachineSettings, SendSettings, Settings

SEED = 20
EACH = int(os.environ.get("DNCD_BAD_INPUTS", "2500"))
PROGRAM = b"%\nO0004(BUSH)\nN10 G28 U0 W0\nN20 T0101\nN30 G00 X52. Z2.\nN40 G01 Z-30. F0.15\nN50 M30\n%\n"
NASTY = (b"\x1b[2J", b"\r\n", b"..", b"\x00", b"\xff\xfe", b"$(reboot)", b"'; --", b"<script>", "\u202e".encode(), b"%")

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]


def mutated(rng, data):
    """The bytes with some of them changed, cut out, doubled, or with something nasty in between."""
    out = bytearray(data)
    for _ in range(rng.randrange(1, 6)):
        at = rng.randrange(len(out) + 1)
        match rng.randrange(5):
            case 0:
                out[at:at] = rng.choice(NASTY)
            case 1:
                del out[at : at + rng.randrange(1, 9)]
            case 2:
                out[at : at + 1] = bytes([rng.randrange(256)])
            case 3:
                out[at:at] = out[: rng.randrange(40)]
            case _:
                out[at:at] = rng.randbytes(rng.randrange(30))
    return bytes(out)


def name(rng):
    """Any bytes that a file name may have."""
    parts = [rng.choice(NASTY), rng.randbytes(rng.randrange(1, 60)), b"0004", b".nc", b"-rf", b" ", b"~"]
    joined = b"".join(rng.sample(parts, rng.randrange(1, 4))).replace(b"/", b"_").replace(b"\0", b"_")[:200]
    return os.fsdecode(joined if joined not in (b"", b".", b"..") else b"_")


def below(folder):
    return {path.relative_to(folder).parts[:2] for path in folder.rglob("*") if not path.is_dir()}


def size_of(folder):
    return sum(path.lstat().st_size for path in folder.rglob("*") if not path.is_dir())


def test_names_files_and_punched_streams(tmp_path):
    print("seed", SEED)
    rng = random.Random(SEED)
    line = LineSettings("fake", 115200, Frame.parse("8N1"), flow=Flow.NONE)
    settings = MachineSettings("mill", line, send=SendSettings(start_on=StartOn.NOW))
    inbox = tmp_path / "shop/mill/to-machine"
    outside = tmp_path / "shop" / "keep.txt"
    with rig(tmp_path, settings) as shop:
        outside.write_text("of somebody else")
        port = shop.plug(FakePort())
        dropped = 0
        while dropped < EACH:
            entries = []
            for _ in range(50):
                called = name(rng)
                if left_alone(called) or (inbox / called).exists():
                    continue
                (inbox / called).write_bytes(mutated(rng, PROGRAM))
                found = (inbox / called).stat()
                entries.append(
                    Entry(
                        called,
                        found.st_ino,
                        found.st_dev,
                        found.st_size,
                        found.st_mtime_ns,
                        found.st_ctime_ns,
                        Complete.YES,
                    )
                )
            dropped += len(entries)
            shop.listed(*entries)
            shop.until(lambda: not any(inbox.iterdir()) and not shop.station.busy, 120)
            port.written.clear()
        told = shop.ledger("sent", "refused")
        assert len(told) == dropped
        for _ in range(EACH):
            stream = mutated(rng, PROGRAM) if rng.random() < 0.7 else rng.randbytes(rng.randrange(1, 400))
            while stream:
                cut = rng.randrange(1, len(stream) + 1)
                port.feed(stream[:cut], tuple(sorted(rng.sample(range(cut), min(cut, rng.choice((0, 0, 0, 1)))))))
                stream = stream[cut:]
            shop.until(lambda: not port._input)
            shop.skip(10.0)
            shop.until(lambda: shop.station.core.captures.capturing is None)
        shop.until(lambda: not shop.station.busy, 120)
        assert "Traceback" not in shop.said.getvalue()
        assert outside.read_text() == "of somebody else"
        assert {where[0] for where in below(tmp_path / "shop")} == {"mill", "keep.txt"}
        assert not list(inbox.iterdir())
        assert size_of(tmp_path / "state" / "captures") < 12_000_000
        assert not list((tmp_path / "state" / "outgoing").iterdir())
        assert not list((tmp_path / "state" / "underway").iterdir())
        for path in (tmp_path / "shop/mill/from-machine").rglob("*"):
            assert os.fsencode(path.name).decode("utf-8").isprintable(), path
    found = verify(tmp_path / "state", tmp_path / "shop")
    assert not found.problems


def test_settings_files(tmp_path):
    rng = random.Random(SEED)
    manual = (Path(__file__).parent.parent / "config" / "dncd.toml").read_bytes()
    file = tmp_path / "dncd.toml"
    said = []
    for _ in range(EACH):
        file.write_bytes(mutated(rng, manual))
        try:
            assert isinstance(config.load(file), Settings)
        except SettingsError as error:
            said.append(str(error))
    assert EACH / 10 < len(said) <= EACH
    assert all(line.isprintable() for one in said for line in one.splitlines())
    assert [path.name for path in tmp_path.iterdir()] == ["dncd.toml"]


def babble(listener, stop):
    """A control that punches noise as fast as the network takes it, for as long as the test lasts."""
    rng = random.Random(SEED)
    far, _ = listener.accept()
    with far:
        while not stop.is_set():
            try:
                far.sendall(mutated(rng, PROGRAM) if rng.random() < 0.5 else rng.randbytes(300))
            except OSError:
                return
            stop.wait(0.02)


def test_noise_disturbs_nobody_beside_it(tmp_path):
    """That it costs the line no part of its rate is measured by `bench/beside.py`."""
    control, stop = StandIn(build()), threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener, Yard(control):
        port = f"socket://127.0.0.1:{listener.getsockname()[1]}"
        beside = {"line": {"port": port, "baud": 115200, "frame": "7E1"}, "receive": {"silence_s": 0.3}}
        with house(tmp_path, lathe=machine(control, start="dc1"), mill=beside) as shop:
            threading.Thread(target=babble, args=(listener, stop), daemon=True).start()
            shop.drop("lathe", "busy.nc", text(LONG[:200]))
            until(lambda: "waiting" in (shop.shop / "lathe" / "STATUS.txt").read_text())
            control.read_in()
            assert shop.receipt("lathe", "sent", "busy.nc").get("result") == "sent"
            until(lambda: [r for r in shop.ledger() if r["event"] == "damaged"])
            stop.set()
            assert control.figures().lost == 0
