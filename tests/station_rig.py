"""A real station with its loop, threads and records, and a fake port; the test steps the loop."""

import io
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from fakes import FakePort

from dncd.outside import journal
from dncd.outside.comparer import Comparer
from dncd.outside.folder_looks import Complete, Entry, Listing
from dncd.outside.loop import Loop
from dncd.outside.workers import Workers
from dncd.records.ledger import records
from dncd.records.receipts import Receipt, parse
from dncd.records.store import Store
from dncd.service.status import status_of
from dncd.station.driver import Shared, Station
from dncd.station.events import Ask, Wish
from dncd.values import MachineSettings, Settings, ShopSettings

DEADLINE_S = 120.0


class Rig:
    """`station` of the machine `settings`, without a port until `plug`."""

    def __init__(self, root: Path, settings: MachineSettings) -> None:
        self.root = root
        self.said = io.StringIO()
        journal.set_up(self.said)
        shop = ShopSettings(root / "shop", root / "state")
        self._skipped, self._listed = 0.0, set[str]()
        self.loop = Loop(lambda: time.monotonic() + self._skipped)
        self.comparer = Comparer()
        self.office = Store.open(Settings(root / "dncd.toml", shop, {settings.name: settings}))
        self.hands = Workers.of(self.loop)
        self.folder = root / "shop" / settings.name
        (self.folder / "to-machine").mkdir(parents=True, exist_ok=True)
        self.station = Station(
            settings, Shared(self.office, self.comparer, self.hands, journal.journal()), lambda _station: None
        )

    def plug(self, port: FakePort) -> FakePort:
        """The port is opened."""
        self.station.take_port(port)
        return port

    def drop(self, name: str, data: bytes) -> None:
        """A complete file lies in to-machine/."""
        path = self.folder / "to-machine" / name
        path.write_bytes(data)
        status = path.stat()
        entry = Entry(
            name, status.st_ino, status.st_dev, status.st_size, status.st_mtime_ns, status.st_ctime_ns, Complete.YES
        )
        self.listed(entry)

    def listed(self, *entries: Entry) -> None:
        """These are new or changed in to-machine/; what was listed before and does not lie there any more is gone."""
        gone = frozenset(old for old in self._listed if not (self.folder / "to-machine" / old).exists())
        self._listed = {*self._listed - gone, *(entry.name for entry in entries)}
        self.station.news(Listing(self.station.name, entries, changed=entries, gone=gone))

    def skip(self, seconds: float) -> None:
        """The station's clock jumps forward."""
        self._skipped += seconds

    def status(self) -> dict[str, Any]:
        """As `dncd status --json` shows this machine."""
        return status_of(self.station, self.loop.now(), self.office.held)

    def until(self, what: Callable[[], Any], within_s: float = DEADLINE_S) -> Any:
        """Steps the loop until `what` is true; gives its value."""
        end = time.monotonic() + within_s
        while not (value := what()):
            assert time.monotonic() < end, "the deadline passed"
            self.loop.once(0.05)
        return value

    def ledger(self, *events: str) -> list[dict[str, Any]]:
        """The lines with these events."""
        return [record for record in records(self.root / "state") if record["event"] in events]

    def receipt(self, where: str, name: str) -> Receipt:
        """The receipt beside `where`/`name`, once it is there."""
        path = self.folder / where / f"{name}.receipt.txt"
        self.until(path.exists)
        return parse(path.read_text())

    def close(self) -> None:
        """Everything ends; what is under way is interrupted."""
        self.station.tell(Ask(Wish.STOP, "the test is over"))
        self.until(lambda: not self.station.busy)
        assert self.hands.finish(DEADLINE_S, DEADLINE_S) == []
        self.loop.once(0.0)
        assert self.loop.failure is None
        self.station.close()
        self.comparer.close()
        self.office.close()
        self.loop.close()


@contextmanager
def rig(root: Path, settings: MachineSettings) -> Iterator[Rig]:
    """A rig that is closed however the test ends."""
    made = Rig(root, settings)
    try:
        yield made
    finally:
        made.close()


def descriptors() -> int:
    """How many this process has open."""
    return len(os.listdir("/proc/self/fd"))  # noqa: PTH208
