"""What the file system costs: this dncd beside the last commit whose version was 0.1.0, as ratios.

    python tests/bench/disk_cost.py [--files 10000] [--drops 40] [--on DIR]

One service and one line at 230,400 baud for each. The check: from a drop that must be refused to its receipt. The ending:
from the last character at the control's end to the receipt of what was sent. The crowd: so many files are dropped at once,
half of them to be refused, until each has its receipt. The two take turns, three times; the middle counts. A script, not a
test: a ratio above 1 means that this one is slower here.
"""

import argparse
import contextlib
import os
import select
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from pty_line import PtyLine  # noqa: E402
from waiting import ring, until  # noqa: E402

OLD = "0.1.0"
ROUNDS = 3
WHAT = ("a drop's check", "an ending", "a crowd")


def git(*words: str) -> str:
    return subprocess.run(["git", "-C", str(ROOT), *words], check=True, capture_output=True, text=True).stdout.strip()


def last_commit_of(version: str) -> str:
    """The parent of the commit that wrote another version: pyproject.toml takes it from dncd/__init__.py."""
    changed = git("log", "-1", "--format=%H", f'-S__version__ = "{version}"', "--", "dncd/__init__.py")
    return git("rev-parse", f"{changed}^")


@contextlib.contextmanager
def checked_out(commit: str) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="dncd-old-") as name:
        place = Path(name) / "tree"
        git("worktree", "add", "--detach", str(place), commit)
        try:
            yield place
        finally:
            git("worktree", "remove", "--force", str(place))


class FarEnd:
    """Takes what comes, and knows when the last of it came."""

    def __init__(self, line: PtyLine) -> None:
        self.taken, self.came_at = 0, 0.0
        self._far = line.far
        self._over = os.eventfd(0)
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> "FarEnd":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.eventfd_write(self._over, 1)
        self._thread.join()
        os.close(self._over)

    def _run(self) -> None:

        while self._over not in (ready := select.select([self._over, self._far], [], [])[0]):
            assert ready
            self.taken += len(os.read(self._far, 65_536))
            self.came_at = time.perf_counter()
            ring()


def program(n: int, ending: str = "") -> bytes:
    return f"%\nO{n % 40 + 1:04d}\nX{n}.{ending}\nM30\n%\n".encode()


BAD = "\x07"


def measured(tree: Path, place: Path, files: int, drops: int) -> tuple[float, float, float]:
    """Seconds of each of WHAT."""
    shop, settings = place / "shop", place / "dncd.toml"
    folder = shop / "m"
    with PtyLine() as line, FarEnd(line) as far, (place / "run.log").open("wb") as log:
        settings.write_text(
            f'[shop]\nsettle_s = 0.1\n[machines.m.line]\nport = "{line.path}"\nbaud = 230400\nframe = "8N1"\n'
            '[machines.m.send]\nstart_on = "now"\n'
        )
        words = [sys.executable, "-m", "dncd", "--config", str(settings), "run"]
        env = {**os.environ, "PYTHONPATH": str(tree)}
        service = subprocess.Popen(words, env=env, cwd=tree, stdout=log, stderr=log)
        try:
            until((folder / "STATUS.txt").exists, 60, folder=place)

            def told(where: str, name: str) -> float:
                until((folder / where / f"{name}.receipt.txt").exists, 60, folder=folder / where)
                return time.perf_counter()

            checks, endings = [], []
            for n in range(drops):
                began = time.perf_counter()
                (folder / "to-machine" / f"bad-{n}.nc").write_bytes(program(n, BAD))
                checks.append(told("refused", f"bad-{n}.nc") - began)
                (folder / "to-machine" / f"good-{n}.nc").write_bytes(program(n))
                endings.append(told("sent", f"good-{n}.nc") - far.came_at)
            began = time.perf_counter()
            for n in range(files):
                (folder / "to-machine" / f"crowd-{n:06}.nc").write_bytes(program(n, BAD if n % 2 else ""))

            def all_told() -> bool:
                there = (len(list((folder / where).glob("crowd-*.receipt.txt"))) for where in ("sent", "refused"))
                return sum(there) == files

            until(all_told, 3600)
            crowd = time.perf_counter() - began
        finally:
            service.terminate()
            service.wait(60)
    return statistics.median(checks), statistics.median(endings), crowd


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    words.add_argument("--files", type=int, default=10_000)
    words.add_argument("--drops", type=int, default=40)
    words.add_argument("--on", type=Path, help="a folder on the file system that is asked about")
    given = words.parse_args()
    commit = last_commit_of(OLD)
    found: dict[str, list[tuple[float, float, float]]] = {"old": [], "new": []}
    with checked_out(commit) as old:
        for _ in range(ROUNDS):
            for which, tree in (("old", old), ("new", ROOT)):
                with tempfile.TemporaryDirectory(prefix="dncd-bench-", dir=given.on) as name:
                    found[which].append(measured(tree, Path(name), given.files, given.drops))
    print(f"{given.files:,} files, {given.drops} drops; {OLD} is {commit[:7]}")
    print(f"{'':<20} {OLD + ', ms':>12} {'now, ms':>12} {'ratio':>8}")
    for at, what in enumerate(WHAT):
        old_s, new_s = (statistics.median(run[at] for run in found[which]) for which in ("old", "new"))
        print(f"{what:<20} {old_s * 1000:>12.1f} {new_s * 1000:>12.1f} {new_s / old_s:>8.2f}")


if __name__ == "__main__":
    main()
