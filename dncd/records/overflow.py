"""Where damaged captures go that are too many to be kept one by one, and how much of them there is.

`STATE/captures/MACHINE.overflow` and `MACHINE.overflow.1`: the last one to two million bytes of them, as they came.
"""

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.errors import RecordsError
from dncd.records import durable, receipts
from dncd.records.spool import KEPT

_NAMED: Final = re.compile(r"captures/(\S+)" + re.escape(KEPT))


@dataclass(frozen=True, slots=True)
class Amount:
    """Files, and bytes in them."""

    files: int = 0
    bytes: int = 0

    def __add__(self, other: "Amount") -> "Amount":
        return Amount(self.files + other.files, self.bytes + other.bytes)


def path_of(state: Path, machine: str) -> Path:
    return state / "captures" / f"{machine}.overflow"


def add(state: Path, machine: str, data: bytes) -> Path:
    """Adds what came, durably; the older half is let go when both files are full. RecordsError if the disk takes it not."""
    path = path_of(state, machine)
    data = data[-defaults.OVERFLOW_BYTES :]
    with durable.reporting("what a line sends cannot be kept", path, durable.TRIED_AGAIN):
        durable.add_folder(path.parent)
        if path.exists() and path.stat().st_size + len(data) > defaults.OVERFLOW_BYTES:
            durable.DISK.rename(path, path.with_name(path.name + ".1"))
        fd = durable.DISK.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW)
        try:
            durable.append_line(fd, data, os.fstat(fd).st_size)
        finally:
            os.close(fd)
    return path


def damaged_amount(state: Path, folder: Path, machine: str) -> Amount:
    """What damaged captures of a machine take up: in `folder`, its from-machine/damaged/, and in the state folder."""
    mine = (p for p in (state / "captures").glob(f"{machine}@*{KEPT}"))
    shown = folder.iterdir() if folder.is_dir() else iter(())
    total = Amount()
    for path in (*mine, *shown):
        try:
            total += Amount(1, path.lstat().st_size)
        except FileNotFoundError:
            continue
    return total


def let_go(state: Path, folder: Path, machine: str) -> int:
    """Removes raw characters of damaged captures whose receipt the office has cleared away; how many files."""
    named: set[str] = set()
    for path in folder.glob(f"*{durable.RECEIPT}") if folder.is_dir() else ():
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
