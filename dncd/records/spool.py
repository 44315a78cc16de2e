"""Captures as they come in: raw bytes of the line in `STATE/captures/ID.raw`, before anything is made of them.

The ID names machine and start (`plans.fresh_id`). A raw file whose transfer is on record as damaged stays, under
`ID.damaged.raw`; any other that is found at a start is a capture that was cut short. Damaged ones that are too many to be
kept one by one go into `MACHINE.overflow` and `MACHINE.overflow.1`: the last one to two million bytes, as they came.
"""

import contextlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.errors import RecordsError
from dncd.records import durable, receipts

RAW: Final = ".raw"
KEPT: Final = ".damaged.raw"


@dataclass(frozen=True, slots=True)
class Leftover:
    """A capture that was cut short. id: its transfer's; path: its raw bytes; size: how many."""

    id: str
    machine: str
    path: Path
    size: int


class CaptureSpool:
    """One capture that is coming in. Written by the captures thread, then read by the records thread."""

    def __init__(self, state: Path, transfer: str) -> None:
        """Makes the file, durably. RecordsError if the disk does not take it."""
        self.id, self.path, self.size = transfer, state / "captures" / f"{transfer}{RAW}", 0
        self._fd = -1
        with durable.reporting("a capture cannot be written", self.path, durable.TRIED_AGAIN):
            durable.add_folder(self.path.parent)
            self._fd = durable.DISK.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW)
            try:
                durable.fsync_dir(self.path.parent)
            except Exception:
                self.close()
                durable.discard(self.path)
                raise

    def append(self, data: bytes) -> None:
        """Adds bytes and syncs them. RecordsError: then none of them is in the file, and the same may be given again."""
        with durable.reporting("a capture cannot be written", self.path, durable.TRIED_AGAIN):
            durable.DISK.truncate(self._fd, self.size)  # what an append that failed may have left
            self.size = durable.append_line(self._fd, data, self.size)

    def chunks(self) -> Iterator[bytes]:
        return durable.read_chunks(self._fd)

    def close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def keep_damaged(self) -> Path:
        """Closes it and gives it the name of a damaged one that is on record; where it lies then."""
        self.close()
        return keep_damaged(self.path)

    def remove(self) -> None:
        self.close()
        durable.remove(self.path)


def keep_damaged(path: Path) -> Path:
    """Gives a raw file the name of a damaged one that is on record; one that has it already is fine."""
    kept = path.with_name(path.name.removesuffix(RAW) + KEPT)
    if path.exists() or not kept.exists():
        with durable.reporting("a damaged capture cannot be put by", path, durable.TRIED_AGAIN):
            durable.move_new(path, kept)
    return kept


def leftovers(state: Path) -> list[Leftover]:
    """Captures that were cut short, oldest first by file time. An empty one is among them: nothing came after its start."""
    paths = [path for path in (state / "captures").glob(f"*{RAW}") if not path.name.endswith(KEPT)]
    paths.sort(key=lambda path: (path.stat().st_mtime_ns, path.name))
    ids = [path.name.removesuffix(RAW) for path in paths]
    return [
        Leftover(id_, id_.partition("@")[0], path, path.stat().st_size) for id_, path in zip(ids, paths, strict=True)
    ]


_NAMED: Final = re.compile(r"captures/(\S+)" + re.escape(KEPT))


def add_overflow(state: Path, machine: str, data: bytes) -> Path:
    """Adds a damaged capture to `MACHINE.overflow`, durably, instead of keeping it by itself; the older half is let go when
    both files are full. RecordsError if the disk takes it not."""
    path = state / "captures" / f"{machine}.overflow"
    data = data[-defaults.OVERFLOW_BYTES :]
    with durable.reporting("what a line sends cannot be kept", path, durable.TRIED_AGAIN):
        durable.add_folder(path.parent)
        if path.exists() and path.stat().st_size + len(data) > defaults.OVERFLOW_BYTES:
            durable.DISK.rename(path, path.with_name(path.name + ".1"))
        with durable.closing(durable.DISK.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW)) as fd:
            durable.append_line(fd, data, os.fstat(fd).st_size)
    return path


def damaged_sizes(state: Path, folder: Path, machine: str) -> list[int]:
    """Bytes of each file of its damaged captures: in `folder`, its from-machine/damaged/, and in the state folder."""
    sizes = []
    for path in (*(state / "captures").glob(f"{machine}@*{KEPT}"), *(folder.iterdir() if folder.is_dir() else ())):
        with contextlib.suppress(FileNotFoundError):
            sizes.append(path.lstat().st_size)
    return sizes


def let_go(state: Path, folder: Path, machine: str) -> int:
    """Removes raw characters of damaged captures whose receipt the office has cleared away; how many files."""
    named: set[str] = set()
    for path in folder.glob(f"*{durable.RECEIPT}"):
        try:
            receipt = receipts.read(path)
        except RecordsError:
            return 0  # one that cannot be read may name any of them
        named.update(_NAMED.findall(receipt.get("raw") or ""))
    gone = [
        path for path in (state / "captures").glob(f"{machine}@*{KEPT}") if path.name.removesuffix(KEPT) not in named
    ]
    for path in gone:
        durable.remove(path)
    return len(gone)
