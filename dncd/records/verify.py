"""Ledger, library and receipts held against each other; nothing is written, so it may run beside the service."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dncd.errors import RecordsError
from dncd.records import durable, ledger, receipts
from dncd.records.library import Library, path_of

_FOLDERS = ("sent", "refused", "from-machine", "from-machine/damaged")


@dataclass(frozen=True, slots=True)
class Report:
    """problems: one sentence each; records: lines of the ledger; revisions, receipts: how many were read."""

    problems: tuple[str, ...]
    records: int
    revisions: int
    receipts: int


def verify(state: Path, folder: Path) -> Report:
    """Reads everything. state: the state folder; folder: the shop's folder."""
    problems = [f"ledger/{f.file}, line {f.line}: seq {f.seq} {f.what}" for f in ledger.check_chain(state)]
    lines = {line["seq"]: line for line in ledger.records(state)}
    known, revisions = _check_library(state, problems)
    _check_revisions(lines, known, problems)
    count = _check_receipts(folder, state, lines, problems)
    return Report(tuple(problems), len(lines), revisions, count)


def _check_library(state: Path, problems: list[str]) -> tuple[set[str], int]:
    """Every commit and text on main is there and is what its name says; the commits, and how many."""
    if not (path_of(state) / "HEAD").is_file():
        return set(), 0
    commits: set[str] = set()
    with Library(state) as library:
        try:
            for commit in library.commits():
                commits.add(commit.id.decode())
            for machine in library.machines():
                for program in library.programs(machine):
                    for revision in library.history(machine, program):
                        _check_blob(
                            library, f"{machine}/{program}, revision {revision.number}", revision.blob, problems
                        )
        except RecordsError as error:
            problems.append(f"library: {error.what}")
    return commits, len(commits)


def _check_blob(library: Library, which: str, blob: str, problems: list[str]) -> None:
    try:
        library.blob(blob)
    except RecordsError as error:
        problems.append(f"library: {which}: {error.what}")


def _check_revisions(lines: dict[int, dict[str, Any]], commits: set[str], problems: list[str]) -> None:
    for seq, line in lines.items():
        commit = line.get("commit")
        if isinstance(commit, str) and commit not in commits:
            problems.append(
                f"ledger seq {seq} names revision {line.get('revision')} of {line.get('program')},"
                f" and its commit {commit[:12]} is not in the library"
            )


def _check_receipts(folder: Path, state: Path, lines: dict[int, dict[str, Any]], problems: list[str]) -> int:
    count = 0
    for machine in sorted(p for p in folder.iterdir() if p.is_dir()) if folder.is_dir() else []:
        for where in _FOLDERS:
            for path in sorted((machine / where).glob(f"*{durable.RECEIPT}")):
                count += 1
                wrong = _receipt_problem(path, state, lines)
                if wrong:
                    problems.append(f"{machine.name}/{where}/{path.name}: {wrong}")
    return count


def _receipt_problem(path: Path, state: Path, lines: dict[int, dict[str, Any]]) -> str:
    """What is wrong with a receipt, "" for nothing."""
    try:
        receipt = receipts.read(path)
    except RecordsError as error:
        return "" if not path.exists() else error.what  # replaced by a newer one while we looked
    missing = [key for key in receipts.KEYS if not receipt.get(key)]
    if missing:
        return f"it lacks {', '.join(missing)}"
    seq, _, digest = receipt.get("ledger").partition(" ")
    line = lines.get(int(seq)) if seq.isdigit() else None
    if line is None and seq.isdigit():
        line = {found["seq"]: found for found in ledger.records(state)}.get(int(seq))  # written since we read it
    if line is None:
        return f"it names ledger seq {seq or '(none)'}, which is not in the ledger"
    if (
        line["hash"] != digest
        or line["event"] != receipt.get("result")
        or line.get("machine") != receipt.get("machine")
    ):
        return f"it disagrees with ledger seq {seq}"
    if line.get("sha256") != receipt.get("sha256"):
        return f"its sha256 is not that of ledger seq {seq}"
    file = path.with_name(path.name.removesuffix(durable.RECEIPT))
    if receipt.get("file") != receipts.one_line(file.name):
        return f"it names the file {receipt.get('file')}"
    return _file_problem(file, receipt.get("sha256"), path)


def _file_problem(file: Path, digest: str, receipt: Path) -> str:
    """The office may take a file away; a file that is there must be the one that was told of, unless it was edited."""
    try:
        same = durable.sha256_of(file) == digest
    except FileNotFoundError:
        return ""  # taken by the office: the library and the ledger keep what it was
    except OSError as error:
        return f"its file cannot be read: {error}"
    if same or not receipt.exists():
        return ""
    if receipt.parent.name == "from-machine":
        return ""  # edited in place by the office, which it may: it is set aside before a newer one comes
    return "its file is not the one that was told of: its sha256 is another"
