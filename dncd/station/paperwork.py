"""The slow work of a station, done in the records and checks threads: files read, checked, prepared, put on record."""

import dataclasses
import hashlib
import itertools
import os
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.line.receiving import Alphabet, CaptureEnd, Ended, Receiving
from dncd.line.sending import Outcome, Shape
from dncd.program import dropped, names
from dncd.program.comparing import compare
from dncd.program.differences import lines as difference_lines
from dncd.program.rules import Rules
from dncd.program.splitting import Kind, split
from dncd.program.survey import Survey, body, survey
from dncd.records import durable, plans
from dncd.records.endings import Told as Written
from dncd.records.library import Text
from dncd.records.plans import InPlan, OutPlan, Part, Sent
from dncd.station.office import Office
from dncd.station.papers import Begun, Captured, Checked, Gone, Prepared, Spool, Told
from dncd.tape.capture import Capture, read_capture
from dncd.tape.codes import Coder
from dncd.tape.image import block_end, leader, significant_chunks, trailer
from dncd.values import (
    EndsOn,
    Finding,
    IsoBytes,
    MachineSettings,
    Result,
    Severity,
    WireBytes,
    printable,
    shown,
)

_IN_MEMORY: Final = 4 * 1024 * 1024
"""Characters of a tape image that are kept in memory; a larger one is read from a file as it goes out."""

_PIECE: Final = 65_536
_NOISE_CHARS: Final = 16
"""Characters without one good printable that are noise of the line (a machine switched on), not a capture."""

_DIFFERENCES: Final = 40


class Paperwork:
    """The slow work of one machine."""

    def __init__(self, office: Office, settings: MachineSettings) -> None:
        self._office, self._settings = office, settings
        self._coder = Coder.of(settings.tape, settings.line)
        self._folder = office.shop.folder / settings.name / "to-machine"
        self.stop_byte = bytes([self._signal(0x13)])
        self.go_byte = bytes([self._signal(0x11)])

    def _signal(self, char: int) -> int:
        return self._coder.encode(IsoBytes(bytes([char])))[0]

    def text_of(self, wire: bytes) -> str:
        """Coded characters as text, without their block end."""
        return self._coder.decode(WireBytes(wire)).chars.decode("latin-1").strip("\r\n\0")

    def receiving(self) -> Receiving:
        """The receiver for this machine's line."""
        tape, receive = self._settings.tape, self._settings.receive
        text = self._coder.encode(IsoBytes("".join(sorted(self._coder.codable)).encode()))
        mark = self._coder.encode(IsoBytes(tape.mark.encode()))[0] if tape.mark else -1
        alphabet = Alphabet.of(tape.code, self._settings.line.frame, mark, text, block_end(tape))
        line = self._settings.line
        return Receiving(alphabet, tape.code, ends_on=receive.ends_on, silence_s=receive.silence_s, char_s=line.char_s)

    # --- out -------------------------------------------------------------------------------------------------------

    def check(self, name: str) -> Checked | Gone:
        """Reads and checks a dropped file."""
        try:
            fd = durable.open_regular(self._folder / name)
        except FileNotFoundError:
            return Gone("it is not there any more")
        try:
            status = os.fstat(fd)
            identity = _identity(status)
            if status.st_size > defaults.FILE_BYTES:
                return self._too_large(name, status.st_size, identity)
            digest = hashlib.sha256()
            for chunk in durable.read_chunks(fd):
                digest.update(chunk)
            encoding = dropped.encoding_of(lambda: durable.read_chunks(fd))
            found = survey(lambda: durable.read_chunks(fd), encoding, self._rules())
            if _identity(os.fstat(fd)) != identity:
                return Gone("it was changed while it was read")
        finally:
            os.close(fd)
        return self._checked(
            name, digest.hexdigest(), size=status.st_size, encoding=encoding, found=found, identity=identity
        )

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

    def _too_large(self, name: str, size: int, identity: tuple[int, ...]) -> Checked:
        empty = dropped.Encoding(dropped.Codec.LATIN_1, dropped.LineEnds.RUNS, 0, 0)
        found = survey(lambda: [b""], empty, self._rules())
        what = f"the file has {size} bytes, more than the {defaults.FILE_BYTES} that dncd looks at; split it"
        digest = durable.sha256_of(self._folder / name)
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
        )

    def prepare(self, name: str, checked: Checked) -> Prepared | Gone:
        """Copies a checked file and makes its tape image, so that nothing that happens in the folder changes either."""
        state = self._office.shop.state
        transfer = plans.fresh_id(self._settings.name)
        copy, image = state / "outgoing" / f"{transfer}.file", state / "outgoing" / f"{transfer}.wire"
        try:
            _, digest = durable.copy_durable(self._folder / name, copy, defaults.FILE_BYTES)
        except FileNotFoundError:
            return Gone("it is not there any more")
        if digest != checked.sha256:
            durable.discard(copy)
            return Gone("it was changed")
        tape = self._settings.tape
        lead, trail = leader(tape, self._coder), trailer(tape, self._coder)
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
        end = self._coder.encode(IsoBytes(ends[-1].encode()))[0]
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

    def begin(self, name: str, checked: Checked, prepared: Prepared) -> Begun | Gone:
        """The last look before the start: the file must still be the one that was checked; then plan and revisions."""
        try:
            status = os.lstat(self._folder / name)
        except FileNotFoundError:
            status = None
        if status is None or _identity(status) != prepared.identity:
            for left in (prepared.copy, prepared.image):
                durable.discard(left)
            return Gone("it was taken away or changed")
        plan = self._plan(prepared.id, name, checked)
        plan = dataclasses.replace(
            plan,
            wire_chars=prepared.wire_chars,
            wire_sha256=prepared.wire_sha256,
            began=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            drip_feed="yes" if self._settings.send.drip_feed else "",
        )
        return Begun(self._office.endings.begin(plan, self._texts(checked, prepared)), prepared)

    def _texts(self, checked: Checked, prepared: Prepared) -> Iterable[tuple[str, Text, Mapping[str, str]]]:
        """Program, text and trailers of each revision: several programs between two marks are kept one by one."""
        more = {"File-SHA256": checked.sha256}
        if len(checked.survey.opening) > 1:
            more["Mark-Line"] = checked.survey.opening

        def pieces() -> Iterator[bytes]:
            for piece in body(lambda: durable.read_chunks(prepared.copy), checked.encoding, checked.survey):
                yield piece.encode("utf-8")

        if len(checked.programs) > 1 and checked.survey.chars <= _IN_MEMORY:
            whole = b"".join(pieces()).decode("utf-8")
            for part in split(whole, checked.survey.opening, self._settings.tape.mark or "%"):
                yield part.name or checked.programs[0], Text.of(part.text.encode("utf-8")), more
            return
        yield checked.programs[0], Text(pieces, sum(len(piece) for piece in pieces())), more

    def end(self, begun: Begun, outcome: Outcome, strays: bytes) -> Told:
        """A sending is over."""
        reasons = (outcome.reason,) if outcome.reason else ()
        if outcome.result is Result.INTERRUPTED:
            chars = f"{outcome.chars} of {begun.prepared.total_chars} characters were handed over"
            reasons = (f"{outcome.reason}; {chars}; delete what the control holds of it, then drop the file again",)
        notes = (f"the control said {shown(strays.decode('latin-1'))} while it was being sent",) if strays else ()
        ended = Sent(
            outcome.result.value, reasons, outcome.seconds, outcome.holds, outcome.held_s, outcome.chars, notes
        )
        durable.discard(begun.prepared.image)
        return self._told(begun.plan, self._office.endings.end_out(begun.plan, ended), ended)

    def refuse(self, name: str, checked: Checked) -> Told:
        """A file that must not be sent goes to refused/."""
        ended = Sent(Result.REFUSED.value, checked.refusals)
        plan = self._plan(plans.fresh_id(self._settings.name), name, checked)
        return self._told(plan, self._office.endings.end_out(plan, ended), ended)

    def withdraw(self, name: str, checked: Checked) -> Told:
        """A waiting file is taken back by a command."""
        ended = Sent(Result.WITHDRAWN.value, ("taken back at a keyboard before its start",))
        plan = self._plan(plans.fresh_id(self._settings.name), name, checked)
        return self._told(plan, self._office.endings.end_out(plan, ended), ended)

    def withdrawn_by_hand(self, name: str, checked: Checked) -> Told:
        """A waiting file was taken out of the folder."""
        plan = self._plan(plans.fresh_id(self._settings.name), name, checked)
        written = self._office.endings.withdrawn_by_hand(plan)
        return self._told(plan, written, Sent(Result.WITHDRAWN.value))

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

    # --- in ----------------------------------------------------------------------------------------------------------

    def spool(self, spool: Spool | None, data: bytes) -> Spool:
        """Adds bytes of a capture to its file, made with the first."""
        if spool is None:
            transfer = plans.fresh_id(self._settings.name)
            spool = Spool(transfer, self._office.shop.state / "captures" / f"{transfer}.raw")
        with spool.path.open("ab") as file:
            file.write(data)
        return spool

    def cut_short(self, raw: Path) -> None:
        """A capture that the last run did not finish: on record with all its characters."""
        size = raw.stat().st_size
        self.captured(Spool(raw.stem, raw), Ended(CaptureEnd.STOPPED, size, size, 0.0), (), 0.0)

    def captured(self, spool: Spool, ended: Ended, bad: tuple[int, ...], seconds: float) -> Captured:
        """A capture is over: decoded, split, named, compared, and put on record."""
        wire = WireBytes(spool.path.read_bytes())
        if ended.printable == 0 and ended.chars < _NOISE_CHARS:
            durable.remove(spool.path)
            return Captured(())
        receive = self._settings.receive
        capture = read_capture(wire, self._settings.tape, self._coder, receive.ends_on, bad)
        reasons = [fault.sentence() for fault in capture.faults]
        if (cut := self._unfinished(ended.why, capture)) and not reasons:
            reasons = [cut]
        part = wire[capture.start : capture.end]
        plan = InPlan(
            spool.id, self._settings.name, Result.DAMAGED.value, len(part), hashlib.sha256(part).hexdigest(), seconds
        )
        if reasons:
            name = names.safe_name(self._name_of(capture))
            plan = dataclasses.replace(plan, program=name, whole=capture.whole, reasons=tuple(reasons))
        else:
            plan = dataclasses.replace(plan, result=Result.RECEIVED.value, parts=tuple(self._parts(capture)))
        return Captured(tuple(told.record for told in self._office.endings.end_in(plan)))

    def _unfinished(self, why: CaptureEnd, capture: Capture) -> str:
        ends_on = self._settings.receive.ends_on
        if ends_on is EndsOn.MARK or why.value == ends_on.value:
            return ""
        if ends_on is EndsOn.SILENCE and why is CaptureEnd.DC4:
            return ""
        lines = capture.whole.count("\n") + 1
        return f"line {lines}: the capture ended by {why.value} before {ends_on.value} came; punch it out again"

    def _name_of(self, capture: Capture) -> str:
        parts = split(capture.text, capture.opening, self._settings.tape.mark or "%") if capture.text else ()
        return next((part.name for part in parts if part.name), _unnamed())

    def _parts(self, capture: Capture) -> Iterator[Part]:
        found = split(capture.text, capture.opening, self._settings.tape.mark or "%")
        for index, part in enumerate(found):
            name = part.name or (_unnamed() if part.kind is Kind.PROGRAM else part.kind.value.upper())
            title = f"{name} ({printable(part.title)})" if part.title else name
            mark = capture.opening if index == 0 else capture.opening[:1]
            yield self._compared(Part(name, title, part.text, mark))
        if not found:
            name = _unnamed()
            yield self._compared(Part(name, name, capture.text, capture.opening))

    def _compared(self, part: Part) -> Part:
        history = self._office.library.history(self._settings.name, part.program)
        if not history:
            return part
        newest = history[-1]
        text = self._office.library.blob(newest.blob).decode("utf-8")
        if text == part.text:
            told = "matched" if newest.origin.value == "office" else ""
            return dataclasses.replace(part, told=told, against=newest.number)
        lines = difference_lines(compare(text, part.text)) if max(len(text), len(part.text)) < _IN_MEMORY else ()
        short = tuple(printable(line) for line in itertools.islice(lines, _DIFFERENCES))
        return dataclasses.replace(part, told="differs", against=newest.number, differences=short)


def _unnamed() -> str:
    return f"UNNAMED-{datetime.now(UTC).strftime('%Y%m%dT%H%M%SZ')}"


def _identity(status: os.stat_result) -> tuple[int, ...]:
    return (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


def _sentences(findings: Iterable[Finding], severity: Severity) -> tuple[str, ...]:
    return tuple(printable(finding.sentence()) for finding in findings if finding.severity is severity)
