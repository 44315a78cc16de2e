"""A plain copy of the state folder, taken while dncd sends and receives, is started: nothing on record is told lost.

DNCD_COPIES (default 9): copies to take and start; 100 for the long run. DNCD_KEEP: a folder where copies that fail stay.
"""

import os
import random
import shutil
import subprocess
import sys
import threading
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest
from house import ENV, House, build, house, machine, text
from waiting import until

from dncd.records.ledger import last_seq, records
from dncd.records.library import Library
from dncd.records.repair import told_gone
from dncd.records.revisions import walk
from dncd.records.verify import verify
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]

COPIES = int(os.environ.get("DNCD_COPIES", "9"))


def by_tar(source: Path, target: Path, _seed: int) -> None:
    made = subprocess.run(["tar", "-C", source, "-cf", "-", "."], capture_output=True, check=False)
    subprocess.run(["tar", "-C", target, "-xf", "-"], input=made.stdout, check=True)


def by_rsync(source: Path, target: Path, _seed: int) -> None:
    done = subprocess.run(["rsync", "-a", f"{source}/", f"{target}/"], capture_output=True, check=False)
    assert done.returncode in (0, 24), done.stderr  # 24: files vanished meanwhile


def one_by_one(source: Path, target: Path, seed: int) -> None:
    """All names first, then each file, in an order by chance: what a copying program may do at the worst."""
    found = [path.relative_to(source) for path in source.rglob("*")]
    files = sorted(path for path in found if (source / path).is_file())
    for folder in sorted(path for path in found if (source / path).is_dir()):
        (target / folder).mkdir(exist_ok=True)
    random.Random(seed).shuffle(files)
    for path in files:
        try:
            shutil.copy2(source / path, target / path)
        except FileNotFoundError:
            continue
        os.sync() if seed % 5 == 0 else None


WAYS = [by_tar, by_rsync, one_by_one] if shutil.which("rsync") else [by_tar, one_by_one]


class Work:
    """Keeps two machines at work: program after program goes out, and each third is edited at the control and punched."""

    def __init__(self, shop: House, controls: dict[str, StandIn]) -> None:
        self.shop, self.controls, self.over = shop, controls, threading.Event()
        self.threads = [threading.Thread(target=self.work, args=(name,)) for name in controls]

    def work(self, name: str) -> None:
        rng, control, place, n = random.Random(name), self.controls[name], self.shop.shop / name, 0
        while not self.over.is_set():
            n += 1
            program = f"O{rng.randrange(1, 11):04}"
            blocks = [program, *(f"N{k} G01 X{rng.randrange(99)}.{n} F0.2" for k in range(10, 100, 10)), "M30"]
            control.memory.programs.clear()
            control.read_in()
            self.shop.drop(name, f"{n}.nc", text(blocks))
            places = [place / folder / f"{n}.nc.receipt.txt" for folder in ("sent", "refused")]
            until(lambda paths=places: any(path.exists() for path in paths) or self.over.is_set())
            if n % 3 == 0 and places[0].exists():  # else it would have gone over an edit
                back = place / "from-machine" / f"{program}.nc.receipt.txt"
                was = back.read_bytes() if back.exists() else b""
                assert control.wait_for(lambda: bool(control.memory.programs), 120)
                (number,) = control.memory.programs
                control.edit(number, "M30", "M02")
                control.punch(number)
                until(lambda path=back, old=was: self.over.is_set() or path.read_bytes() != old)

    def __enter__(self) -> "Work":
        for thread in self.threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        for thread in self.threads:
            thread.join()


@dataclass
class Copy:
    """root: where it lies; lines: of the ledger on record as the copying began."""

    root: Path
    lines: int

    def dncd(self, *words: str) -> subprocess.CompletedProcess[str]:
        line = [sys.executable, "-m", "dncd", "--config", str(self.root / "dncd.toml"), *words]
        return subprocess.run(line, capture_output=True, text=True, env=ENV, timeout=120, check=False)

    def ledger(self) -> list[dict[str, object]]:
        return list(records(self.root / "state"))

    def starts(self) -> bool:
        """Whether the service comes up; it is stopped again, in order."""
        words = [sys.executable, "-m", "dncd", "--config", str(self.root / "dncd.toml"), "run"]
        note = self.root / "shop" / "mill" / "STATUS.txt"
        note.unlink(missing_ok=True)
        with (self.root / "log").open("ab") as log:
            child = subprocess.Popen(words, stdout=log, stderr=log, env=ENV)
        try:
            until(lambda: note.exists() or child.poll() is not None, 60, folder=self.root)
        finally:
            child.terminate()
            code = child.wait(120)
        return code == 0


def readable(library: Path, name: str) -> bool:
    """Whether git, and no part of dncd, reads a text of a commit there."""
    return (
        subprocess.run(
            ["git", f"--git-dir={library}", "cat-file", "-e", name], capture_output=True, check=False
        ).returncode
        == 0
    )


def test_every_copy_starts_and_nothing_is_told_lost_that_was_not(tmp_path: Path) -> None:
    controls = {name: StandIn(build(baud=115200)) for name in ("lathe", "mill")}
    box, copies = tmp_path / "box", list[Copy]()
    box.mkdir()
    with Yard(*controls.values()):
        machines = {name: machine(control, baud=115200) for name, control in controls.items()}
        with house(box, **machines) as shop, Work(shop, controls):
            until(lambda: last_seq(shop.state) > 10)
            for n in range(COPIES):
                root = tmp_path / f"{n}"
                (root / "state").mkdir(parents=True)
                copies.append(Copy(root, seen := last_seq(shop.state)))
                WAYS[n % len(WAYS)](shop.state, root / "state", n)
                until(lambda seen=seen: last_seq(shop.state) > seen + 3)
    lines = (box / "dncd.toml").read_text().split("\n")
    away = "\n".join(f'port = "/dev/away-{n}"' if line.startswith("port") else line for n, line in enumerate(lines))
    original = {str(line["commit"]): line for line in records(box / "state") if line.get("commit")}
    recovered = lost = 0
    for n, copy in enumerate(copies):
        (copy.root / "dncd.toml").write_text(away)
        whole = copy.ledger()
        if n % 2 or not copy.starts():
            done = copy.dncd("recover")
            assert done.returncode == 0, done.stderr
            recovered += "the library is at" in done.stdout
            assert copy.starts(), (copy.root / "log").read_text()
        assert verify(copy.root / "state", copy.root / "shop").problems == ()
        after = copy.ledger()
        assert after[: len(whole)] == whole, "a line that was whole stays"
        assert len(whole) >= copy.lines
        ended = Counter(line["transfer"] for line in after if line["event"] in ("sent", "interrupted"))
        assert max(ended.values()) == 1, "no sending ends twice"
        gone = told_gone(copy.root / "state")
        with Library(copy.root / "state") as library:
            there = {facts.commit.decode() for facts in walk(library.repo.object_store, library.head(), "")}
        early = {commit for commit, line in original.items() if line["seq"] <= copy.lines}
        assert early <= there, "what was on record before the copying is in the library"
        for commit in gone & original.keys():
            line = original[commit]
            kept = [*(copy.root / "state" / "aside").glob(f"*/{line['program']}.{commit[:8]}.nc")]
            lost += not kept
            assert kept or not readable(
                copy.root / "state" / "library.git", f"{commit}:{line['machine']}/{line['program']}.nc"
            )
    print(f"{len(copies)} copies started, {recovered} after a step of their library, {lost} revisions lost in copying")
