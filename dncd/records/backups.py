"""Backups: a control punched everything that it holds, and that is on record as one thing.

When a capture is a backup: it holds two programs or more, and at least half of those that the control is known to hold
are in it. Or a person announced one: then everything that comes until it is closed counts, one program a capture too.
The programs themselves are recorded by `endings` as ever; after them come the ledger line `backup`, the whole dump as a
file in `from-machine/backups/`, and its receipt, which names what is missing and what was not known before. An announced
one of which something came damaged, or that a stop of dncd ended, does not count: what came whole of it is kept together
there all the same, as `-not-whole`, with a receipt that says what did not come, and the ledger line is `no-backup`.

`STATE/underway/ID.backup` is written before, so that a power cut leaves nothing half told.
"""

import dataclasses
import hashlib
import os
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from dncd.errors import RecordsError
from dncd.ledger_lines import Fields, Record, transfer_of
from dncd.peer_text import local_text, printable
from dncd.program import names
from dncd.program.splitting import split
from dncd.records import codec, durable, plans, receipts
from dncd.records.ending_words import CAUTION_LINK, named, record_pairs
from dncd.records.endings import DAMAGED, Shop
from dncd.records.holdings import Holding, Holdings, is_data, is_unnamed
from dncd.records.ledger import Ledger, records
from dncd.records.library import Library
from dncd.records.plans import InPlan
from dncd.records.restoring import Piece, compose, piece_of, tape
from dncd.records.shop_folders import BACKUPS
from dncd.tape.capture import DAMAGED as DAMAGED_CHAR
from dncd.tape.capture import came_again
from dncd.values import Result

FOLDER: Final = BACKUPS
SUFFIX: Final = ".backup"
_AGAIN: Final = "punch it out again, and the backup counts"
_THEM_FIRST: Final = "punch these out first"
CAUTION: Final = "a control's memory lives on a battery: what is missing here may be lost there"


def _counts(program: str) -> bool:
    """Whether a name can be missed: data is punched by itself, and a program without a name is another each time."""
    return not is_data(program) and not is_unnamed(program)


@dataclass(frozen=True, slots=True)
class BackupPlan:
    """A backup under way. since: last ledger line before it; transfer: of its one capture, "" for an announced one.
    held: what the control was known to hold before, each with a few words on it; mark_line: of the dump, of an
    announced one once it is closed; file: its name; end_mark: what closes it, "" where its mark does."""

    id: str
    machine: str
    since: int
    transfer: str
    mark_line: str
    file: str
    held: tuple[tuple[str, str], ...]
    end_mark: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How an announced backup ended. record: its ledger line, None where it does not count; told: sentences."""

    record: Record | None
    told: tuple[str, ...]


class Backups:
    """Makes backups. For the records thread, but for `open`, which others may look at."""

    def __init__(self, shop: Shop, ledger: Ledger, library: Library, held: Holdings) -> None:
        self._shop, self._ledger, self._library, self._held = shop, ledger, library, held
        self.open: dict[str, BackupPlan] = {}
        self.captures: dict[str, int] = {}
        """Captures that came since a backup was announced, by machine."""
        self._marks: dict[str, tuple[str, str]] = {}
        self._owed: dict[str, BackupPlan] = {}
        """Announced backups that count once what came damaged has come whole, by machine; a stop forgets them."""

    # --- what counts -------------------------------------------------------------------------------------------------
    def of_capture(self, plan: InPlan) -> BackupPlan | None:
        """Before a capture is recorded: the plan of the backup that it is, durable; None where it is none."""
        if plan.machine in self.open:
            self.captures[plan.machine] += 1
            mark, end = (plan.parts[0].mark_line[:1], plan.parts[0].end_mark) if plan.parts else ("", "")
            self._marks.setdefault(plan.machine, (mark, end))
            return None
        path = self._path(plan.id)
        if path.exists():
            return codec.decode(BackupPlan, path.read_bytes())
        owed = self._owed.get(plan.machine)
        if owed and not self._torn(owed, self._lines(owed), [part.text for part in plan.parts]):
            return owed
        names_here = [part.program for part in plan.parts if not is_data(part.program)]
        if plan.result != Result.RECEIVED or len(names_here) < 2:
            return None
        held = self._known(plan.machine)
        there = sum(1 for program in held if program in set(names_here))
        if 2 * there < len(held):
            return None
        made = self._new(plan.id, plan.machine, plan.id, plan.parts[0].mark_line, held)
        return self._save(dataclasses.replace(made, end_mark=plan.parts[0].end_mark))

    def announce(self, machine: str) -> BackupPlan:
        """From now on everything that this machine punches belongs to one backup."""
        made = self._new(plans.fresh_id(machine), machine, "", "", self._known(machine))
        self.captures[machine] = 0
        self._marks.pop(machine, None)
        self._owed.pop(machine, None)
        self.open[machine] = self._save(made)
        return made

    def close(self, machine: str) -> Outcome:
        plan = self.open[machine]
        mark, end = self._marks.get(machine, ("", ""))
        plan = self._save(dataclasses.replace(plan, mark_line=mark, end_mark=end))
        lines = self._lines(plan)
        torn = self._torn(plan, lines)
        if torn:
            self._owed[machine] = plan
            came = {name for line in lines if line["event"] == "damaged" for name in _whole_in(self._whole(line))}
            told = [f"{printable(name)} came damaged and was not punched again: {_AGAIN}" for name in torn]
            outcome = Outcome(None, self._not_whole(plan, told, {*came, *torn}))
        elif not _entries(plan, lines):
            outcome = Outcome(None, self._not_whole(plan, []))
        else:
            record = self.finish(plan)
            outcome = Outcome(record, (_summary(record),))
        del self.open[machine]
        return outcome

    def _not_whole(self, plan: BackupPlan, told: list[str], came: Collection[str] = ()) -> tuple[str, ...]:
        """It does not count: what came whole is kept together; sentences on that, behind `told`. came: what else came."""
        here = [program for program, _ in _entries(plan, self._lines(plan))]
        out = [program for program, _ in plan.held if program not in here and program not in came]
        if not here:
            told = [*told, "no whole program came"]
        if out and told != ["no whole program came"]:  # else nobody punched, and the memory is what it was
            told = [*told, f"not come, of what the control is known to hold ({len(out)}): {named(out)}: {_THEM_FIRST}"]
        if here:
            file = f"{FOLDER}/{_not_whole_name(plan)}"
            told = [*told, f"what came whole ({len(here)}) is kept together in {file}"]
            self.finish(plan, tuple(told))
        else:
            self._ledger.append("no-backup", {"machine": plan.machine, "reasons": told})
            durable.remove(self._path(plan.id))
        return tuple(told)

    def _torn(self, plan: BackupPlan, lines: list[Record], more: Iterable[str] = ()) -> list[str]:
        """Programs that came damaged since its beginning and have not come whole. more: texts that are just coming."""
        damaged = [line for line in lines if line["event"] == "damaged"]
        if not damaged:
            return []
        entries = _entries(plan, lines)
        texts = [piece_of(self._library, plan.machine, program, number).text for program, number in entries]
        texts += more
        return [line["program"] for line in damaged if not came_again(self._whole(line), texts)]

    def _whole(self, line: Record) -> str:
        """The text of a damaged capture; its first line alone, which is never found again, where somebody moved its file."""
        try:
            with self._shop.folders.opened(line["machine"], DAMAGED) as folder:
                data = b"".join(durable.read_chunks(folder / line["file"]))
            return data.decode("utf-8", "replace").replace(self._shop.line_end, "\n")
        except (OSError, RecordsError):
            return f"{line['program']} 0\n0\n"

    def _known(self, machine: str) -> dict[str, Holding]:
        self._held.catch_up(self._shop.state)
        held = self._held.of(machine)
        return {program: holding for program, holding in held.items() if holding.held and _counts(program)}

    def _new(self, name: str, machine: str, transfer: str, mark: str, held: Mapping[str, Holding]) -> BackupPlan:
        stamp = datetime.now(UTC).strftime(plans.STAMP)
        words = tuple((p, f"revision {h.revision}, {h.how.value}, {local_text(h.since)}") for p, h in held.items())
        with self._shop.folders.opened(machine, FOLDER) as folder:
            file = durable.free_name(folder, f"{machine}-{stamp}{self._shop.extension}")
        return BackupPlan(name, machine, self._ledger.seq, transfer, mark, file, words)

    # --- on record -----------------------------------------------------------------------------------------------------
    def finish(self, plan: BackupPlan, reasons: tuple[str, ...] = ()) -> Record:
        """Its captures are on record: ledger line, file, receipt; each step first looks whether it was done. reasons:
        why it does not count, () where it does."""
        lines, event = self._lines(plan), "no-backup" if reasons else "backup"
        entries = _entries(plan, lines)
        pieces = [piece_of(self._library, plan.machine, program, number) for program, number in entries]
        mark, closing = plan.mark_line, plan.end_mark or plan.mark_line[:1]
        data = _dump(plan, pieces, mark, closing).replace("\n", self._shop.line_end).encode("utf-8")
        digest, name = hashlib.sha256(data).hexdigest(), _not_whole_name(plan) if reasons else plan.file
        present, before = {program for program, _ in entries}, dict(plan.held)
        fields: Fields = {
            "machine": plan.machine,
            "program": entries[0][0],
            "file": name,
            "sha256": digest,
            "programs": [program for program, _ in entries],
            "revisions": [number for _, number in entries],
            "changed": [line["program"] for line in lines if line["event"] == "differs"],
            "missing": [program for program in before if program not in present],
            "unknown": [p for p in dict(entries) if p not in before and _counts(p)],
            "mark_line": mark,
            "transfer": plan.id,
        }
        if reasons:
            fields["reasons"] = list(reasons)
        record = next((line for line in lines if line["event"] == event and line.get("transfer") == plan.id), None)
        record = record or self._ledger.append(event, fields)
        titles = [_title(piece) for piece in pieces]
        with self._shop.folders.opened(plan.machine, FOLDER) as folder:
            path = folder / name
            if os.path.lexists(path) and not durable.holds(path, digest):
                path = folder / durable.free_name(folder, name)
            if not os.path.lexists(path):
                durable.write_new(path, [data], durable.SHARED_FILE_MODE)
            pairs = _receipt(record, path.name, titles, sum(len(piece.text) for piece in pieces), before)
            receipts.write(path, pairs)
        durable.remove(self._path(plan.id))
        if not reasons:
            self._owed.pop(plan.machine, None)
        return record

    def left(self) -> list[Path]:
        return sorted(plans.folder_of(self._shop.state).glob(f"*{SUFFIX}"))

    def recover(self, path: Path) -> str:
        """At a start, after everything else is on record: finishes or drops what the last run left; a sentence or ""."""
        try:
            plan = codec.decode(BackupPlan, path.read_bytes())
        except FileNotFoundError:  # it is on record, and the disk failed behind it
            return ""
        except ValueError as error:
            aside = durable.place(path, path.parent, f"unreadable-{path.name}.bytes")
            return f"a backup under way cannot be read ({error}) and lies in {aside.name}; make it once more"
        lines = self._lines(plan)
        begun = [line for line in lines if line["event"] == "backup" and line["transfer"] == plan.id]
        if begun or (plan.transfer and _entries(plan, lines)):
            self.finish(plan)
            return f"{plan.machine}: a backup that was cut short is on record now"
        if plan.transfer or not _entries(plan, lines):
            durable.remove(path)
            return "" if plan.transfer else f"{plan.machine}: the backup that was announced is off; announce it anew"
        told = self._not_whole(plan, ["dncd stopped before its end: announce it anew, and punch out all programs"])
        return f"{plan.machine}: the backup that was announced is off: {'; '.join(told)}"

    def _lines(self, plan: BackupPlan) -> list[Record]:
        found = [line for line in self._ledger.since(plan.since) if line.get("machine") == plan.machine]
        if not plan.transfer:
            return found
        own = _of_transfer(found, plan.transfer)  # of a capture that was on record before: found further up
        return own or _of_transfer(records(self._shop.state, plan.machine), plan.transfer)

    def _path(self, name: str) -> Path:
        return plans.folder_of(self._shop.state) / f"{name}{SUFFIX}"

    def _save(self, plan: BackupPlan) -> BackupPlan:
        durable.replace(self._path(plan.id), codec.encode(plan))
        return plan


def _entries(plan: BackupPlan, lines: Iterable[Record]) -> list[tuple[str, int]]:
    """Program and revision, in the order of the dump; of a program that was punched again the last one."""
    came = [(line["program"], line["revision"]) for line in lines if line["event"] == "received"]
    return came if plan.transfer else list(dict(came).items())


def _of_transfer(lines: Iterable[Record], transfer: str) -> list[Record]:
    return [line for line in lines if transfer_of(line) == transfer]


def _dump(plan: BackupPlan, pieces: list[Piece], mark: str, closing: str) -> str:
    """The file of a backup: one capture as it came; several as one dump, and what cannot stand in one behind it."""
    if plan.transfer:
        return tape(mark, "".join(piece.text for piece in pieces), closing)
    dump = compose(pieces, mark, closing, mark or "%")
    return dump.text + "".join(tape(piece.mark_line or mark, piece.text, closing) for piece in dump.alone)


def _not_whole_name(plan: BackupPlan) -> str:
    file = Path(plan.file)
    return f"{file.stem}-not-whole{file.suffix}"


def _whole_in(text: str) -> list[str]:
    """Programs that stand whole in a damaged capture, as far as their names and the places of their ends can be read."""
    opening, _, rest = text.partition("\n")
    mark = opening[:1] or "%"
    parts = split(rest, opening, mark)
    closed = rest.rstrip("\n").rpartition("\n")[2].startswith(mark)
    return [part.name for part in (parts if closed else parts[:-1]) if DAMAGED_CHAR not in part.text]


def _title(piece: Piece) -> str:
    title = names.title_in(piece.text[: names.TITLE_CHARS])
    return f"{piece.program} ({printable(title)})" if title else piece.program


def _summary(record: Record) -> str:
    said = [f"{len(record['programs'])} program{'' if len(record['programs']) == 1 else 's'}"]
    said += [f"{len(record['changed'])} changed at the machine"] if record["changed"] else []
    said += [f"{len(record['missing'])} missing"] if record["missing"] else []
    said += [f"{len(record['unknown'])} not known to be there before"] if record["unknown"] else []
    return ", ".join(said)


def _receipt(
    record: Record, name: str, titles: list[str], chars: int, before: Mapping[str, str]
) -> list[tuple[str, object]]:
    numbers = dict(zip(record["programs"], record["revisions"], strict=True))
    reasons = receipts.reasons(record.get("reasons", ()))
    return [
        *record_pairs(Result.DAMAGED if reasons else Result.RECEIVED, record, titles[:1], name),
        ("backup", f"it did not come whole: {_summary(record)}" if reasons else _summary(record)),
        *reasons,
        ("size", f"{chars} characters"),
        *(("missing", f"{program}: {before[program]}") for program in record["missing"] if program in before),
        *(("unknown", f"{program}: not known to be in the control before") for program in record["unknown"]),
        *(("changed", f"{program}: revision {numbers[program]} from the machine") for program in record["changed"]),
        *(("program", title) for title in titles[1:]),
        ("caution", CAUTION),
        ("caution", CAUTION_LINK),
    ]
