"""The ledger: one line for each thing that happened, chained by hashes, synced before anybody is told.

`STATE/ledger/YYYY-MM.jsonl`, one JSON object a line (contract 5). Sorted file names are the order of `seq`: when the
clock goes back, lines go on in the newest file. What the chain shows: a line that was changed, taken out, put in or moved.
What it cannot show by itself: lines cut off at the very end. Receipts and revisions name their line, so `verify` finds
those from there.
"""

import hashlib
import itertools
import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, cast

from dncd.errors import RecordsError
from dncd.ledger_lines import NO_FIELDS, NO_HASH, NO_LINE, NO_TIME, Fields, Record
from dncd.peer_text import printable_in
from dncd.records import durable, state_format


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of the chain. file: name in the ledger folder; line from 1; seq: of the line, or where it should be."""

    file: str
    line: int
    seq: int
    what: str


def utc_now() -> datetime:
    return datetime.now(UTC)


def utc_text(when: datetime) -> str:
    """UTC, ISO 8601, milliseconds, with `Z`."""
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def line_hash(line: Record) -> str:
    """SHA-256, in hex, of the object without `hash` in the canonical form of contract 5."""
    return hashlib.sha256(_canonical({k: v for k, v in line.items() if k != "hash"})).hexdigest()


def _canonical(line: object) -> bytes:
    return json.dumps(line, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode("utf-8")


def files_of(state: Path) -> list[Path]:
    return sorted(path for path in (state / "ledger").glob("*.jsonl") if path.is_file())


class Ledger:
    """The one writer of a ledger. `notes`: what opening had to mend, in sentences, for the journal and a ledger line."""

    def __init__(self, folder: Path, lock: int, clock: Callable[[], datetime]) -> None:
        self._folder, self._lock, self._clock = folder, lock, clock
        self._fd = -1
        self._file = folder / "none"
        self._size = 0
        self._seq, self._hash = 0, NO_HASH
        self._doubtful = False  # a failed append may have left bytes after `_size`
        self.told: Callable[[Record], None] = lambda _line: None  # is told each line that is on the disk
        self.notes: list[str] = []

    @classmethod
    def open(cls, state: Path, clock: Callable[[], datetime] = utc_now) -> "Ledger":
        """Takes the ledger's lock, finds its end and mends a half-written last line. StateHeldError if another process
        has it; RecordsError if it cannot be read or mended."""
        state_format.check(state)
        folder = state / "ledger"
        with durable.reporting("the ledger cannot be opened", folder, "; then start again"):
            durable.make_folder(folder)
            ledger = cls(folder, state_format.hold(folder / ".lock"), clock)
            try:
                ledger._find_end()
            except BaseException:
                ledger.close()
                raise
        return ledger

    def close(self) -> None:
        for fd in (self._fd, self._lock):
            if fd >= 0:
                os.close(fd)
        self._fd = self._lock = -1

    @property
    def seq(self) -> int:
        """Number of the last line, 0 before the first."""
        return self._seq

    def append(self, event: str, fields: Fields = NO_FIELDS) -> Record:
        """Writes one line and syncs it; gives the line's object. fields: what the event has besides, `machine` among it
        where there is one. RecordsError if the disk does not take the line: then it is not in the ledger."""
        with durable.reporting("a line cannot be written to the ledger", self._folder, durable.TRIED_AGAIN):
            self.check()
            self._mend()
            now = self._clock()
            self._choose_file(f"{now.astimezone(UTC):%Y-%m}.jsonl")
            own = {"seq": self._seq + 1, "time": utc_text(now), "event": event, "prev": self._hash}
            line = cast(Record, {**printable_in(fields), **own})
            line["hash"] = line_hash(line)
            self._doubtful = True
            self._size = durable.append_line(self._fd, _canonical(line) + b"\n", self._size)
            self._doubtful = False
        self._seq, self._hash = self._seq + 1, line["hash"]
        self.told(line)
        return line

    def check(self) -> None:
        """RecordsError where the file that is written to is not what it was after the last line: renamed, removed, another
        one of that name, cut or added to. A line more would stand behind a hole, or in a file without a name."""
        if self._fd < 0:
            return
        held = os.fstat(self._fd)
        try:
            named = os.path.samestat(self._file.lstat(), held)
        except OSError:
            named = False
        if named and (held.st_size == self._size or (self._doubtful and held.st_size > self._size)):
            return
        what = "has other bytes than dncd wrote" if named else "was renamed, removed or replaced"
        next_step = (
            "put it back as it was, from a backup if need be; dncd then goes on by itself, and `dncd verify` tells more"
        )
        raise RecordsError(
            f"the ledger's file {what} while dncd runs, so no line is written and nothing is sent",
            str(self._file),
            next_step,
        )

    def since(self, seq: int) -> list[Record]:
        """Lines with a greater number than `seq`, oldest first; read from the end, so recent ones are quick."""
        with durable.reporting("the ledger cannot be read", self._folder):
            self._mend()
        return since(self._folder.parent, seq)

    def _choose_file(self, wanted: str) -> None:
        """Opens the month's file, or goes on in the newest one if the clock went back."""
        if self._fd >= 0 and self._file.name >= wanted:
            return
        path = self._folder / wanted
        fd = durable.DISK.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL)
        try:
            durable.fsync_dir(self._folder)
        except BaseException:
            os.close(fd)
            durable.discard(path)
            raise
        if self._fd >= 0:
            os.close(self._fd)
        self._fd, self._file, self._size = fd, path, 0

    def _mend(self) -> None:
        """After a failed append: cuts off what the disk may have taken of it, before anything else is done."""
        if self._doubtful:
            durable.DISK.truncate(self._fd, self._size)
            durable.DISK.fsync(self._fd)
            self._doubtful = False

    def _find_end(self) -> None:
        files = files_of(self._folder.parent)
        if not files:
            return
        self._file = files[-1]
        self._fd = durable.DISK.open(self._file, os.O_RDWR)
        self._size = os.fstat(self._fd).st_size
        self._set_aside_torn()
        for path in reversed(files):
            for raw in _lines_backwards(path):
                line = _parsed(raw)
                if line is not None:
                    self._seq, self._hash = line["seq"], line["hash"]
                    return

    def _set_aside_torn(self) -> None:
        """Completes a last line that only lacks its line end; moves one that is no whole object out of the ledger."""
        end = self._size
        for raw in _lines_backwards(self._file):
            start = end - len(raw)
            line = _parsed(raw)
            if line is not None and raw.endswith(b"\n"):
                break
            if line is not None and line_hash(line) == line["hash"]:
                self._size = durable.append_line(self._fd, b"\n", end)
                self.notes.append(f"line {line['seq']} of {self._file.name} lacked its line end; it was completed")
                return
            aside = self._folder / durable.free_name(self._folder, f"torn-{self._clock():%Y%m%dT%H%M%SZ}.bytes")
            durable.write_new(aside, [raw])
            durable.DISK.truncate(self._fd, start)
            durable.DISK.fsync(self._fd)
            self.notes.append(
                f"the last {len(raw)} bytes of {self._file.name} were a half-written line; they lie in {aside.name} now"
            )
            end = start
        self._size = end


def _parsed(raw: bytes) -> Record | None:
    """A line's object if it is one with the keys that every line has."""
    try:
        line = json.loads(raw)
    except (ValueError, RecursionError):
        return None
    if not isinstance(line, dict) or not isinstance(line.get("seq"), int) or not isinstance(line.get("hash"), str):
        return None
    return cast(Record, line)


def _timed(line: Record) -> Record:
    """The line as its readers have it; what the chain is checked by stays as it stands."""
    time: object = line.get("time")
    try:  # no zone of a place leads out of what a date can be
        there = isinstance(time, str) and "1971" < time < "9998" and datetime.fromisoformat(time).tzinfo is not None
    except ValueError:
        there = False
    return line if there else {**line, "time": NO_TIME}


_LINES: Final = re.compile(rb"[^\n]*\n|[^\n]+")


def _lines_backwards(path: Path) -> Iterator[bytes]:
    """Lines of a file from its end, each with its line end if it has one; memory for one line and one piece."""
    with durable.closing(durable.open_regular(path)) as fd:
        position, rest = os.fstat(fd).st_size, b""
        while position:
            step = min(durable.CHUNK, position)
            position -= step
            first, *lines = _LINES.findall(os.pread(fd, step, position) + rest)
            rest = first  # it may begin further up
            yield from reversed(lines)
        if rest:
            yield rest


def newest_first(state: Path, wanted: bytes = b"") -> Iterator[Record]:
    """Lines that are whole, from the newest back, for readers beside the service. wanted: bytes that each must have."""
    with durable.reporting("the ledger cannot be read", state / "ledger"):
        for path in reversed(files_of(state)):
            for raw in _lines_backwards(path):
                if wanted in raw and (line := _parsed(raw)) is not None:
                    yield _timed(line)


def since(state: Path, seq: int) -> list[Record]:
    """Lines with a greater number than `seq`, oldest first; read from the end, so recent ones are quick."""
    return list(itertools.takewhile(lambda line: line["seq"] > seq, newest_first(state)))[::-1]


def stopped(state: Path) -> bool:
    """Whether the last run came to its stop; True as well where there was none."""
    ends = (line["event"] for line in newest_first(state) if line.get("event") in ("started", "stopped"))
    return next(ends, "stopped") == "stopped"


def last_seq(state: Path) -> int:
    """Number of the newest line that is whole; 0 where there is none."""
    return next(newest_first(state), NO_LINE)["seq"]


def records(state: Path, machine: str = "") -> Iterator[Record]:
    """Lines of the ledger in order, of one machine or all, for readers beside the service. A line that is still in the
    writing is not there yet, and one that cannot be read is left to `check_chain`. Lines of other machines are passed
    over by their bytes, without being read as JSON: the canonical form has no blanks."""
    wanted = f'"machine":"{machine}"'.encode() if machine else b""
    for _, _, _, line in _every_line(state, wanted):
        if line is not None and (not machine or line.get("machine") == machine):
            yield _timed(line)


def _every_line(state: Path, wanted: bytes = b"") -> Iterator[tuple[Path, int, bytes, Record | None]]:
    """File, line number from 1, bytes and object of each line; an unfinished last line of the newest file is left out.
    wanted: bytes that a line must have."""
    state_format.check(state)
    with durable.reporting("the ledger cannot be read", state / "ledger"):
        files = files_of(state)
        for path in files:
            with path.open("rb") as lines:
                for number, raw in enumerate(lines, 1):
                    if not raw.endswith(b"\n") and path == files[-1]:
                        return
                    if wanted in raw:
                        yield path, number, raw, _parsed(raw)


def check_chain(state: Path) -> list[Fault]:
    """Every fault of the chain: changed, missing, put in or moved lines, and lines that are none."""
    faults: list[Fault] = []
    seq, prev = 0, NO_HASH
    for path, number, _, line in _every_line(state):
        expected = seq + 1
        if line is None:
            faults.append(Fault(path.name, number, expected, "is no ledger line"))
            continue
        if _own_hash(line) != line["hash"]:
            faults.append(Fault(path.name, number, line["seq"], "was changed: its hash does not fit what it says"))
        if line["seq"] > expected:
            gone = f"{expected}" if line["seq"] == expected + 1 else f"{expected} to {line['seq'] - 1}"
            faults.append(Fault(path.name, number, expected, f"line {gone} is missing before it, or stands elsewhere"))
        elif line["seq"] < expected:
            faults.append(Fault(path.name, number, line["seq"], "stands out of order, or twice"))
        elif line.get("prev") != prev:
            faults.append(Fault(path.name, number, line["seq"], "does not follow the line before it: prev is another"))
        if line["seq"] >= expected:
            seq, prev = line["seq"], line["hash"]
    return faults


def _own_hash(line: Record) -> str:
    """The hash, or an empty string for an object that has no canonical form (a number that JSON does not know)."""
    try:
        return line_hash(line)
    except (ValueError, UnicodeEncodeError):
        return ""
