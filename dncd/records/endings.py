"""What is written when a transfer ends: library, ledger, file, receipt, in this order, each step repeatable.

Every step first looks whether it was done: a step that a power cut or a full disk stopped is done again, from its plan.
"""

import contextlib
import dataclasses
import hashlib
import itertools
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from dncd.ledger_lines import Fields, Record, transfer_of
from dncd.program.substance import Answer
from dncd.records import delivery, durable, plans, receipts, spool
from dncd.records import ending_words as words
from dncd.records.holdings import SignedOff
from dncd.records.ledger import Ledger, records
from dncd.records.library import Text, Writer
from dncd.records.orders import Orders
from dncd.records.plans import InPlan, OutPlan, Part, Sent
from dncd.records.problems import Stuck
from dncd.records.revisions import Revision
from dncd.records.shop_folders import TO_MACHINE, Claims, ShopFolders
from dncd.values import Origin, Result

TAKEN: Final = ".dncd-taken-"
"""Start of the hidden name under which a dropped file waits while its ending is written."""

FROM_MACHINE: Final = "from-machine"
DAMAGED: Final = "from-machine/damaged"


@dataclass(frozen=True, slots=True)
class Shop:
    """Where the folders are, and how files for the office are written. line_end: characters; extension: with its point."""

    state: Path
    folder: Path
    line_end: str
    extension: str
    folders: ShopFolders = field(init=False, compare=False)

    def __post_init__(self) -> None:
        """All who work with the machines' folders know the same of them."""
        object.__setattr__(self, "folders", ShopFolders(self.folder))


@dataclass(frozen=True, slots=True)
class OnRecord:
    """An ending that is on record. path: the file in the shop's folder, "" where none lies there."""

    record: Record
    path: str
    receipt: str
    reasons: tuple[str, ...]


class Endings:
    """Carries plans out. One thread only: the records thread."""

    def __init__(self, shop: Shop, ledger: Ledger, library: Writer) -> None:
        self.shop, self.ledger, self.library = shop, ledger, library
        self._again: set[str] = set()  # plans that were begun before: their ledger lines may be there already
        self._of_last_run: set[str] = set()
        self._finished: dict[str, list[OnRecord]] = {}  # on record, but their plan could not be removed yet
        self._written: tuple[str, dict[tuple[str, str], Record]] = ("", {})  # a plan, and its lines of an earlier try
        self.stuck, self.claims = Stuck(), Claims(shop.state, shop.folders)
        self.orders = Orders(shop.state)
        for name in ("underway", "outgoing", "captures"):
            durable.make_folder(shop.state / name)

    # --- out -------------------------------------------------------------------------------------------------------

    def begin(
        self,
        plan: OutPlan,
        texts: Iterable[tuple[str, Text, Mapping[str, str]]],
        proven: Callable[[Sequence[tuple[str, Revision]]], Iterable[SignedOff]] = lambda _made: (),
    ) -> OutPlan:
        """Before the first character: the plan and the office's revisions are durable. texts: program, text, trailers.
        proven: who signed each of these revisions off, or a text like it; number 0 where nobody did."""
        self.stuck.check(plan.machine)
        self.ledger.check()
        self.claims.check(plan.machine)
        plans.save(self.shop.state, plan)
        made: list[tuple[str, Revision]] = []
        for program, text, more in texts:
            trailers = {"Wire-SHA256": plan.wire_sha256, **more}
            made.append((program, self.library.revise(plan.machine, program, text, Origin.OFFICE, trailers)))
        plan = dataclasses.replace(
            plan,
            revised=tuple(program for program, _ in made),
            revisions=tuple(revision.number for _, revision in made),
            commits=tuple(revision.commit for _, revision in made),
            signed=tuple(proven(made)),
        )
        plans.save(self.shop.state, plan)
        return plan

    def end_out(self, plan: OutPlan, ended: Sent) -> OnRecord | None:
        """A dropped file has come to its end. None when the file was edited since and was never sent: nothing is told.
        May be called again after an error: what was written of the ending holds then, with the name that it chose."""
        with self.stuck.watched(plan.machine, plan.id, str(self.shop.folder / plan.machine)):
            if plan.id in self._finished:
                return self._finish(plan)[0]
            saved = plans.load(self.shop.state, plan.id)
            if isinstance(saved, OutPlan) and saved.ended is not None:
                return self._carried_out(saved)
            with self.shop.folders.opened(plan.machine, _where(ended)) as target:
                name = durable.free_name(target, plan.file)
            path = self.shop.folders.path_of(plan.machine, _where(ended)) / name
            plan = dataclasses.replace(plan, ended=words.placed(ended, path), placed_as=name)
            plans.save(self.shop.state, plan)
            return self._carried_out(plan)

    def carry_out(self, plan: OutPlan) -> OnRecord | None:
        with self.stuck.watched(plan.machine, plan.id, str(self.shop.folder / plan.machine)):
            return self._carried_out(plan)

    def _carried_out(self, plan: OutPlan) -> OnRecord | None:
        ended = plan.ended
        assert ended is not None  # noqa: S101 - only plans with an end come here
        again = plan.id in self._again
        self._again.add(plan.id)
        self._written = ("" if again else plan.id, {})
        opened, stored = self.shop.folders.opened, self.shop.state / "outgoing" / f"{plan.id}.file"
        if plan.batch.done + 1 < plan.batch.of and ended.result == Result.SENT:
            return self._piece(plan, ended, stored)
        with opened(plan.machine, TO_MACHINE) as drops, opened(plan.machine, _where(ended)) as target:
            taken = target / f"{TAKEN}{plan.id}"
            for moved in (taken, target / plan.placed_as) if again else ():
                _finish_move(drops / plan.file, moved)
                _finish_move(drops / taken.name, moved)
            if taken.exists() and not durable.holds(taken, plan.sha256):  # a cut came before a new drop was put back
                durable.place(taken, drops, plan.file)
            if plan.id in self._of_last_run and _is_torn(drops / plan.file, stored, plan.sha256):
                durable.remove(drops / plan.file)
            if not durable.holds(target / plan.placed_as, plan.sha256) and not taken.exists():
                _take(plan, drops / plan.file, taken, stored)
            if not taken.exists() and not durable.holds(target / plan.placed_as, plan.sha256):
                plans.remove(self.shop.state, plan)
                return None
            record = self._ledger_line(ended.result, plan.id, words.out_fields(plan, ended))
            self.orders.over(plan.machine, plan.file, plan.batch)
            final = _name_taken(taken, target, plan)
            receipts.write(final, words.out_receipt(plan, ended, record, final.name))
        durable.remove(stored)
        self._finished[plan.id] = [self._told(plan.machine, _where(ended), final.name, record, ended.reasons)]
        return self._finish(plan)[0]

    def _piece(self, plan: OutPlan, ended: Sent, stored: Path) -> OnRecord:
        """One piece of a batch went out whole: a ledger line and the count; the file stays where it is for the next."""
        record = self._ledger_line(ended.result, plan.id, words.out_fields(plan, ended))
        batch, first = plan.batch, plan.batch.first or record["time"]
        self.orders.count(plan.machine, dataclasses.replace(batch, done=batch.done + 1, file=plan.file, first=first))
        durable.remove(stored)
        path = self.shop.folders.path_of(plan.machine, TO_MACHINE) / plan.file
        self._finished[plan.id] = [OnRecord(record, str(path), "", ())]
        return self._finish(plan)[0]

    def _told(self, machine: str, where: str, name: str, record: Record, reasons: tuple[str, ...]) -> OnRecord:
        path = self.shop.folders.path_of(machine, where) / name
        return OnRecord(record, str(path), str(receipts.path_for(path)), reasons)

    def _finish(self, plan: OutPlan | InPlan) -> list[OnRecord]:
        """All of the ending is on record: its plan goes. Every try after a failure comes here and does nothing twice."""
        plans.remove(self.shop.state, plan)
        self._again.discard(plan.id)
        return self._finished.pop(plan.id)

    def again(self, plan_id: str) -> None:
        """This plan is from an earlier run: its ledger line may be there already."""
        self._again.add(plan_id)
        self._of_last_run.add(plan_id)

    def withdrawn_by_hand(self, plan: OutPlan) -> OnRecord:
        """Somebody took the waiting file out of the folder: a ledger line, nothing else."""
        fields = words.out_fields(plan, Sent(Result.WITHDRAWN, ("taken out of the folder before its start",)))
        self.orders.over(plan.machine, plan.file, plan.batch)
        self._written = (plan.id, {})
        return OnRecord(self._ledger_line(Result.WITHDRAWN, plan.id, fields), "", "", ())

    # --- in ----------------------------------------------------------------------------------------------------------

    def end_in(self, plan: InPlan) -> list[OnRecord]:
        """A capture has come to its end: good ones are delivered and become revisions, damaged ones are kept apart."""
        with self.stuck.watched(plan.machine, plan.id, str(self.shop.folder / plan.machine)):
            if plan.id in self._finished:
                return self._finish(plan)
            saved = plans.load(self.shop.state, plan.id)
            again = plan.id in self._again or saved is not None
            self._again.add(plan.id)
            self._written = ("" if again else plan.id, {})
            if isinstance(saved, InPlan):  # begun before: the names that it chose hold
                plan = saved
            else:
                plans.save(self.shop.state, plan)
            if plan.result == Result.DAMAGED:
                with self.shop.folders.opened(plan.machine, DAMAGED) as folder:
                    told = [self._damaged(plan, folder)]
            else:
                told = [self._received(plan, part, index) for index, part in enumerate(plan.parts)]
                durable.remove(self.shop.state / "captures" / f"{plan.id}{spool.RAW}")
            self._finished[plan.id] = told
            return self._finish(plan)

    def _damaged(self, plan: InPlan, folder: Path) -> OnRecord:
        data = plan.whole.replace("\n", self.shop.line_end).encode("utf-8")
        digest = hashlib.sha256(data).hexdigest()
        if not plan.placed_as:
            plan = dataclasses.replace(plan, placed_as=durable.free_name(folder, plan.program + self.shop.extension))
            plans.save(self.shop.state, plan)
        fields = words.file_fields(plan.machine, plan.program, plan.placed_as, digest)
        fields |= {"reasons": list(plan.reasons[:5]), **words.in_wire_fields(plan)}
        record = self._ledger_line(Result.DAMAGED, plan.id, fields)
        path = folder / plan.placed_as
        if not durable.holds(path, digest):
            if path.exists():
                path = folder / durable.free_name(folder, plan.placed_as)
            durable.write_new(path, [data], durable.SHARED_FILE_MODE)
        pairs = [
            *words.head_pairs(record, [plan.program], path.name, plan.reasons),
            *receipts.reasons(plan.reasons),
            *words.wire_pairs(plan.wire_chars, plan.wire_sha256, plan.seconds),
            *words.fault_pairs(plan.line_faults),
            ("raw", f"captures/{plan.id}{spool.KEPT} in the state folder holds the characters as they came"),
        ]
        receipts.write(path, pairs)
        raw = self.shop.state / "captures" / f"{plan.id}{spool.RAW}"
        if raw.exists():
            spool.keep_damaged(raw)
        return self._told(plan.machine, DAMAGED, path.name, record, plan.reasons)

    def _received(self, plan: InPlan, part: Part, index: int) -> OnRecord:
        text = part.text.encode("utf-8")
        trailers = {"Wire-SHA256": plan.wire_sha256}
        if len(part.mark_line) > 1:
            trailers["Mark-Line"] = part.mark_line
        history = self.library.history(plan.machine, part.program) if part.known else []
        if part.known and part.against <= len(history):
            # no new revision, also where it is not the newest that was sent
            revision = history[part.against - 1]
        else:
            revision = self.library.revise(plan.machine, part.program, Text.of(text), Origin.MACHINE, trailers)
        data = words.file_of(part, self.shop.line_end)
        digest = hashlib.sha256(data).hexdigest()
        name = durable.tidy_name(part.program + self.shop.extension)
        fields = words.file_fields(plan.machine, part.program, name, digest)
        fields |= {"revision": revision.number, "commit": revision.commit, **words.in_wire_fields(plan)}
        if part.sure:
            fields["sure"] = part.sure
        if part.like:
            fields["like"] = part.like
        transfer = f"{plan.id}.{index}"
        record = self._ledger_line(Result.RECEIVED, transfer, fields)
        if part.told:
            more = words.file_fields(plan.machine, part.program, name, digest)
            more |= {"revision": revision.number, "against": part.against}
            if part.how and part.how != Answer.CHANGED:
                more["how"] = part.how
            if part.spelling:
                more["spelling"] = part.spelling
            self._ledger_line(part.told, transfer, more)
        with self.shop.folders.opened(plan.machine, FROM_MACHINE) as folder:
            path = folder / name
            # first: the receipt that goes knows the one before
            beside = _beside(path, part, transfer, self.shop.line_end)
            if aside := _deliver(path, data, transfer):
                aside = f"{name} had been edited in the folder; what was there lies beside it as {aside}"
            head = words.head_pairs(record, [part.title], name, [words.compared_with(part)], words.to_do_about(part))
            receipts.write(path, [*head, *words.in_pairs(plan, part, revision.number, aside, beside)])
        return self._told(plan.machine, FROM_MACHINE, name, record, ())

    # --- both --------------------------------------------------------------------------------------------------------

    def _ledger_line(self, event: str, transfer: str, fields: Fields) -> Record:
        """The line of an earlier try, else a new one. The ledger is read once for all programs of a capture."""
        own = transfer.split(".", 1)[0]
        if self._written[0] != own:
            lines = (r for r in records(self.shop.state) if transfer_of(r) == own)
            self._written = (own, {(r["event"], r["transfer"]): r for r in lines})
        there = self._written[1].get((event, transfer))
        return there or self.ledger.append(event, {**fields, "transfer": transfer})


def _where(ended: Sent) -> str:
    return "sent" if ended.result == Result.SENT else "refused"


def _take(plan: OutPlan, source: Path, taken: Path, stored: Path) -> None:
    """Gets the very bytes that were checked under the hidden name; an edited file goes back where it was."""
    # in its own folder first: at one instant, whatever somebody lays there meanwhile
    held = source.with_name(taken.name)
    if not held.exists():
        with contextlib.suppress(FileNotFoundError):
            durable.DISK.rename(source, held)
    if durable.holds(held, plan.sha256):
        durable.sync_file(held)  # nobody in the office syncs
        durable.move_new(held, taken)
        return
    if held.exists():
        durable.place(held, source.parent, plan.file)
    if stored.exists():
        durable.write_new(taken, durable.read_chunks(stored), durable.SHARED_FILE_MODE)


def _is_torn(dropped: Path, stored: Path, sha256: str) -> bool:
    """Whether a file is what a power cut left of the checked one: pieces of it, nothing or zeros in place of the others."""
    try:
        pieces = itertools.zip_longest(durable.read_chunks(dropped), durable.read_chunks(stored), fillvalue=b"")
        like = all(whole.startswith(torn.rstrip(b"\0")) for torn, whole in pieces)
    except OSError:
        return False
    return like and not durable.holds(dropped, sha256)


def _finish_move(source: Path, target: Path) -> None:
    """After a cut: a file under both names, for not every disk binds both halves of a rename, keeps the new one alone."""
    with contextlib.suppress(FileNotFoundError):
        if os.path.samestat(source.lstat(), target.lstat()):
            durable.fsync_dir(target.parent)
            durable.remove(source)


def _name_taken(taken: Path, target: Path, plan: OutPlan) -> Path:
    if taken.exists():
        try:
            durable.move_new(taken, target / plan.placed_as)
        except FileExistsError:
            return durable.place(taken, target, plan.file)
    return target / plan.placed_as


def _deliver(path: Path, data: bytes, transfer: str) -> str:
    """Over an older delivery (the library keeps it); the name of what somebody had saved there and was set aside."""
    receipt = receipts.path_for(path)
    before = receipts.read(receipt).get("sha256") if receipt.exists() else ""
    aside = delivery.deliver(path, data, before, path.parent / f"{delivery.OVER}{transfer}")
    durable.remove(receipt)  # the one of before; the new one is written last
    return aside


def _beside(path: Path, part: Part, transfer: str, line_end: str) -> words.Beside:
    """Lays the office's own text with the edit beside a delivery, and takes away the one of before."""
    name = f"{path.stem} (office text with the edit){path.suffix}"
    beside, receipt = path.with_name(name), receipts.path_for(path)
    before = receipts.read(receipt).get(words.BESIDE_SHA256) if receipt.exists() else ""
    if part.carried:
        data = words.file_of(dataclasses.replace(part, text=part.carried), line_end)
        over = path.parent / f"{delivery.OVER}{transfer}.edit"
        delivery.deliver(beside, data, before, over)
        return words.Beside(name, hashlib.sha256(data).hexdigest())
    if not before or not durable.holds(beside, before):
        return words.Beside()
    if part.against and not part.told:  # the same edit, punched once more
        return words.Beside(name, before)
    durable.remove(beside)
    return words.Beside()
