"""The records of a shop with one machine that is backed up, without a line."""

from pathlib import Path

from dumps import even

from dncd.choices import EndsOn
from dncd.cli import main
from dncd.outside.comparer import Comparer
from dncd.outside.config import read
from dncd.records import plans, receipts
from dncd.records.backups import FOLDER
from dncd.records.holdings import Backup
from dncd.records.ledger import check_chain
from dncd.records.plans import InPlan
from dncd.records.store import Store
from dncd.records.verify import verify
from dncd.station.capture_jobs import CaptureJobs
from dncd.station.results import Damage
from dncd.values import MachineSettings, WireBytes

SETTINGS = """
[machines.gang-lathe.line]
port = "/dev/tty-gang-lathe"
frame = "7E1"
[machines.gang-lathe.tape]
block_end = "LF CR CR"
[machines.gang-lathe.program]
memory_chars = 500000
longest_block_chars = 200
"""


MACHINE = "gang-lathe"


class Shop:
    """The records of a shop and the jobs of one machine, without a line."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "dncd.toml").write_text(SETTINGS)
        (root / "shop").mkdir(exist_ok=True)
        self.machine: MachineSettings = read(root / "dncd.toml", SETTINGS).machines[MACHINE]
        self.captures = 0
        self.open()

    def open(self) -> list[str]:
        self.office = Store.open(read(self.root / "dncd.toml", SETTINGS))
        said = self.office.recover(lambda _: False)
        self.jobs = CaptureJobs(self.office, Comparer(), self.machine)
        return said

    def plan(self, chars: bytes) -> InPlan:
        self.captures += 1
        name = f"{MACHINE}@20260701T0000{self.captures:02d}Z-00"
        return self.jobs.judging.plan(name, WireBytes(even(chars)), EndsOn.MARK, Damage(), 1.0)

    def punch(self, chars: bytes) -> None:
        self.jobs._record(self.plan(chars))

    def receipts(self) -> list[receipts.Receipt]:
        """Of the backups, in the order of the ledger."""
        found = [receipts.read(p) for p in (self.root / "shop" / MACHINE / FOLDER).glob("*.receipt.txt")]
        return sorted(found, key=lambda receipt: int(receipt.get("ledger").split()[0]))

    def backup(self) -> Backup:
        self.office.held.catch_up(self.root / "state")
        found = self.office.held.backup(MACHINE)
        assert found is not None
        return found

    def sound(self) -> None:
        assert check_chain(self.root / "state") == []
        assert verify(self.root / "state", self.root / "shop").problems == ()
        assert list(plans.folder_of(self.root / "state").iterdir()) == []

    def restored(self, *words: str) -> bytes:
        """The file that `dncd restore` makes, as the characters that go over the line."""
        out = self.root / f"restored-{len(list(self.root.iterdir()))}.nc"
        assert main(["--config", str(self.root / "dncd.toml"), "restore", MACHINE, "-o", str(out), *words]) == 0
        data = out.read_bytes()
        assert data.count(b"\r\n") == data.count(b"\n") == data.count(b"\r")
        return data.replace(b"\r\n", b"\n\r\r")
