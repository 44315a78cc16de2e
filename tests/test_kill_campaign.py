"""Kills all through the day's work of eight machines: nothing lost, nothing twice, nothing half-told.

Real `dncd run` processes, stand-in controls on pseudo-terminals, SIGKILL at seeded random instants and at operation
1, 2, 3 … on the disk. After each restart `dncd verify` and an accountant of our own (`accounts.py`) go over everything.

DNCD_KILLS (default 300, and a quarter of that at operations) and DNCD_KILL_SEED make longer runs, or the same again.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from campaign import Campaign
from forked_runs import Forker

from dncd.standin.yard import Yard

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800)]

KILLS = int(os.environ.get("DNCD_KILLS", "300"))
SEED = int(os.environ.get("DNCD_KILL_SEED", "20"))
OPERATIONS = max(2, KILLS // 4)
KILLS_A_DAY = 50


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
