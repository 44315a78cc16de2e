"""Ledger, library and receipts held against each other; reads only, also beside a running service.

Read in the order receipts, ledger, library: what one names was durable before it, so whatever is written meanwhile can
only be newer than what is looked for. A receipt that changed while it was checked belongs to a transfer that has just
ended; it is left to the next run.
"""

import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

from dulwich.objects import Commit, ObjectID, ShaFile, Tree

from dncd.errors import RecordsError
from dncd.ledger_lines import NO_TIME, Record
from dncd.peer_text import local_text, printable
from dncd.records import backups, durable, receipts, repair, trials
from dncd.records.ledger import check_chain, files_of, records
from dncd.records.library import SUFFIX, Library, path_of
from dncd.records.receipts import Receipt
from dncd.records.recovery import blocked_machines
from dncd.records.revisions import walk
from dncd.values import Result

FOLDERS: Final = ("sent", "refused", "from-machine", "from-machine/damaged", backups.FOLDER)
"""Where receipts stand, under a machine's folder."""

KEPT: Final = ("sent", "from-machine/damaged", backups.FOLDER)
"""Where nobody has a reason to edit a file. In the others the office works: there a changed file is a note."""


@dataclass(frozen=True, slots=True)
class Report:
    """problems: one sentence each, () if all is well; notes: what differs and may; then how much was looked at."""

    problems: tuple[str, ...]
    notes: tuple[str, ...]
    records: int
    revisions: int
    receipts: int


@dataclass(frozen=True, slots=True)
class _Found:
    """A receipt as it was read. where: for a person, MACHINE/FOLDER/NAME."""

    path: Path
    where: str
    machine: str
    folder: str
    receipt: Receipt


def verify(state: Path, folder: Path) -> Report:
    """Checks everything under a state folder and a shop folder. RecordsError if the ledger cannot be read at all."""
    problems: list[str] = []
    notes: list[str] = []
    found = list(_receipts(folder, problems))
    problems += (
        f"ledger {fault.file}, line {fault.line} (seq {fault.seq}): {fault.what}" for fault in check_chain(state)
    )
    if found and not files_of(state):
        problems.append("ledger: there is none, and there are receipts")
    wanted = {_seq(each.receipt) for each in found}
    lines: dict[int, Record] = {}
    named: list[Record] = []
    out_of_order: list[str] = []
    count, before = 0, ""
    for line in records(state):
        count += 1
        if line["seq"] in wanted:
            lines[line["seq"]] = line
        if line.get("commit"):
            named.append(line)
        if line["time"] == NO_TIME:
            out_of_order.append(f"ledger line {line['seq']}: it has {NO_TIME}; the order of lines counts")
            continue
        if line["time"] < before:
            times = f"from {local_text(before)} to {local_text(line['time'])}"
            out_of_order.append(
                f"ledger line {line['seq']}: the clock was set back, {times}; the order of lines counts"
            )
        before = line["time"]
    for each in found:
        wrong, said = _receipt_faults(each, lines)
        if (wrong or said) and _unchanged(each):
            problems += wrong
            notes += said
    gone = repair.told_gone(state)
    revisions = _library(state, named, gone, problems)
    problems += trials.faults(state)
    notes += (f"{machine}: {problem.sentence}" for machine, problem in blocked_machines(state).items())
    notes += out_of_order
    if gone:
        notes.append(f"library: {len(gone)} revisions went when a copy was recovered; `dncd log` has them (recovered)")
    return Report(tuple(problems), tuple(notes), count, revisions, len(found))


def _receipts(folder: Path, problems: list[str]) -> Iterator[_Found]:
    machines = sorted(path for path in folder.iterdir() if path.is_dir()) if folder.is_dir() else []
    for machine in machines:
        for name in FOLDERS:
            place = machine / name
            for path in sorted(place.glob(f"*{durable.RECEIPT}")) if place.is_dir() else []:
                where = f"{machine.name}/{name}/{printable(path.name)}"
                try:
                    receipt = receipts.read(path)
                except RecordsError as error:
                    if path.exists():
                        problems.append(f"{where}: {error.what}")
                    continue
                yield _Found(path, where, machine.name, name, receipt)


def _receipt_faults(found: _Found, lines: Mapping[int, Record]) -> tuple[list[str], list[str]]:
    receipt, where = found.receipt, found.where
    missing = [key for key in receipts.KEYS if not receipt.get(key)]
    if missing:
        return [f"{where}: lacks {', '.join(missing)}"], []
    problems = [f"{where}: {fault}" for fault in _against_ledger(found, lines)]
    file = found.path.with_name(found.path.name.removesuffix(durable.RECEIPT))
    if receipt.get("file") != file.name:
        problems.append(f"{where}: names another file, {receipt.get('file')}")
    try:
        digest = durable.sha256_of(file)
    except FileNotFoundError:
        return problems, [f"{where}: its file is not there any more"]
    except OSError as error:
        return [*problems, f"{where}: its file cannot be read: {error.strerror}"], []
    if digest == receipt.get("sha256"):
        return problems, []
    if found.folder in KEPT:
        return [*problems, f"{where}: its file has other contents than the receipt says (sha256)"], []
    return problems, [f"{where}: its file was edited since"]


def _against_ledger(found: _Found, lines: Mapping[int, Record]) -> Iterator[str]:
    receipt = found.receipt
    seq = _seq(receipt)
    if seq is None:
        yield "does not name its ledger line"
        return
    line = lines.get(seq)
    if line is None:
        yield f"names ledger line {seq}, which is not in the ledger"
        return
    if line.get("hash") != receipt.get("ledger").split()[1]:
        yield f"names ledger line {seq} by another hash than it has"
    event = receipt.get("result")
    if found.folder == backups.FOLDER:
        event = "no-backup" if event == Result.DAMAGED else "backup"
    for key, expected in (("event", event), ("machine", found.machine)):
        if line.get(key) != expected:
            yield f"says {expected}, ledger line {seq} says {line.get(key)}"
    for key in ("machine", "sha256", "time"):
        if str(line.get(key)) != receipt.get(key):
            yield f"says {key} {receipt.get(key)}, ledger line {seq} says {line.get(key)}"
    if not receipt.get("program").startswith(str(line.get("program")).strip()):
        yield f"is about {receipt.get('program')}, ledger line {seq} is about {line.get('program')}"


def _seq(receipt: Receipt) -> int | None:
    words = receipt.get("ledger").split()
    return int(words[0]) if len(words) == 2 and words[0].isdecimal() else None


def _unchanged(found: _Found) -> bool:
    try:
        return receipts.read(found.path) == found.receipt
    except RecordsError:
        return False


def _library(state: Path, named: Sequence[Record], gone: Collection[str], problems: list[str]) -> int:
    """Every revision on main, whole, and every one that the ledger names; how many there are."""
    if not (path_of(state) / "HEAD").is_file():
        if named:
            problems.append("library: there is none, and the ledger names revisions")
        return 0
    with Library(state) as library:
        numbers: dict[str, tuple[str, str, int]] = {}
        try:
            for machine in library.machines():
                for program in library.programs(machine):
                    for revision in library.history(machine, program):
                        numbers[revision.commit] = (machine, program, revision.number)
            problems += (f"library: {fault}" for fault in _object_faults(library))
        except RecordsError as error:
            problems.append(f"library: {error.where}: {error.what}")
        for line in named:
            have = numbers.get(line["commit"])
            said = (line.get("machine"), line.get("program"), line.get("revision"))
            if have is None and line["commit"] in gone:
                continue  # told in the ledger, when a copy was recovered
            if have is None:
                problems.append(f"library: commit {line['commit']} of ledger line {line['seq']} is not on main")
            elif have != said:
                problems.append(
                    f"library: ledger line {line['seq']} says {said[0]}/{said[1]} revision {said[2]}, "
                    f"its commit is {have[0]}/{have[1]} revision {have[2]}"
                )
        return len(numbers)


def _object_faults(library: Library) -> Iterator[str]:
    """Walks main: each commit, the trees on the way to its text, and the text, all with the bytes of their names."""
    whole: set[bytes] = set()  # trees and texts that were checked; shared by many commits

    def read(name: ObjectID) -> ShaFile:
        try:
            found = library.repo.object_store[name]
        except (KeyError, OSError):  # it may just have gone into a pack
            found = library.repo.object_store[name]
        if name not in whole:
            data = found.as_raw_string()
            digest = hashlib.sha1(b"%s %d\0" % (found.type_name, len(data)) + data, usedforsecurity=False)
            if digest.hexdigest().encode() != name:
                raise ValueError("its bytes are not those that gave it its name")
            whole.add(name)
        return found

    for facts in walk(library.repo.object_store, library.head(), str(library.path)):
        trailers, commit = facts.trailers, facts.commit.decode()
        path = f"{trailers.get('Machine', '')}/{trailers.get('Program', '')}{SUFFIX}"
        at = ObjectID(facts.commit)
        try:
            read(at)
            for part in ("", *path.split("/")) if "Program" in trailers else ("",):
                at = _entry(read(at), part) if part else cast(Commit, read(at)).tree
                read(at)
        except KeyError:
            yield f"{path}: an object of commit {commit} is gone ({at.decode()} or what it names)"
        except Exception as error:  # noqa: BLE001 - zlib, format, checksum: whatever dulwich meets is the fault to tell
            yield f"{path}: object {at.decode()} of commit {commit} is damaged: {error}"


def _entry(item: ShaFile, name: str) -> ObjectID:
    if not isinstance(item, Tree):
        raise ValueError("it is no folder")
    return item[name.encode()][1]
