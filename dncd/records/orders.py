"""What people asked of the files that wait for a machine, in `STATE/orders/MACHINE.json`: a restart forgets none of it.

Written by the records thread alone; from any thread it may be read. A record that cannot be read stops its machine: a
batch in the middle of its pieces may stand in it, and its key must not bring another program. Who says what goes next lets
it go on: only then the record is laid aside and a new one written.
"""

import contextlib
import dataclasses
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from dncd.records import codec, durable
from dncd.records.problems import Problem

FOLDER: Final = "orders"
_ASIDE: Final = "unreadable-"


@dataclass(frozen=True, slots=True)
class Batch:
    """A program that goes out `of` times, once for each start. sha256: of the file as it was asked for, "" where nobody
    counts; file: its name in to-machine/ once the first piece began; done: pieces that went out whole; first: when the
    first one did, as the ledger has it."""

    sha256: str = ""
    of: int = 1
    done: int = 0
    file: str = ""
    first: str = ""

    @property
    def piece(self) -> str:
        """Of the piece that goes out next: `2 of 20`; "" where nobody counts."""
        return f"{min(self.done + 1, self.of)} of {self.of}" if self.sha256 else ""


UNCOUNTED: Final = Batch()


@dataclass(frozen=True, slots=True)
class Order:
    """Of one machine. front: files that somebody put in front, the first one first, and when (ns since 1970, UTC);
    behind: files that the control's start alone does not bring."""

    machine: str
    front: dict[str, int] = field(default_factory=dict)
    behind: tuple[str, ...] = ()
    batches: tuple[Batch, ...] = ()


class Orders:
    """Of every machine."""

    def __init__(self, state: Path) -> None:
        self._folder = state / FOLDER
        self._of: dict[str, Order] = {}
        self.problems: dict[str, Problem] = {}
        durable.make_folder(self._folder)
        for path in self._folder.glob("*.json"):
            try:
                self._of[path.stem] = codec.decode(Order, path.read_bytes())
            except (ValueError, OSError) as error:
                what = f"what was asked of the files that wait cannot be read ({error}); a batch may be in the middle"
                next_step = (
                    f"see what is to go next, then `dncd next {path.stem} FILE`; the count of a batch is lost, and"
                )
                self.problems[path.stem] = Problem(what, str(path), f"{next_step} what is there is kept as {_ASIDE}*")

    def of(self, machine: str) -> Order:
        return self._of.get(machine, Order(machine))

    def put(self, machine: str, front: dict[str, int], behind: tuple[str, ...]) -> None:
        """In which order the files go. What has begun stands in front: a batch whose file does not has lost that file, and
        another one of its name is another program."""
        batches = tuple(b for b in self.of(machine).batches if not b.file or b.file in front)
        if machine in self.problems:
            with contextlib.suppress(FileNotFoundError):  # somebody took it away
                durable.place(self._path(machine), self._folder, f"{_ASIDE}{machine}.json.bytes")
            del self.problems[machine]
        self._save(Order(machine, front, behind, batches))

    def ask(self, machine: str, sha256: str, of: int) -> None:
        """The next file with these contents goes out so many times. RecordsError while the record cannot be read."""
        if machine in self.problems:
            raise self.problems[machine].error
        rest = tuple(b for b in self.of(machine).batches if b.sha256 != sha256 or b.file)
        self._batches(machine, (*rest, Batch(sha256, of)))

    def batch(self, machine: str, file: str, sha256: str, standing: int = 1) -> Batch:
        """The batch that a file is: one that it began, under whatever contents, else one that was asked for, else one of
        `standing` pieces, as the settings may have it; UNCOUNTED."""
        known = self.of(machine).batches
        other = Batch(sha256, standing) if standing > 1 else UNCOUNTED
        asked = next((b for b in known if not b.file and b.sha256 == sha256), other)
        return next((b for b in known if b.file == file), asked)

    def count(self, machine: str, batch: Batch) -> None:
        """A piece is on record; may be told again. batch: as it stands now, with its file."""
        rest = tuple(b for b in self.of(machine).batches if not _same(b, batch))
        self._batches(machine, (*rest, batch))

    def over(self, machine: str, file: str, batch: Batch) -> None:
        """A file has come to its end, and with it its batch. batch: as the file had it."""
        self._batches(machine, tuple(b for b in self.of(machine).batches if b.file != file and b != batch))

    def _batches(self, machine: str, batches: tuple[Batch, ...]) -> None:
        if batches != self.of(machine).batches:
            self._save(dataclasses.replace(self.of(machine), batches=batches))

    def _save(self, order: Order) -> None:
        """Durably, but over no record that could not be read: that one stands until somebody says what is next."""
        if order.machine not in self.problems:
            durable.replace(self._path(order.machine), codec.encode(order))
        self._of[order.machine] = order

    def _path(self, machine: str) -> Path:
        return self._folder / f"{machine}.json"


def _same(one: Batch, other: Batch) -> bool:
    return one.file == other.file or (not one.file and one.sha256 == other.sha256)
