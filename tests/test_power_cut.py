"""Power cuts all through a day's work on a real ext4: nothing told is lost, nothing goes out twice, nothing half is sent.

The service works on a disk of its own (`cut_disk`), which loses at a seeded instant all that was never synced. An account
from outside is kept beside it: `accounts.py`, and here what was told before the cut.

DNCD_CUTS (default 20 of each kind) and DNCD_CUT_SEED make longer runs, or the same again.
"""

import contextlib
import json
import os
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from campaign import Campaign
from cut_disk import CutDisk, why_not
from forked_runs import Forker, Process
from synced_day import LazyDay, SyncedDay
from workday import Drop

from dncd.errors import DncdError
from dncd.outside.command_client import ask
from dncd.standin.yard import Yard

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800)]

CUTS = int(os.environ.get("DNCD_CUTS", "20"))
SEED = int(os.environ.get("DNCD_CUT_SEED", "11"))
CUTS_A_DAY = 10
SEEN_S = 5.0
"""Seconds after which a status that names a file means the file that lies there, and not the one that it replaced."""


@dataclass(frozen=True)
class ToldBefore:
    """What anybody could read before the cut. at: when the status was asked, in seconds of `time.monotonic`."""

    ledger: dict[str, bytes]
    receipts: dict[Path, bytes]
    main: str
    waiting: dict[str, tuple[str, ...]]
    dropped: tuple[Drop, ...]
    at: float


class CutCampaign(Campaign):
    """A campaign whose kills are power cuts."""

    def __init__(self, disk: CutDisk, log: Path, forker: Forker, seed: int, day: type[SyncedDay]) -> None:
        super().__init__(disk.root / "box", forker, seed, day)
        self.disk = disk
        self.day.log = log
        self.accounts.margin_s = 10.0  # syncs of a busy disk, one behind another; `test_strict_disk` looks at each
        os.sync()

    def told(self) -> ToldBefore:
        """What is told now."""
        dropped, at = tuple(self.day.drops), time.monotonic()
        waiting: dict[str, tuple[str, ...]] = {}
        with contextlib.suppress(DncdError, OSError):
            status = ask(self.day.state, {"do": "status"}, 5.0)
            waiting = {name: tuple(machine["waiting"]) for name, machine in status["machines"].items()}
        ledger = {path.name: path.read_bytes() for path in (self.day.state / "ledger").glob("*.jsonl")}
        receipts = {}
        for path in self.day.shop.glob("*/**/*.receipt.txt"):
            if path.parent.name != "from-machine":  # those give way to newer ones
                with contextlib.suppress(FileNotFoundError):
                    receipts[path] = path.read_bytes()
        return ToldBefore(ledger, receipts, self._main(), waiting, dropped, at)

    def _main(self) -> str:
        words = ["git", "--git-dir", str(self.day.state / "library.git"), "rev-parse", "-q", "--verify", "main"]
        return subprocess.run(words, capture_output=True, text=True, check=False, timeout=120).stdout.strip()

    def cut(self, process: Process) -> ToldBefore:
        """The power goes, and comes again. What is read here may be a moment from its sync: work goes on after it."""
        told = self.told()
        self.work(process, 0.25)
        self.accounts.ups[-1].killed = time.monotonic()
        self.disk.cut()
        self.kill(process)
        self.disk.power_on()
        return told

    def kept(self, told: ToldBefore) -> list[str]:
        """What was told and is not there any more, in words."""
        wrong = []
        for name, before in told.ledger.items():
            path = self.day.state / "ledger" / name
            now = path.read_bytes() if path.exists() else b""
            whole = before[: before.rfind(b"\n") + 1]
            if not now.startswith(whole):
                wrong.append(f"ledger/{name}: lines that were there are gone")
        for path, before in told.receipts.items():
            if not path.exists() or path.read_bytes() != before:
                wrong.append(f"{path.relative_to(self.day.shop)}: the receipt was there and is not any more")
        if told.main and self._git_has(told.main):
            wrong.append(f"main was at {told.main} and does not have it any more")
        return wrong

    def _git_has(self, commit: str) -> bool:
        words = ["git", "--git-dir", str(self.day.state / "library.git"), "merge-base", "--is-ancestor", commit, "main"]
        return subprocess.run(words, capture_output=True, check=False, timeout=120).returncode != 0

    def excuse(self, told: ToldBefore) -> None:
        """A drop that was neither told as waiting nor is on record may be torn or gone: nobody has promised anything yet."""
        recorded = {
            (line["machine"], line["sha256"])
            for text in told.ledger.values()
            for line in map(json.loads, text[: text.rfind(b"\n") + 1].splitlines())
            if "sha256" in line
        }
        newest = {(drop.machine, drop.name): drop for drop in told.dropped}
        oldest = {(drop.machine, drop.name): drop for drop in reversed(told.dropped)}
        for drop in list(self.day.drops):
            where = drop.machine, drop.name
            meant = oldest.get(where) is drop or told.at - drop.at > SEEN_S
            promised = drop.name in told.waiting.get(drop.machine, ()) and newest.get(where) is drop and meant
            if promised or (drop.machine, drop.sha256) in recorded or drop.taken_away:
                continue
            path = self.day.shop / drop.machine / "to-machine" / drop.name
            if not (path.exists() and path.read_bytes() == drop.data):
                drop.taken_away = True

    def only_whole(self) -> list[str]:
        """Every program that was told as sent is one that was dropped, to its last character."""
        dropped = {(drop.machine, drop.sha256) for drop in self.day.drops}
        return [
            f"ledger line {line['seq']}: {line['machine']} was sent {line['file']}, which nobody dropped so"
            for line in self.accounts._ledger()
            if line["event"] == "sent" and (line["machine"], line["sha256"]) not in dropped
        ]


@pytest.fixture(scope="module")
def where() -> Iterator[Path]:
    fast = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=fast if fast.is_dir() else None) as name:
        if reason := why_not(Path(name)):
            pytest.skip(reason)
        yield Path(name)


def run(where: Path, log: Path, day: type[SyncedDay], cuts: int, cuts_a_day: int, seed: int) -> None:
    print(f"seed {SEED}: DNCD_CUT_SEED={SEED} runs it again")
    left = cuts
    with Forker() as forker:
        for number in range(-(-cuts // cuts_a_day)):
            with CutDisk(where / "disk.img", where / "disk") as disk:
                (disk.root / "box").mkdir()
                campaign = CutCampaign(disk, log, forker, seed * 1000 + number, day)
                with Yard(*(control.stand_in for control in campaign.day.controls.values())):
                    for cut in range(min(cuts_a_day, left)):
                        which = f"seed {SEED}, day {number}, cut {cut}"
                        process = campaign.start()
                        campaign.look(which)
                        assert campaign.only_whole() == [], which
                        campaign.work(process, campaign.rng.choice([0.05, 0.5, 1.0, 2.5]) * campaign.rng.random())
                        told = campaign.cut(process)
                        assert campaign.kept(told) == [], which
                        campaign.excuse(told)
                    left -= campaign.kills
                    process = campaign.start()
                    campaign.work(process, 0.3)
                    campaign.evening(process)
                    assert campaign.only_whole() == []
    assert left == 0


def test_an_office_that_syncs(where: Path, tmp_path: Path) -> None:
    run(where, tmp_path / "run.log", SyncedDay, CUTS, CUTS_A_DAY, SEED)


def test_an_office_that_does_not_sync(where: Path, tmp_path: Path) -> None:
    run(where, tmp_path / "run.log", LazyDay, CUTS, CUTS_A_DAY, SEED + 1)


def test_from_the_very_first_start(where: Path, tmp_path: Path) -> None:
    run(where, tmp_path / "run.log", SyncedDay, max(2, CUTS // 4), 1, SEED + 2)
