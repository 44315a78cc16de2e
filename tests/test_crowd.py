"""A crowd: 10,000 files dropped within a minute on 16 machines, by a real `dncd run`; half of them while it cannot listen,
so that more events come than the kernel keeps. Each comes out in its order, with one receipt.

DNCD_CROWD makes it larger or smaller.
"""

import collections
import json
import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import pytest
from waiting import until

from dncd.records.verify import verify

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3000)]

FILES = int(os.environ.get("DNCD_CROWD", "10000"))
MACHINES = [f"m-{n:02}" for n in range(16)]
BUSY = MACHINES[0]
"""Gets three fifths of all: its folder's queue of events overflows."""


class FarEnds:
    """The other ends of sixteen lines: take what comes, and count it."""

    def __init__(self) -> None:
        self.pairs = [pty.openpty() for _ in MACHINES]
        for _, slave in self.pairs:
            tty.setraw(slave)
        self.paths = [os.ttyname(slave) for _, slave in self.pairs]
        self.taken = dict.fromkeys(MACHINES, 0)
        self._stop, self._go = os.pipe()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> "FarEnds":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._go, b".")
        self._thread.join()
        for fd in (self._stop, self._go, *(fd for pair in self.pairs for fd in pair)):
            os.close(fd)

    def _run(self) -> None:
        names = {master: name for (master, _), name in zip(self.pairs, MACHINES, strict=True)}
        while True:
            ready = select.select([self._stop, *names], [], [])[0]
            if self._stop in ready:
                return
            for fd in ready:
                self.taken[names[fd]] += len(os.read(fd, 65536))


def drop_all(shop: Path, first: int, last: int) -> dict[str, list[str]]:
    """Files first to last, in order, most on the busy machine; every second one must be refused. Names by machine."""
    dropped: dict[str, list[str]] = {name: [] for name in MACHINES}
    for n in range(first, last):
        machine = BUSY if n % 5 < 3 else MACHINES[1 + n // 5 * 2 % 15 + (n % 5 == 4 and n // 5 * 2 % 15 < 14)]
        name = f"{(n * 7919) % 100_003:06}-{n}.nc"  # not in the order of names
        body = "X1.\x07" if n % 2 else "X1."
        (shop / machine / "to-machine" / name).write_bytes(f"%\nO{n % 40:04d}\n{body}\nM30\n%\n".encode())
        dropped[machine].append(name)
    return dropped


def ledger(state: Path) -> list[dict[str, object]]:
    files = sorted((state / "ledger").glob("*.jsonl"))
    raw = b"".join(path.read_bytes() for path in files)
    return [json.loads(line) for line in raw[: raw.rfind(b"\n") + 1].splitlines()]


class Lines:
    """Counts the ledger's lines, reading only what is newer than the last look."""

    def __init__(self, state: Path) -> None:
        self._ledger, self._read, self._count = state / "ledger", {}, 0

    def __call__(self) -> int:
        for path in self._ledger.glob("*.jsonl"):
            with path.open("rb") as file:
                file.seek(self._read.get(path, 0))
                self._count += file.read().count(b"\n")
                self._read[path] = file.tell()
        return self._count


def test_ten_thousand_files_on_sixteen_machines(tmp_path: Path) -> None:
    shop, state = tmp_path / "shop", tmp_path / "state"
    with FarEnds() as ends, (tmp_path / "run.log").open("wb") as log:
        lines = ["[shop]", "settle_s = 0.2"]
        for name, path in zip(MACHINES, ends.paths, strict=True):
            lines += [f"[machines.{name}.line]", f'port = "{path}"', "baud = 230400", 'frame = "8N1"']
            lines += [f"[machines.{name}.send]", 'start_on = "now"']
        (tmp_path / "dncd.toml").write_text("\n".join(lines))
        words = [sys.executable, "-m", "dncd", "--config", str(tmp_path / "dncd.toml"), "run"]
        service = subprocess.Popen(words, stdout=log, stderr=log)
        try:
            lines_so_far = Lines(state)
            until(lambda: lines_so_far() > 0, folder=tmp_path)
            began = time.monotonic()
            service.send_signal(
                signal.SIGSTOP
            )  # nobody reads the events: the kernel's queue of the busy folder overflows
            first = drop_all(shop, 0, FILES * 9 // 10)
            service.send_signal(signal.SIGCONT)
            second = drop_all(shop, FILES * 9 // 10, FILES)
            took_s = time.monotonic() - began
            told = 1
            while told < FILES + 1:  # however long they all take on a busy machine: it goes on
                before = told
                until(lambda before=before: lines_so_far() > before, 120, folder=state / "ledger")
                told = lines_so_far()
            done_s = time.monotonic() - began
            service.send_signal(signal.SIGTERM)
            assert service.wait(120) == 0
        finally:
            if service.poll() is None:
                service.kill()
                service.wait(120)
    print(f"{FILES} files dropped in {took_s:.1f} s, all told after {done_s:.1f} s, {FILES / done_s:.0f} a second")
    log_text = (tmp_path / "run.log").read_text()
    assert "Traceback" not in log_text
    ends_told = [line for line in ledger(state) if line["event"] in ("sent", "refused")]
    assert len(ends_told) == FILES
    for name in MACHINES:
        dropped = first[name] + second[name]
        for event in ("sent", "refused"):
            ended = [line["file"] for line in ends_told if (line["machine"], line["event"]) == (name, event)]
            wanted = [file for file in dropped if (int(file[7:-3]) % 2 == 0) == (event == "sent")]
            assert ended == wanted, (name, event)
            receipts = {p.name for p in (shop / name / event).glob("*.receipt.txt")}
            assert receipts == {f"{file}.receipt.txt" for file in wanted}
        assert ends.taken[name] == sum(
            int(str(r["chars"])) for r in ends_told if r["machine"] == name and r["event"] == "sent"
        )
        assert not list((shop / name / "to-machine").iterdir())
    assert collections.Counter(p.suffix for p in (state / "outgoing").iterdir()) == {}
    assert verify(state, shop).problems == ()
