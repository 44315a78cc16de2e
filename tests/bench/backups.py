"""How long a control's whole memory takes to be put on record, for dumps of growing size: the time for each program.

    PYTHONPATH=.:tests python tests/bench/backups.py 90 370 740

Prints a line for each dump: punched the first time, punched again unchanged, and put on record again as after a cut in
front of a ledger of 50,000 lines. Time for each program that grows with the number of programs would be quadratic work.
"""

import sys
import tempfile
import time
from pathlib import Path

from backup_shop import SETTINGS
from dumps import dump, even, memory

from dncd.choices import EndsOn
from dncd.outside.comparer import Comparer
from dncd.outside.config import read
from dncd.records import plans
from dncd.records.ledger import _canonical, line_hash
from dncd.records.plans import InPlan
from dncd.records.store import Store
from dncd.station.capture_jobs import CaptureJobs
from dncd.station.results import Damage
from dncd.values import WireBytes

LINES = 50_000


def long_ledger(state: Path) -> None:
    folder = state / "ledger"
    folder.mkdir(parents=True)
    prev = "0" * 64
    with (folder / "2026-01.jsonl").open("wb") as file:
        for seq in range(1, LINES + 1):
            line = {
                "seq": seq,
                "time": "2026-01-01T00:00:00.000Z",
                "event": "sent",
                "machine": "bore-mill",
                "program": f"O{seq % 400:04d}",
                "sha256": "ab" * 32,
                "revision": 1,
                "transfer": f"bore-mill@{seq}",
                "prev": prev,
            }
            line["hash"] = prev = line_hash(line)
            file.write(_canonical(line) + b"\n")


def measured(count: int, root: Path) -> str:
    long_ledger(root / "state")
    (root / "shop").mkdir()
    settings = read(root / "dncd.toml", SETTINGS)
    office = Store.open(settings)
    office.recover(lambda _: False)
    jobs = CaptureJobs(office, Comparer(), settings.machines["gang-lathe"])
    wire = WireBytes(even(dump(memory(count))))

    def once(name: str, again: bool = False) -> float:
        plan: InPlan = jobs.judging.plan(f"gang-lathe@{name}", wire, EndsOn.MARK, Damage(), 1.0)
        if again:
            plans.save(office.shop.state, plan)
        started = time.perf_counter()
        jobs._record(plan)
        return 1000 * (time.perf_counter() - started) / count

    first, same, cut = once("first"), once("same"), once("same", again=True)
    office.close()
    return (
        f"{count:5} programs, {len(wire):8,} characters: {first:5.1f} ms each new, {same:4.1f} ms each unchanged, "
        f"{cut:4.1f} ms each after a cut"
    )


def main() -> None:
    for word in sys.argv[1:] or ("90", "370", "740"):
        with tempfile.TemporaryDirectory() as folder:
            print(measured(int(word), Path(folder)))


main()
