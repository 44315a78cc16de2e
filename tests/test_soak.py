"""Memory, descriptors and threads stay flat through a simulated month of one station and minutes of a real service.

DNCD_SOAK_S (default 45): seconds of the real one; 600 for the long run.
"""

import collections
import gc
import math
import os
import random
import signal
import sys
import threading
import time
import tracemalloc
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fakes import FakePort
from forked_runs import Forker
from station_rig import Rig, descriptors, rig
from workday import Workday

from dncd.choices import StartOn
from dncd.outside import journal
from dncd.records.ledger import files_of
from dncd.records.verify import verify
from dncd.standin.yard import Yard
from dncd.station import tally
from dncd.values import Frame, LineSettings, MachineSettings, SendSettings

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800)]

SOAK_S = float(os.environ.get("DNCD_SOAK_S", "45"))
DAYS, A_DAY = 30, 20


def _program(n: int, number: str = "O0004") -> bytes:
    return f"%\n{number}\nN10 G04 P{n}\nM30\n%\n".encode()


def _happening(shop: Rig, port: FakePort, n: int, rng: random.Random) -> None:
    """One thing of a day: a program goes out, is refused, comes in whole or damaged; and its records are waited for."""
    before, what = shop.office.ledger.seq, rng.choice(["send", "send", "refuse", "punch", "punch", "damage"])
    number = f"O{rng.randrange(1, 30):04d}"
    match what:
        case "send":
            shop.drop(f"{n % 50}.nc", _program(n % 7, number))
        case "refuse":
            shop.drop(f"{n % 50}.nc", b"%\n\x07\n%\n")
        case "punch":
            port.feed(_program(n % 5, number))
        case "damage":
            port.feed(_program(n % 5, number).replace(b"G04", b"G\xff4"))
    shop.until(lambda: shop.office.ledger.seq > before and not shop.station.busy)
    port.written.clear()


def test_a_simulated_month_of_one_station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tally, "_ENDINGS_KEPT", 50)  # what is kept for `send` and for a report has its own limit,
    monkeypatch.setattr(
        journal, "_kept", collections.deque(maxlen=50)
    )  # to which it would grow the whole of this month
    line = LineSettings("fake", 115200, Frame.parse("8N1"))
    machine = MachineSettings("gang-lathe", line, send=SendSettings(start_on=StartOn.NOW))
    began, sizes, rng = datetime(2026, 11, 20, 6, tzinfo=UTC), [], random.Random(1)
    with rig(tmp_path, machine) as shop, Path(os.devnull).open("w") as null:
        journal.set_up(null)
        skipped = [0.0]
        shop.office.ledger._clock = lambda: began + timedelta(seconds=skipped[0])
        shop.station._keeps._clock = shop.loop.now
        port = shop.plug(FakePort())
        # Python's table of names (paths come into it) doubles now and then by 2 MB; it has room for the month beforehand
        room = [sys.intern(f"a name of no meaning, number {n}") for n in range(100_000)]
        del room
        tracemalloc.start()
        try:
            for day in range(DAYS):
                least = math.inf
                for n in range(A_DAY):
                    _happening(shop, port, day * A_DAY + n, rng)
                    pause_s = rng.uniform(60, 3600) if n < A_DAY - 1 else 8 * 3600
                    skipped[0] += pause_s
                    shop.skip(pause_s)
                    shop.loop.once(0.0)
                    if n >= A_DAY - 3:  # what a thread has in hand just now is no growth: that never goes again
                        gc.collect()
                        least = min(least, tracemalloc.get_traced_memory()[0])
                sizes.append((least, descriptors(), threading.active_count()))
        finally:
            tracemalloc.stop()
    print(f"memory of each fifth day, in kB: {[size // 1000 for size, _, _ in sizes[::5]]}; {sizes[-1][1:]}")
    assert len(files_of(tmp_path / "state")) >= 2, "the month turned"
    settled = sizes[DAYS // 2 :]
    for kind in (1, 2):  # descriptors, threads: those of a job in hand just now, or of what ran before, come and go;
        # a leak of one in two days would show
        assert (
            min(size[kind] for size in settled[-5:]) <= min(size[kind] for size in settled[:5]) + (DAYS // 2 - 5) // 2
        )
    assert max(size for size, _, _ in settled) - settled[0][0] < 150_000
    assert verify(tmp_path / "state", tmp_path / "shop").problems == ()


def _sample(pid: int) -> tuple[int, int, int]:
    """kB in memory, descriptors, threads of a process."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return int(status["VmRSS"].split()[0]), len(list(Path(f"/proc/{pid}/fd").iterdir())), int(status["Threads"])


def test_minutes_of_a_real_service(tmp_path: Path) -> None:
    """Eight controls and all that people do in a day, without a pause."""
    samples: list[tuple[int, int, int]] = []
    day = Workday(tmp_path, 7)
    with Forker() as forker, Yard(*(control.stand_in for control in day.controls.values())):
        process = forker.start(day.settings, day.log)
        end, look = time.monotonic() + SOAK_S, time.monotonic() + SOAK_S / 3
        while time.monotonic() < end:
            assert not process.ended(0.05), day.log.read_text()[-2000:]
            day.act()
            if time.monotonic() >= look:
                samples.append(_sample(process.pid))
                look += SOAK_S / 60
        process.send(signal.SIGTERM)
        assert process.ended(30)
        process.close()
    third = len(samples) // 3
    early, late = samples[:third], samples[-third:]
    print(f"{len(day.drops)} drops, {len(day.punches)} punches; kB, descriptors, threads: {early[0]} … {late[-1]}")
    assert len(day.drops) > SOAK_S / 2
    assert min(kb for kb, _, _ in late) - max(kb for kb, _, _ in early) < 4_000 * max(1.0, SOAK_S / 600)
    packs = len(list((day.state / "library.git/objects/pack").glob("*.pack")))
    # the writer and the reader of the library each keep a pack and its index open; packs are merged when they are many
    assert min(fds for _, fds, _ in late) <= max(fds for _, fds, _ in early) + 4 * packs
    assert min(threads for *_, threads in late) <= max(threads for *_, threads in early)
    assert "Traceback" not in day.log.read_text()
