"""The jobs of sending that other threads do: dropped files are copied, read once, checked, imaged and put on record."""

import contextlib
import dataclasses
import functools
import hashlib
import io
import os
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.line.outgoing import Outcome
from dncd.outside.comparer import Comparer
from dncd.peer_text import printable, shown
from dncd.program import dropped, names
from dncd.program.program_checks import Rules, Saved
from dncd.program.splitting import split
from dncd.program.survey import Survey, body, survey
from dncd.records import durable, plans
from dncd.records.endings import OnRecord
from dncd.records.holdings import Holdings, in_part
from dncd.records.library import Text
from dncd.records.plans import Counted, Feed, OutPlan, ReaderOff, Sent
from dncd.records.shop_folders import TO_MACHINE, identity
from dncd.records.store import Store
from dncd.station import events as ev
from dncd.station.gates import Gates, Texts
from dncd.station.imaging import IN_MEMORY, image_of, put_away, went_out
from dncd.station.results import NO_IMAGE, Begun, Checked, FileEnding, Gone, Heard, Outdated, Outlook, Prepared, TakenIn
from dncd.station.tally import taken_back
from dncd.tape.codes import Coder
from dncd.values import Finding, Keys, MachineSettings, Result, Severity, fault_words

_ALWAYS: Final = 3
"""Programs in succession after which a control switched its reader off, that it is taken to do so always."""


class SendJobs:
    """Of one machine. Each job runs in the thread that it names."""

    def __init__(self, store: Store, comparer: Comparer, settings: MachineSettings) -> None:
        self._store, self._settings = store, settings
        self._coder = Coder.of(settings.tape, settings.line)
        self._folders = store.shop.folders
        self.gates = Gates(store, comparer, settings)

    def do(self, job: ev.FileJob) -> object:
        """Does a job; its result is as the job says. Errors of the disk as they come."""
        match job:
            case ev.TakeIn():
                return self.take_in(job)
            case ev.PutAway():
                put_away(job.prepared)
            case ev.Begin():
                return self.begin(job)
            case ev.NextPiece():
                with job.image.open("rb") as file:
                    file.seek(job.at)
                    return file.read(job.chars)
            case ev.Dismiss():
                return self.dismiss(job)
            case ev.End():
                return self.end(job)
            case ev.Return():
                plans.remove(self._store.shop.state, job.begun.plan)
            case ev.Weigh():
                parts = self._parts(_kept(job.prepared.copy, job.checked.size), job.checked, job.prepared)
                return self.gates.outlook(self._store.reader, parts)
            case ev.KeepOrder():
                self._store.orders.put(self._settings.name, dict(job.front), job.behind)
        return job

    # --- in: in the checks thread --------------------------------------------------------------------------------------

    def take_in(self, job: ev.TakeIn) -> TakenIn | Checked | Gone:
        """A small file is read once, into memory. Of a large one the copy is read instead of the file, if one is made."""
        path = self._folders.path_of(self._settings.name, TO_MACHINE) / job.name
        transfer = plans.fresh_id(self._settings.name)
        with durable.reporting("the dropped file cannot be read", path, durable.TRIED_AGAIN):
            try:
                fd = self._folders.open_drop(self._settings.name, job.name)
            except FileNotFoundError:
                return Gone("it is not there any more")
        with contextlib.ExitStack() as undo:
            undo.callback(os.close, fd)
            status = os.fstat(fd)
            if status.st_size > defaults.FILE_BYTES:
                return _too_large(transfer, job.name, fd, status)
            outgoing = self._store.shop.state / "outgoing"
            copy, image = outgoing / f"{transfer}.file", outgoing / f"{transfer}.wire"
            with contextlib.ExitStack() as made:  # what a full disk broke off, and what is refused, leaves nothing
                made.callback(durable.discard, image)
                made.callback(durable.discard, copy)
                source = _Source(fd, status.st_size, job.scope, copy)
                found = survey(source.chunks, source.encoding, self._rules(status))
                if identity(os.fstat(fd)) != identity(status):
                    return Gone("it was changed while it was read")
                checked = self._judged(self._checked(transfer, job.name, source, found, status), source, job.name)
                if checked.refusals:
                    return checked
                if job.scope is ev.Scope.CHECK:
                    seen = self.gates.outlook(self._store.reader, self._parts(source.chunks, checked))
                    return TakenIn(dataclasses.replace(checked, outlook=Outlook(text_of=seen.text_of)))
                prepared = image_of(source.chunks, copy, image, checked, settings=self._settings, coder=self._coder)
                parts = self._parts(source.chunks, checked, prepared)
                checked = dataclasses.replace(checked, outlook=self.gates.outlook(self._store.reader, parts))
                source.keep()
                made.pop_all()
        return TakenIn(checked, prepared)

    def look_at(self, name: str, data: bytes) -> Checked:
        """What would be said of a file of this name, of a few megabytes at most, if it were dropped now."""
        with open(os.memfd_create("look"), "w+b", buffering=0) as file:  # noqa: PTH123 - in memory alone
            file.write(data)
            status = os.fstat(file.fileno())
            source = _Source(file.fileno(), status.st_size, ev.Scope.CHECK, Path())
            found = survey(source.chunks, source.encoding, self._rules(status))
            checked = self._judged(self._checked("", name, source, found, status), source, name)
            return _with_parts(checked, self._store.holdings(), self._settings.name)

    def _judged(self, checked: Checked, source: "_Source", name: str) -> Checked:
        texts = self._texts_of(source.chunks, checked, name)
        parts = () if checked.survey.refused else self._parts(source.chunks, checked)
        return self.gates.judged(self._store.reader, checked, texts, parts, name if checked.id else "")

    def _texts_of(self, chunks: dropped.Chunks, checked: Checked, name: str) -> Texts:
        """Program and text of each program in a file, where edits are held; () for one too large to be edited at all."""
        found = checked.survey
        if not self.gates.hold_edits or found.refused or found.chars > IN_MEMORY:
            return ()
        whole = dropped.replaced("".join(body(chunks, checked.encoding, found)), self._settings.program.replace)
        if len(found.programs) > 1:
            parts = split(whole, found.opening, self._settings.tape.mark or "%", self._settings.program.ends)
            return tuple((part.name, part.text) for part in parts if part.name)
        return ((found.name or names.safe_name(Path(name).stem), whole),)

    def _checked(self, transfer: str, name: str, source: "_Source", found: Survey, status: os.stat_result) -> Checked:
        stem = names.safe_name(Path(name).stem)
        heads = [(found.name or stem, found.title)]
        heads += [(p.name, p.title) for p in found.programs if p.name not in {h[0] for h in heads}]
        titles = tuple(f"{program} ({printable(title)})" if title else program for program, title in heads)
        return Checked(
            transfer,
            tuple(program for program, _ in heads),
            source.sha256,
            status.st_size,
            source.encoding,
            found,
            titles[:20],
            _sentences(found.findings, Severity.REFUSE),
            _sentences(found.findings, Severity.WARN),
            identity(status),
            batch=self._store.orders.batch(self._settings.name, name, source.sha256, self._settings.send.again),
        )

    def _rules(self, status: os.stat_result) -> Rules:
        program = self._settings.program
        return Rules(
            uncodable=self._coder.uncodable,
            tape=self._settings.tape,
            memory_chars=0 if self._settings.send.drip_feed else program.memory_chars,
            knows=lambda name: bool(self._store.reader.history(self._settings.name, name)),
            other_use=self._other_use,
            program=program,
            saved=Saved.BEFORE_CUT if identity(status) in self._store.lay_at_cut else Saved.SINCE_START,
        )

    def _other_use(self, name: str, title: str) -> str:
        """Another title under the same number may be another part. Titles that only say more or less are the same."""
        history = self._store.reader.history(self._settings.name, name)
        if not history or not title:
            return ""
        known = self._store.reader.described(history[-1]).title
        if not known or known.casefold() in title.casefold() or title.casefold() in known.casefold():
            return ""
        return f"the library has {name} as {shown(known)} for this machine, and this file calls it {shown(title)}"

    # --- on record: in the records thread --------------------------------------------------------------------------------

    def begin(self, job: ev.Begin) -> Begun | Gone | Outdated:
        """The last look before the start: the file must still be the one that was checked; then plan and revisions. The
        copy is read once. Nothing is compared here: the records of another machine would wait for it."""
        checked, prepared, library = job.checked, job.prepared, self._store.library
        try:
            with self._folders.opened(self._settings.name, TO_MACHINE) as folder:
                status = os.lstat(folder / job.name)
        except FileNotFoundError:
            status = None
        if status is None or identity(status) != checked.identity:
            return Gone("it was taken away or changed")
        if self.gates.outdated(library, checked, job.name):
            return Outdated()
        chunks = _kept(prepared.copy, checked.size)
        self.gates.leaves.use_up(checked.sha256, job.name)
        plan = dataclasses.replace(
            self._plan(job.name, _with_parts(checked, self._store.holdings(), self._settings.name)),
            wire_chars=prepared.wire_chars,
            wire_sha256=prepared.wire_sha256,
            began=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            drip_feed=Feed.DRIP if self._settings.send.drip_feed else Feed.STORED,
        )
        try:
            return Begun(
                self._store.endings.begin(
                    plan, self._revised(chunks, checked, prepared), lambda made: self.gates.standing(library, made)
                )
            )
        except Exception:
            durable.discard(plans.path_of(self._store.shop.state, plan.id))  # of a sending that never was
            raise

    def _revised(
        self, chunks: dropped.Chunks, checked: Checked, prepared: Prepared
    ) -> Iterable[tuple[str, Text, Mapping[str, str]]]:
        """Program, text and trailers of each revision: several programs between two marks are kept one by one."""
        more = {"File-SHA256": checked.sha256}
        if len(checked.survey.opening) > 1:
            more["Mark-Line"] = checked.survey.opening
        for program, text in self._parts(chunks, checked, prepared):
            yield program, text, more

    def _parts(
        self, chunks: dropped.Chunks, checked: Checked, prepared: Prepared = NO_IMAGE
    ) -> Iterator[tuple[str, Text]]:
        """Each program of a file and its text. prepared: what its image told of the text, where it is made."""

        def pieces() -> Iterator[bytes]:
            for piece in body(chunks, checked.encoding, checked.survey):
                yield piece.encode("utf-8")

        if len(checked.programs) > 1 and checked.survey.chars <= IN_MEMORY:
            whole, program = b"".join(pieces()).decode("utf-8"), self._settings.program
            outgoing, kept = dropped.replaced(whole, program.replace), io.StringIO(whole)  # of as many lines
            for part in split(outgoing, checked.survey.opening, self._settings.tape.mark or "%", program.ends):
                text = "".join(islice(kept, part.text.count("\n")))
                yield part.name or checked.programs[0], Text.of(text.encode("utf-8"))
            return
        size = sum(map(len, pieces())) if prepared is NO_IMAGE else prepared.text_bytes
        yield checked.programs[0], Text(pieces, size, prepared.facts)

    def end(self, job: ev.End) -> FileEnding:
        """A sending is over. What is told of its characters is what went over the line."""
        outcome, heard, plan, prepared = job.outcome, job.heard, job.begun.plan, job.prepared
        nothing = heard.written == 0
        reasons = (outcome.reason,) if outcome.reason else ()
        if outcome.result is Result.INTERRUPTED:
            chars = f"{outcome.chars} of {prepared.total_chars} characters were handed over"
            to_do = "drop the file again" if nothing else self._settings.keys.delete_first
            reasons = (f"{outcome.reason}; {chars}; {to_do}",)
        notes = outcome.notes + _replaced(job.checked.survey, self._settings)
        if heard.strays:
            notes += (f"the control said {shown(heard.strays.decode('latin-1'))} while it was being sent",)
        before = self._store.holdings().checks.reader_off(self._settings.name)
        doubts = _doubts(outcome, heard, self._settings.keys, before)
        faults = heard.counted.kinds()
        off = ReaderOff.NOT_SEEN if outcome.reader_off_at is None else ReaderOff.SEEN
        warnings = (*heard.warnings, _disturbed(faults)) if faults else heard.warnings
        ended = Sent(
            outcome.result,
            reasons,
            outcome.seconds,
            outcome.holds,
            outcome.held_s,
            outcome.chars,
            notes,
            warnings,
            faults,
            Counted.NOTHING if nothing else Counted.SEEN,
            went_out(prepared, outcome.chars),
            off,
            heard.port_losses,
            doubts,
        )
        told = _told(plan, self._store.endings.end_out(plan, ended), ended)
        durable.discard(prepared.image)
        return told

    def dismiss(self, job: ev.Dismiss) -> FileEnding:
        """A file ends that was not sent: refused, withdrawn by a command, or taken out of the folder."""
        plan, endings = self._plan(job.name, job.checked), self._store.endings
        self.gates.leaves.use_up(job.checked.sha256, job.name)
        match job.verdict:
            case ev.Verdict.REFUSED:
                ended = Sent(Result.REFUSED, job.checked.refusals)
            case ev.Verdict.WITHDRAWN:
                ended = Sent(Result.WITHDRAWN, (f"{taken_back(job.by)} before its start",))
            case ev.Verdict.TAKEN_AWAY:
                ended = Sent(Result.WITHDRAWN)
        by_hand = job.verdict is ev.Verdict.TAKEN_AWAY
        told = endings.withdrawn_by_hand(plan) if by_hand else endings.end_out(plan, ended)
        put_away(job.prepared)
        return _told(plan, told, ended)

    def _plan(self, name: str, checked: Checked) -> OutPlan:
        return OutPlan(
            checked.id,
            self._settings.name,
            name,
            checked.sha256,
            checked.programs,
            checked.titles,
            checked.warnings,
            batch=checked.batch,
        )


def _with_parts(checked: Checked, held: Holdings, machine: str) -> Checked:
    """With a warning where the control may hold a part of one of its programs now."""
    return dataclasses.replace(checked, warnings=in_part(held, machine, checked.programs) + checked.warnings)


def _too_large(transfer: str, name: str, fd: int, status: os.stat_result) -> Checked:
    what = f"the file has {status.st_size} bytes, more than the {defaults.FILE_BYTES} that dncd looks at; split it"
    digest, stem = hashlib.sha256(), names.safe_name(Path(name).stem)
    for chunk in durable.read_chunks(fd):
        digest.update(chunk)
    return Checked(
        transfer,
        (stem,),
        digest.hexdigest(),
        status.st_size,
        titles=(stem,),
        refusals=(what,),
        identity=identity(status),
    )


class _Source:
    """A dropped file as it is read: one pass over it finds digest and encoding, and copies it or keeps it in memory.
    copy: where a large file is copied to as it is read, and a small one by `keep`."""

    def __init__(self, fd: int, size: int, scope: ev.Scope, copy: Path) -> None:
        self._copy, self._digest, self._reading = copy, hashlib.sha256(), dropped.EncodingReader()
        self._small = size <= IN_MEMORY
        self._data = b""
        self.chunks: dropped.Chunks = lambda: [self._data]
        if self._small:
            self._data = b"".join(self._seen(fd))
        elif scope is ev.Scope.IMAGE:
            durable.write_new(copy, self._seen(fd))
            self.chunks = lambda: durable.read_chunks(copy)
        else:
            for _ in self._seen(fd):
                pass
            self.chunks = lambda: durable.read_chunks(fd)
        self.sha256, self.encoding = self._digest.hexdigest(), self._reading.result()

    def _seen(self, fd: int) -> Iterator[bytes]:
        for chunk in durable.read_chunks(fd):
            self._digest.update(chunk)
            self._reading.feed(chunk)
            yield chunk

    def keep(self) -> None:
        if self._small:
            durable.write_new(self._copy, [self._data])


def _kept(copy: Path, size: int) -> dropped.Chunks:
    """The chunks of a copy; a small one is read once, when it is wanted first."""
    if size > IN_MEMORY:
        return lambda: durable.read_chunks(copy)
    return functools.cache(lambda: [b"".join(durable.read_chunks(copy))])


def _told(plan: OutPlan, told: OnRecord | None, ended: Sent) -> FileEnding:
    if told is None:  # edited since it was checked: nothing was told, the new file is looked at
        return FileEnding(plan.file)
    return FileEnding(plan.file, ended.result, told.path, told.receipt, told.reasons, told.record)


def _doubts(outcome: Outcome, heard: Heard, keys: Keys, before: int) -> tuple[str, ...]:
    """Why it is not sure that the control read all that went out. before: programs in succession after which it switched its
    reader off."""
    if outcome.result is not Result.SENT:
        return ()
    found = []
    if outcome.read_anew_at:
        found.append(
            f"the control said DC1 after {outcome.read_anew_at} characters, without a stop before: where {keys.reset} and"
            f" {keys.read} were pressed there it has the rest alone; delete that there, then send again"
        )
    if heard.early_s and not outcome.holds and outcome.reader_off_at is None:
        found.append(
            f"the control asked for it {heard.early_s:.0f} s before it was dropped and has said nothing since, so nothing"
            " proves that it was read: look whether the control has it"
        )
    if heard.awaited and before >= _ALWAYS:
        found.append(
            f"the control did not switch its reader off behind the program, as it did after the last {before}: look whether"
            " it has read it, and send it again if not"
        )
    return tuple(found)


def _replaced(found: Survey, settings: MachineSettings) -> tuple[str, ...]:
    table = dict(settings.program.replace)
    said = ", ".join(f"{char} by {table[char]} ({times} x)" for char, times in found.replaced)
    return (f"replaced, as program.replace says: {said}; the library has the text as it was dropped",) if said else ()


def _disturbed(faults: Mapping[str, int]) -> str:
    return (
        f"what came from the control meanwhile was disturbed ({fault_words(faults)}), so a stop of the control may have"
        " been missed; look at the cable, its shield and the rate"
    )


def _sentences(findings: Iterable[Finding], severity: Severity) -> tuple[str, ...]:
    return tuple(printable(finding.sentence()) for finding in findings if finding.severity is severity)
