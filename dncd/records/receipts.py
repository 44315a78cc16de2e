"""Receipts: what stands beside a file and says how it came there. Lines `key: value` for people and programs.

A receipt is written last and at one instant: file, revision and ledger line are in place before it (contract 1).
"""

import contextlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.errors import RecordsError
from dncd.peer_text import printable
from dncd.records import durable

KEYS: Final = ("result", "machine", "program", "file", "sha256", "time")
"""Keys that every receipt has (contract 1)."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """Pairs of key and value in the order in which they are written; a key may come several times."""

    lines: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, pairs: Iterable[tuple[str, object]]) -> "Receipt":
        """Makes every value one printable line. ValueError if one of `KEYS` is missing or has no value."""
        lines = tuple((key, printable(str(value)).strip()) for key, value in pairs)
        missing = [key for key in KEYS if not any(k == key and v for k, v in lines)]
        if missing:
            raise ValueError(f"a receipt without {', '.join(missing)}")
        return cls(lines)

    def get(self, key: str) -> str:
        return next((value for k, value in self.lines if k == key), "")

    def all(self, key: str) -> tuple[str, ...]:
        return tuple(value for k, value in self.lines if k == key)

    def render(self) -> str:
        """Lines for people, if any, stand in front of `result`, and an empty line behind them."""
        front = [key for key, _ in self.lines].index("result") if self.get("result") else 0
        lines = [f"{key}: {value}\n" for key, value in self.lines]
        return "".join([*lines[:front], *(["\n"] if front else []), *lines[front:]])


def reasons(found: Iterable[str]) -> list[tuple[str, str]]:
    """One `reason` line for each finding; beyond defaults.REASONS the rest is counted."""
    every, most = list(found), defaults.REASONS
    lines = [("reason", reason) for reason in every[:most]]
    if len(every) > most:
        lines.append(("reason", f"and {len(every) - most} more findings of the same kinds; mend these first"))
    return lines


def parse(text: str) -> Receipt:
    """Reads a receipt back; lines that are no `key: value` are passed over. Missing keys are for `verify` to tell."""
    lines = []
    for line in text.split("\n"):
        key, colon, value = line.partition(":")
        if colon and key and key == key.strip().lower():
            lines.append((key, value.strip()))
    return Receipt(tuple(lines))


def path_for(file: Path) -> Path:
    return file.with_name(file.name + durable.RECEIPT)


def read(path: Path) -> Receipt:
    """Reads a receipt's file. RecordsError if it cannot be read."""
    with durable.reporting("the receipt cannot be read", path):
        data = b"".join(durable.read_chunks(path))
    return parse(data.decode("utf-8", "replace"))


def write(file: Path, pairs: Iterable[tuple[str, object]]) -> None:
    """Writes a receipt beside its file, once: the same one again is left as it is. Something else under that name is
    nobody's receipt of this file; it is moved to a numbered name, not overwritten. ValueError as `Receipt.of`."""
    path, receipt = path_for(file), Receipt.of(pairs)
    data = receipt.render().encode("utf-8")
    try:
        durable.write_new(path, [data], durable.SHARED_FILE_MODE)
    except FileExistsError:
        with contextlib.suppress(RecordsError):  # a folder or a link: it is moved aside like any other stranger
            if read(path) == receipt:
                return
        stranger = path.with_name(durable.free_name(path.parent, path.name))
        durable.DISK.rename(path, stranger)
        durable.write_new(path, [data], durable.SHARED_FILE_MODE)
