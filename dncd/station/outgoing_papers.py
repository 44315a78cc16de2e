"""The slow work of sending: dropped files read, checked, prepared and put on record, beside the line loop."""

import contextlib
import dataclasses
import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.choices import Announce, MachineEdits
from dncd.line.sending import Outcome, Shape
from dncd.peer_text import printable, shown
from dncd.program import dropped, names
from dncd.program.rules import Rules
from dncd.program.splitting import split
from dncd.program.survey import Survey, body, survey
from dncd.records import durable, plans
from dncd.records.endings import OnRecord as Written
from dncd.records.library import Text
from dncd.records.plans import Feed, OnWire, OutPlan, Sent, on_wire
from dncd.records.problems import Problem
from dncd.records.shop_folders import TO_MACHINE
from dncd.station.edits_desk import EditsDesk
from dncd.station.office import Office
from dncd.station.papers import Begun, Checked, Gone, Heard, Prepared, Told
from dncd.station.proven_desk import ProvenDesk
from dncd.tape.codes import Coder
from dncd.tape.image import block_end, leader, significant_chunks, trailer
from dncd.values import Finding, IsoBytes, MachineSettings, Result, Severity, WireBytes, fault_words

_IN_MEMORY: Final = 4 * 1024 * 1024
"""Characters of a tape image that are kept in memory; a larger one is read from a file as it goes out."""


class OutgoingPapers:
    """Of one machine. `check` and `prepare` are for the checks thread, the others for the records thread."""

    def __init__(self, office: Office, settings: MachineSettings) -> None:
        self._office, self._settings = office, settings
        self._coder = Coder.of(settings.tape, settings.line)
        self._folders = office.shop.folders
        self._desk = EditsDesk(
            settings,
            office.comparer,
            office.shop.extension,
            lambda program: office.held.checks.readback(settings.name, program),
        )
        self._proofs = ProvenDesk(settings, office.holdings)
        self.to_prove: set[str] = set()
        """SHA-256 of files that somebody wants sent for their prove-out."""
        self.over_edits: set[str] = set()
        """SHA-256 of files that somebody wants sent over an operator's edit: the next one of each, however it ends."""

    @property
    def blocked(self) -> Problem | None:
        """Why nothing may be sent to this machine: a transfer that nobody can tell the end of; None where all is well."""
        return self._office.blocked(self._settings.name)

    def _signal(self, code: int) -> WireBytes:
        return self._coder.signal(code, self._settings.line.dc_parity)

    def text_of(self, wire: bytes) -> str:
        """Coded characters as text, without their block end."""
        return self._coder.decode(WireBytes(wire)).chars.decode("latin-1").strip("\r\n\0")

    def check(self, name: str) -> Checked | Gone:
        """Reads and checks a dropped file."""
        path = self._folders.path_of(self._settings.name, TO_MACHINE) / name
        with durable.reporting("the dropped file cannot be read", path, durable.TRIED_AGAIN):
            try:
                fd = self._folders.open_drop(self._settings.name, name)
            except FileNotFoundError:
                return Gone("it is not there any more")
        try:
            status = os.fstat(fd)
            identity = _identity(status)
            digest = hashlib.sha256()
            for chunk in durable.read_chunks(fd):
                digest.update(chunk)
            if status.st_size > defaults.FILE_BYTES:
                return self._too_large(name, digest.hexdigest(), status.st_size, identity)
            encoding = dropped.encoding_of(lambda: durable.read_chunks(fd))
            found = survey(lambda: durable.read_chunks(fd), encoding, self._rules())
            if _identity(os.fstat(fd)) != identity:
                return Gone("it was changed while it was read")
            texts = self._texts_of(lambda: durable.read_chunks(fd), encoding, found, name)
            checked = self._checked(
                name, digest.hexdigest(), size=status.st_size, encoding=encoding, found=found, identity=identity
            )
            parts = () if found.refused else self._parts(lambda: durable.read_chunks(fd), checked)
            unproven = self._proofs.unproven(self._office.reader, parts)
        finally:
            os.close(fd)
        return self._against_proofs(name, self._against_edits(name, checked, texts), unproven)

    def _texts_of(
        self, chunks: dropped.Chunks, encoding: dropped.Encoding, found: Survey, name: str
    ) -> tuple[tuple[str, str], ...]:
        """Program and text of each program in a file, where edits are held; () for one too large to be edited at all."""
        if self._settings.program.machine_edits is MachineEdits.SEND or found.refused or found.chars > _IN_MEMORY:
            return ()
        whole = "".join(body(chunks, encoding, found))
        if len(found.programs) > 1:
            parts = split(whole, found.opening, self._settings.tape.mark or "%")
            return tuple((part.name, part.text) for part in parts if part.name)
        return ((found.name or names.safe_name(Path(name).stem), whole),)

    def _against_edits(self, name: str, checked: Checked, texts: tuple[tuple[str, str], ...]) -> Checked:
        """Refuses a file that lacks an edit of the operator, unless somebody said that it may be sent over it."""
        reader = self._office.reader
        checked = dataclasses.replace(checked, newest=self._desk.newest(reader, [program for program, _ in texts]))
        lost = self._desk.lost(reader, texts)
        if not lost:
            return checked
        if checked.sha256 in self.over_edits:
            return dataclasses.replace(checked, warnings=checked.warnings + self._desk.warnings(lost))
        return dataclasses.replace(checked, refusals=self._desk.refusals(lost, name))

    def _against_proofs(self, name: str, checked: Checked, unproven: tuple[str, ...]) -> Checked:
        """Refuses what is not proven where that is asked for, unless somebody sends it for its prove-out."""
        if not unproven:
            return checked
        if checked.sha256 in self.to_prove:
            return dataclasses.replace(checked, warnings=(*checked.warnings, self._proofs.warning(unproven)))
        return dataclasses.replace(checked, refusals=checked.refusals + self._proofs.refusals(unproven, name))

    def _new_edits(self, name: str, checked: Checked, prepared: Prepared) -> tuple[str, ...]:
        """What the operator punched out since the check, and the file lacks: sentences; in the records thread."""
        library = self._office.library
        texts = self._texts_of(lambda: durable.read_chunks(prepared.copy), checked.encoding, checked.survey, name)
        newest = self._desk.newest(library, [program for program, _ in texts])
        changed = [(program, text) for program, text in texts if newest.get(program) != checked.newest.get(program)]
        return self._desk.refusals(self._desk.lost(library, changed), name)

    def _checked(
        self, name: str, sha256: str, *, size: int, encoding: dropped.Encoding, found: Survey, identity: tuple[int, ...]
    ) -> Checked:
        stem = names.safe_name(Path(name).stem)
        heads = [(found.name or stem, found.title)]
        heads += [(p.name, p.title) for p in found.programs if p.name not in {h[0] for h in heads}]
        titles = tuple(f"{program} ({printable(title)})" if title else program for program, title in heads)
        return Checked(
            sha256,
            size,
            encoding,
            found,
            tuple(program for program, _ in heads),
            titles[:20],
            _sentences(found.findings, Severity.REFUSE),
            _sentences(found.findings, Severity.WARN),
            identity,
        )

    def _too_large(self, name: str, digest: str, size: int, identity: tuple[int, ...]) -> Checked:
        empty = dropped.Encoding(dropped.Codec.LATIN_1, dropped.LineEnds.RUNS, 0, 0)
        found = survey(lambda: [b""], empty, self._rules())
        what = f"the file has {size} bytes, more than the {defaults.FILE_BYTES} that dncd looks at; split it"
        checked = self._checked(name, digest, size=size, encoding=empty, found=found, identity=identity)
        return dataclasses.replace(checked, refusals=(what,), warnings=())

    def _rules(self) -> Rules:
        tape, program = self._settings.tape, self._settings.program
        return Rules(
            uncodable=self._coder.uncodable,
            mark=tape.mark,
            mark_at=tape.mark_at,
            lower_case=program.lower_case,
            longest_block_chars=program.longest_block_chars,
            memory_chars=0 if self._settings.send.drip_feed else program.memory_chars,
            block_end_chars=len(block_end(tape).chars),
            programs=program.programs,
            number_range=(program.lowest_number, program.highest_number),
            knows=lambda name: bool(self._office.reader.history(self._settings.name, name)),
            other_use=self._other_use,
            weights=dict(program.findings),
        )

    def _other_use(self, name: str, title: str) -> str:
        """Another title under the same number may be another part. Titles that only say more or less are the same."""
        history = self._office.reader.history(self._settings.name, name)
        if not history or not title:
            return ""
        known = self._office.reader.described(history[-1]).title
        if not known or known.casefold() in title.casefold() or title.casefold() in known.casefold():
            return ""
        return f"the library has {name} as {shown(known)} for this machine, and this file calls it {shown(title)}"

    def prepare(self, name: str, checked: Checked) -> Prepared | Gone:
        """Copies a checked file and makes its tape image, so that nothing that happens in the folder changes either."""
        state = self._office.shop.state
        transfer = plans.fresh_id(self._settings.name)
        copy, image = state / "outgoing" / f"{transfer}.file", state / "outgoing" / f"{transfer}.wire"
        with contextlib.ExitStack() as undo:  # what a full disk broke off leaves nothing
            undo.callback(durable.discard, image)
            undo.callback(durable.discard, copy)
            try:
                dropped_file = self._folders.open_drop(self._settings.name, name)
            except FileNotFoundError:
                return Gone("it is not there any more")
            undo.callback(os.close, dropped_file)
            _, digest = durable.copy_durable(dropped_file, copy, defaults.FILE_BYTES)
            if digest != checked.sha256:
                return Gone("it was changed")
            prepared = self._image(transfer, copy, image, checked)
            undo.pop_all()
            os.close(dropped_file)
        return prepared

    def _image(self, transfer: str, copy: Path, image: Path, checked: Checked) -> Prepared:
        """Makes the tape image of a copy; a small one stays in memory."""
        tape = self._settings.tape
        lead, trail = leader(tape, self._coder), trailer(tape, self._coder)
        if self._settings.send.announce is Announce.DC2_DC4:
            lead, trail = WireBytes(self._signal(0x12) + lead), WireBytes(trail + self._signal(0x14))
        sha256, chars, wire = hashlib.sha256(), 0, bytearray(lead)
        small = checked.survey.image_chars <= _IN_MEMORY
        with image.open("wb") as file:
            file.write(lead)
            for piece in self._significant(copy, checked):
                sha256.update(piece)
                chars += len(piece)
                if small:
                    wire += piece
                else:
                    file.write(piece)
            file.write(trail)
        if small:
            durable.discard(image)
            wire += trail
        ends = block_end(tape).chars
        end = self._coder.encode(IsoBytes(ends.encode()))
        wire_out = len(lead) + chars
        shape = Shape(wire_out - len(ends), wire_out, end)
        total = len(lead) + chars + len(trail)
        data = bytes(wire) if small else b""
        return Prepared(transfer, copy, image, data, total, chars, sha256.hexdigest(), shape, checked.identity)

    def _significant(self, copy: Path, checked: Checked) -> Iterator[WireBytes]:
        text = body(lambda: durable.read_chunks(copy), checked.encoding, checked.survey)
        return significant_chunks(
            checked.survey.opening, text, checked.survey.closing, self._settings.tape, self._coder
        )

    @staticmethod
    def put_away(prepared: Prepared) -> None:
        """Removes what `prepare` made; files that are gone are fine."""
        for left in (prepared.copy, prepared.image):
            durable.discard(left)

    def begin(self, name: str, checked: Checked, prepared: Prepared) -> Begun | Gone | Checked:
        """The last look before the start: the file must still be the one that was checked; then plan and revisions.

        Gives what was checked, with refusals, where the operator has punched out an edit meanwhile that the file lacks.
        """
        try:
            with self._folders.opened(self._settings.name, TO_MACHINE) as folder:
                status = os.lstat(folder / name)
        except FileNotFoundError:
            status = None
        if status is None or _identity(status) != prepared.identity:
            self.put_away(prepared)
            return Gone("it was taken away or changed")
        if edits := self._new_edits(name, checked, prepared):
            for left in (prepared.copy, prepared.image):
                durable.discard(left)
            return dataclasses.replace(checked, refusals=edits)
        self.over_edits.discard(checked.sha256)
        self.to_prove.discard(checked.sha256)
        plan = self._plan(prepared.id, name, checked)
        plan = dataclasses.replace(
            plan,
            wire_chars=prepared.wire_chars,
            wire_sha256=prepared.wire_sha256,
            began=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            drip_feed=Feed.DRIP if self._settings.send.drip_feed else Feed.STORED,
        )
        begun = self._office.endings.begin(
            plan,
            self._texts(checked, prepared),
            lambda made: self._proofs.standing(self._office.library, made),
        )
        return Begun(begun, prepared)

    def _texts(self, checked: Checked, prepared: Prepared) -> Iterable[tuple[str, Text, Mapping[str, str]]]:
        """Program, text and trailers of each revision: several programs between two marks are kept one by one."""
        more = {"File-SHA256": checked.sha256}
        if len(checked.survey.opening) > 1:
            more["Mark-Line"] = checked.survey.opening

        for program, text in self._parts(lambda: durable.read_chunks(prepared.copy), checked):
            yield program, text, more

    def _parts(self, chunks: dropped.Chunks, checked: Checked) -> Iterator[tuple[str, Text]]:
        """Each program of a file and its text."""

        def pieces() -> Iterator[bytes]:
            for piece in body(chunks, checked.encoding, checked.survey):
                yield piece.encode("utf-8")

        if len(checked.programs) > 1 and checked.survey.chars <= _IN_MEMORY:
            whole = b"".join(pieces()).decode("utf-8")
            for part in split(whole, checked.survey.opening, self._settings.tape.mark or "%"):
                yield part.name or checked.programs[0], Text.of(part.text.encode("utf-8"))
            return
        yield checked.programs[0], Text(pieces, sum(len(piece) for piece in pieces()))

    def end(self, begun: Begun, outcome: Outcome, heard: Heard) -> Told:
        """A sending is over."""
        reasons = (outcome.reason,) if outcome.reason else ()
        if outcome.result is Result.INTERRUPTED:
            chars = f"{outcome.chars} of {begun.prepared.total_chars} characters were handed over"
            reasons = (f"{outcome.reason}; {chars}; delete what the control holds of it, then drop the file again",)
        notes = outcome.notes
        if heard.strays:
            notes += (f"the control said {shown(heard.strays.decode('latin-1'))} while it was being sent",)
        faults = heard.counted.kinds()
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
            wire=self._on_wire(begun.prepared, outcome),
        )
        told = self._told(begun.plan, self._office.endings.end_out(begun.plan, ended), ended)
        durable.discard(begun.prepared.image)
        return told

    @staticmethod
    def _on_wire(prepared: Prepared, outcome: Outcome) -> OnWire | None:
        """What went out of an image that did not go whole."""
        if outcome.chars >= prepared.shape.wire_out:
            return None
        image = [prepared.wire] if prepared.wire else durable.read_chunks(prepared.image)
        return on_wire(image, prepared.shape.wire_out - prepared.wire_chars, outcome.chars)

    def new_id(self) -> str:
        """The name of one ending: the same for every try of it, so that a disk that fails doubles nothing."""
        return plans.fresh_id(self._settings.name)

    def _use_up_leave(self, checked: Checked) -> None:
        """What somebody allowed for a file was for this time alone."""
        self.over_edits.discard(checked.sha256)
        self.to_prove.discard(checked.sha256)

    def refuse(self, transfer: str, name: str, checked: Checked) -> Told:
        """A file that must not be sent goes to refused/."""
        self._use_up_leave(checked)
        ended = Sent(Result.REFUSED, checked.refusals)
        plan = self._plan(transfer, name, checked)
        return self._told(plan, self._office.endings.end_out(plan, ended), ended)

    def withdraw(self, transfer: str, name: str, checked: Checked) -> Told:
        """A waiting file is taken back by a command."""
        self._use_up_leave(checked)
        ended = Sent(Result.WITHDRAWN, ("taken back at a keyboard before its start",))
        plan = self._plan(transfer, name, checked)
        return self._told(plan, self._office.endings.end_out(plan, ended), ended)

    def withdrawn_by_hand(self, transfer: str, name: str, checked: Checked) -> Told:
        """A waiting file was taken out of the folder."""
        plan = self._plan(transfer, name, checked)
        self._use_up_leave(checked)
        written = self._office.endings.withdrawn_by_hand(plan)
        return self._told(plan, written, Sent(Result.WITHDRAWN))

    def _plan(self, transfer: str, name: str, checked: Checked) -> OutPlan:
        return OutPlan(
            transfer,
            self._settings.name,
            name,
            checked.sha256,
            checked.programs,
            checked.titles,
            checked.warnings,
        )

    @staticmethod
    def _told(plan: OutPlan, written: Written | None, ended: Sent) -> Told:
        if written is None:  # edited since it was checked: nothing was told, the new file is looked at
            return Told(plan.file, "", "", "", "", (), {})
        fields = written.record
        return Told(
            plan.file, ended.result, str(fields["time"]), written.path, written.receipt, written.reasons, fields
        )


def _disturbed(faults: Mapping[str, int]) -> str:
    return (
        f"what came from the control meanwhile was disturbed ({fault_words(faults)}), so a stop of the control may have"
        " been missed; look at the cable, its shield and the rate"
    )


def _identity(status: os.stat_result) -> tuple[int, ...]:
    return (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


def _sentences(findings: Iterable[Finding], severity: Severity) -> tuple[str, ...]:
    return tuple(printable(finding.sentence()) for finding in findings if finding.severity is severity)
