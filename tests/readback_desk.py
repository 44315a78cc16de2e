"""A machine's records without its line: what is sent is put on record as sent, what is punched as captured."""

import contextlib
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from station_jobs import Jobs, jobs_of

from dncd.records import durable, plans, receipts
from dncd.records.ledger import records
from dncd.records.library import Text
from dncd.records.plans import OutPlan, Sent
from dncd.values import Frame, LineSettings, MachineSettings

MACHINE = "gang-lathe"


class Desk:
    """Of one machine and one program, O0004."""

    def __init__(self, root: Path, jobs: Jobs, machine: MachineSettings) -> None:
        self.root, self.office, self.jobs = root, jobs.store, jobs
        self.folder = root / "shop" / MACHINE
        self._even = machine.line.frame.parity == "E"

    def send(self, text: str, result: str = "sent") -> None:
        """A file is dropped and sent."""
        data = f"%\r\n{text}%\r\n".encode()
        plan = OutPlan(
            plans.fresh_id(MACHINE), MACHINE, "0004.nc", hashlib.sha256(data).hexdigest(), ("O0004",), ("O0004",),
            wire_chars=len(data), wire_sha256="ab" * 32, began="2026-11-25T10:00:00Z",
        )  # fmt: skip
        durable.write_new(self.root / "state" / "outgoing" / f"{plan.id}.file", [data])
        plan = self.office.endings.begin(plan, [("O0004", Text.of(text.encode()), {})])
        self.office.endings.end_out(plan, Sent(result))

    def punch(self, text: str) -> receipts.Receipt:
        """The control punches it out; gives the receipt."""
        wire = f"%\n{text}%\n".encode()
        if self._even:
            wire = bytes(byte | (byte.bit_count() % 2) << 7 for byte in wire)
        (told,) = self.jobs.capture(wire).transfers
        return receipts.read(self.folder / "from-machine" / f"{told['file']}{durable.RECEIPT}")

    def events(self) -> list[str]:
        return [line["event"] for line in self.lines()]

    def lines(self) -> list[dict[str, Any]]:
        return list(records(self.root / "state"))

    def texts(self) -> list[str]:
        library = self.office.library
        return [library.blob(r.blob).decode() for r in library.history(MACHINE, "O0004")]


@contextlib.contextmanager
def desk(root: Path, frame: str = "8N1") -> Iterator[Desk]:
    """Opens the records of a shop in a folder."""
    machine = MachineSettings(MACHINE, LineSettings("x", frame=Frame.parse(frame)))
    with jobs_of(root, machine) as jobs:
        yield Desk(root, jobs, machine)
