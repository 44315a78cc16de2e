"""Power cuts and kills all through the day's work of eight machines: nothing lost, nothing twice, nothing half-told.

Real `dncd run` processes, stand-in controls on pseudo-terminals, SIGKILL at seeded random instants and at operation
1, 2, 3 … on the disk. After each restart `dncd verify` and an accountant of our own (`accounts.py`) go over everything.

DNCD_KILLS (default 300, and a quarter of that at operations) and DNCD_KILL_SEED make longer runs, or the same again.
"""

import os
import random
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from accounts import Accounts, Up
from forked_runs import Forker, Process
from workday import Workday

from dncd.records.verify import verify
from dncd.standin.yard import Yard

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800)]

KILLS = int(os.environ.get("DNCD_KILLS", "300"))
SEED = int(os.environ.get("DNCD_KILL_SEED", "20"))
OPERATIONS = max(2, KILLS // 4)
KILLS_A_DAY = 50


class Campaign:
    """Days with kills in them. at(k): whether start number k dies by itself, at which operation; else 0."""

    def __init__(self, root: Path, forker: Forker, seed: int) -> None:
        self.day, self.forker, self.rng = Workday(root, seed), forker, random.Random(seed + 1)
        self.accounts = Accounts(self.day)
        self.kills = 0

    def start(self, at: int = 0) -> Process:
        before = self._starts()
        process = self.forker.start(self.day.settings, self.day.log, at)
        end = time.monotonic() + 20
        while self._starts() == before and not process.ended(0.004):
            assert time.monotonic() < end, "the service did not come up"
        if self._starts() > before:
            self.accounts.ups.append(Up(time.monotonic()))
        return process

    def _starts(self) -> int:
        return sum(p.read_bytes().count(b'"event":"started"') for p in (self.day.state / "ledger").glob("*.jsonl"))

    def work(self, process: Process, seconds: float) -> None:
        """People work until then, or until the service is gone; now and then its settings are read again."""
        end = time.monotonic() + seconds
        while time.monotonic() < end and not process.ended(self.rng.uniform(0.002, 0.03)):
            self.day.act()
            if self.rng.random() < 0.02:
                self.day.change_a_setting()
                process.send(signal.SIGHUP)

    def kill(self, process: Process) -> None:
        process.send(signal.SIGKILL)
        assert process.ended(5)
        process.close()
        self.kills += 1
        for up in self.accounts.ups[-1:]:
            up.killed = min(up.killed, time.monotonic())

    def look(self, which: str) -> None:
        """Beside the running service, as anybody may."""
        problems = [*verify(self.day.state, self.day.shop).problems, *self.accounts.check(settled=False)]
        assert problems == [], f"{which}: {problems[:5]}"

    def evening(self, process: Process) -> None:
        """What still waits goes out or is taken back; the service stops; then everything must add up."""
        end = time.monotonic() + 60
        while self._open_work():
            assert not process.ended(), self.day.log.read_text()[-3000:]
            assert time.monotonic() < end, f"work does not end: {self._open_work()}\n{self._statuses()}"
            for name, control in self.day.controls.items():
                if control.start != "now" and self.day._waiting(name):
                    self.day.operate(name) if control.start == "go" else self._read_in(name)
            process.ended(0.05)
        process.send(signal.SIGTERM)
        assert process.ended(20)
        process.close()
        problems = [*verify(self.day.state, self.day.shop).problems, *self.accounts.check(settled=True)]
        assert problems == [], problems[:5]
        assert "Traceback" not in self.day.log.read_text()
        self.accounts.worked(least=self.kills // 10)

    def _read_in(self, name: str) -> None:
        control = self.day.controls[name].stand_in
        if not control.tape_punch.busy:
            control.read_in()

    def _statuses(self) -> str:
        return "\n".join((self.day.shop / name / "STATUS.txt").read_text() for name in self.day.controls)

    def _open_work(self) -> list[str]:
        busy = [n for n, c in self.day.controls.items() if c.stand_in.tape_punch.busy or self.day._waiting(n)]
        return busy + [p.name for p in (self.day.state / "underway").iterdir()]


def blind_spots(campaign: Campaign) -> list[str]:
    """Faults that are made by hand in a settled day, and that the accountant does not see: there must be none."""
    day, blind = campaign.day, []
    file = next(day.shop.glob("*/sent/*.nc"))
    sent = next(drop for drop in day.drops if drop.data == file.read_bytes())
    raws = [day.state / "captures" / name for name in [campaign.accounts.longest_raw] if name]
    received = next((day.shop).glob("*/from-machine/O*.nc.receipt.txt"))
    notes = list(day.shop.glob("*/from-machine/*edited*.nc"))[:1]
    for path in (file, file.with_name(f"{file.name}.receipt.txt"), *raws, *notes):
        whole = path.read_bytes()
        path.unlink()
        blind += [] if campaign.accounts.check(settled=True) else [f"{path} is gone"]
        path.write_bytes(whole)
    for path, more in ((file, b" "), (received, b"result: sent\n")):
        whole = path.read_bytes()
        path.write_bytes(more + whole)
        blind += [] if campaign.accounts.check(settled=True) else [f"{path} was changed"]
        path.write_bytes(whole)
    control = day.controls[sent.machine].stand_in
    control.taken += sent.wire
    blind += [] if campaign.accounts.check(settled=True) else [f"{sent.name} was sent twice"]
    del control.taken[-len(sent.wire) :]
    return blind + campaign.accounts.check(settled=True)


def campaigns(root: Path, kills: int, seed: int) -> Iterator[Campaign]:
    """Days enough for so many kills; each begins with empty folders and ends with everything settled."""
    print(f"seed {SEED}: DNCD_KILL_SEED={SEED} runs it again")
    with Forker() as forker:  # leaving it ends what still runs
        for day in range(-(-kills // KILLS_A_DAY)):
            (root / str(day)).mkdir()
            campaign = Campaign(root / str(day), forker, seed * 1000 + day)
            with Yard(*(control.stand_in for control in campaign.day.controls.values())):
                yield campaign
                process = campaign.start()
                campaign.work(process, 0.3)
                campaign.evening(process)
                if day == 0:
                    assert blind_spots(campaign) == []


def test_killed_at_random_instants(tmp_path: Path) -> None:
    left = KILLS
    for campaign in campaigns(tmp_path, KILLS, SEED):
        for kill in range(min(KILLS_A_DAY, left)):
            process = campaign.start()
            campaign.look(f"seed {SEED}, {campaign.day.root.name}, after kill {kill}")
            campaign.work(process, campaign.rng.choice([0.05, 0.3, 0.5, 0.8]) * campaign.rng.random())
            campaign.kill(process)
        left -= campaign.kills
    assert left == 0


def test_killed_at_each_operation_on_the_disk(tmp_path: Path) -> None:
    """Operation 1, 2, 3 … after a start, so the steps of starting, recovering and of every ending, in all their orders."""
    operation = 0
    for campaign in campaigns(tmp_path, OPERATIONS, SEED + 1):
        for _ in range(min(KILLS_A_DAY, OPERATIONS - operation)):
            operation += 1
            process = campaign.start(operation)
            campaign.work(process, 5.0)
            campaign.kill(process)
            process = campaign.start()
            campaign.look(f"seed {SEED}, killed at operation {operation}")
            campaign.kill(process)
    assert operation == OPERATIONS
