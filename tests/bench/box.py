"""A box packed and made anew: a snapshot, a revive of it, and a revive from the library's server, of a large shop.

    python tests/bench/box.py [--programs 10000] [--revisions 50000]

A script, not a test. It prints seconds. The ledger has a line for each revision, made as dncd makes it, without the syncs.
"""

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import big_library

from dncd.cli import main
from dncd.records import durable, records_branch, state_format
from dncd.records.ledger import Ledger
from dncd.records.library import Library, path_of
from dncd.records.revisions import walk


class _NoSync(durable.Disk):
    """A bench makes its ledger faster than a disk would."""

    def fsync(self, fd: int) -> None:
        """Nothing is synced."""


def make(state: Path, programs: int, revisions: int) -> None:
    big_library.make(state, programs, revisions)
    state_format.take_over(state)
    disk, durable.DISK = durable.DISK, _NoSync()
    with Library(state) as library, contextlib.closing(Ledger.open(state)) as ledger:
        numbers: dict[tuple[str, str], int] = {}
        for facts in reversed(list(walk(library.repo.object_store, library.head(), ""))):
            assert facts.key is not None
            numbers[facts.key] = number = numbers.get(facts.key, 0) + 1
            about = {
                "machine": facts.key[0],
                "program": facts.key[1],
                "revision": number,
                "commit": facts.commit.decode(),
            }
            more = {"file": "0004.nc", "sha256": "0" * 64, "wire_sha256": "0" * 64, "wire_chars": 2000, "seconds": 12.5}
            ledger.append("sent", {**about, **more, "transfer": f"{facts.key[0]}@20261128T000000Z-{len(numbers):08x}"})
    durable.DISK = disk


def timed(what: str, job: Callable[[], object]) -> None:
    began, spent = time.monotonic(), sum(os.times()[:4])
    assert job() in (0, None)
    print(f"{what:46} {time.monotonic() - began:7.1f} s, processor {sum(os.times()[:4]) - spent:.1f} s", flush=True)


def run(root: Path, programs: int, revisions: int) -> None:
    old, file, server = root / "old", root / "box.tar", root / "server.git"
    for box in ("old", "of-file", "of-server"):
        (root / box).mkdir()
        (root / box / "dncd.toml").write_text('[machines.machine-01.line]\nport = "/dev/none"\n')
    make(old / "state", programs, revisions)
    library = path_of(old / "state")

    def dncd(box: str, *words: str) -> int:
        return main(["--config", str(root / box / "dncd.toml"), *words])

    timed("snapshot", lambda: dncd("old", "snapshot", str(file)))
    print(f"its size: {file.stat().st_size / 1e6:.0f} MB")
    timed(
        "the branch of the records, the first time", lambda: records_branch.bring_up(old / "state", old / "dncd.toml")
    )
    with contextlib.closing(Ledger.open(old / "state")) as ledger:
        ledger.append("started")
    timed("the same, after one line more", lambda: records_branch.bring_up(old / "state", old / "dncd.toml"))
    subprocess.run(["git", "init", "-q", "--bare", "-b", "main", str(server)], check=True)
    refs = ["main:refs/heads/main", f"{records_branch.BRANCH.decode()}:refs/heads/main-records"]
    subprocess.run(["git", f"--git-dir={library}", "push", "-q", str(server), *refs], check=True)
    timed("revive of the file", lambda: dncd("of-file", "revive", str(file)))
    timed("revive from the server", lambda: dncd("of-server", "revive", server.as_uri()))
    timed("verify of that box", lambda: dncd("of-server", "verify"))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--programs", type=int, default=10_000)
    parser.add_argument("--revisions", type=int, default=50_000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="dncd-bench-") as place:
        run(Path(place), asked.programs, asked.revisions)
