"""The slow work of receiving: captures kept as they come, decoded, named, compared and put on record."""

import dataclasses
import hashlib
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Final

from dncd import defaults
from dncd.choices import EndsOn, Protocol, TapeCode
from dncd.errors import RecordsError
from dncd.line.receivers import is_noise, unfinished
from dncd.line.receiving import CaptureEnd, Ended
from dncd.outside.comparer import Comparer
from dncd.outside.disk_room import free_bytes
from dncd.peer_text import printable
from dncd.program import names
from dncd.program.edits import Version
from dncd.program.habits import otherwise
from dncd.program.readback import Reading
from dncd.program.splitting import Kind, split
from dncd.program.substance import Answer
from dncd.records import durable, overflow, plans
from dncd.records.checks import Readback
from dncd.records.endings import DAMAGED
from dncd.records.library import Text, blob_name
from dncd.records.plans import Comparison, Evidence, InPlan, Part
from dncd.records.revisions import Revision
from dncd.records.spool import CaptureSpool, Leftover
from dncd.records.store import Store
from dncd.station.events import Append, CaptureJob, Keep
from dncd.station.ration import Ration
from dncd.station.results import Captured, Damage
from dncd.tape.capture import Capture, read_capture
from dncd.tape.codes import Coder
from dncd.values import NO_FAULTS, Counters, MachineSettings, Result, WireBytes, fault_words

_COMPARED_CHARS: Final = 4 * 1024 * 1024
"""Characters above which a program that came back is only said to differ, not compared block by block."""


UNNAMED: Final = "UNNAMED-"


class CaptureJobs:
    """Of one machine. Characters are added in the captures thread, all else is for the records thread."""

    def __init__(
        self, store: Store, comparer: Comparer, settings: MachineSettings, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._store, self._comparer, self._settings, self._clock = store, comparer, settings, clock
        self._ration = Ration()
        self._planned: InPlan | None = None
        self._coder = Coder.of(settings.tape, settings.line)
        self._spools: dict[int, CaptureSpool] = {}

    def do(self, job: CaptureJob) -> object:
        """Does a job; its result is as the job says. RecordsError: none of it is done; the same may be given again."""
        match job:
            case Append():
                return self.append(job)
            case Keep():
                captured = self.captured(self._spools[job.capture], job.ended, job.damage, job.seconds)
                del self._spools[job.capture]
                return captured

    def append(self, job: Append) -> int:
        """Adds characters to the file of a capture, which is made with the first of them; gives its size."""
        spool = self._spools.get(job.capture)
        if spool is None:
            spool = CaptureSpool(self._store.shop.state, plans.fresh_id(self._settings.name))
            self._spools[job.capture] = spool
        if job.data:
            spool.append(job.data)
        return spool.size

    def captured(self, spool: CaptureSpool, ended: Ended, damage: Damage, seconds: float) -> Captured:
        """A capture is over: decoded, split, named, compared, and put on record."""
        wire = WireBytes(b"".join(spool.chunks()))
        if is_noise(ended) and not damage.of_memory:
            spool.remove()
            return Captured(())
        plan = self._planned
        if plan is None or plan.id != spool.id:  # else the disk failed over this very plan: its names stay the same
            plan = self._planned = self._plan(spool.id, wire, ended.why, damage, seconds)
        if plan.result == Result.DAMAGED or any(part.program.startswith(UNNAMED) for part in plan.parts):
            if too_many := self._too_many():
                return self._sum_up(spool, wire, too_many)
            captured = self._record(plan)
            self._ration.keep(len(wire), self._clock())
        else:
            captured = self._record(plan)
        self._planned = None
        spool.close()
        self._tell_overflow()
        return captured

    def cut_short(self, leftover: Leftover) -> None:
        """A capture that the last run did not finish: on record with all its characters."""
        wire = WireBytes(b"".join(durable.read_chunks(leftover.path)))
        if not wire:
            durable.remove(leftover.path)
            return
        self._record(self._plan(leftover.id, wire, CaptureEnd.STOPPED, Damage(), 0.0))

    def _record(self, plan: InPlan) -> Captured:
        return Captured(tuple(told.record for told in self._store.end_in(plan)))

    # --- too much damage -------------------------------------------------------------------------------------------

    def _too_many(self) -> str:
        """Why one more damaged capture is not kept by itself; "" where it is."""
        state, machine = self._store.shop.state, self._settings.name
        if why := self._ration.why_not(self._clock()):
            return why
        room = free_bytes(state)
        if room is not None and room < defaults.DISK_LEAST_BYTES:
            return f"the disk of the state folder has {room // 1_000_000} MB left"
        with self._store.shop.folders.opened(machine, DAMAGED) as folder:
            amount = overflow.damaged_amount(state, folder, machine)
            if _full(amount) and overflow.let_go(state, folder, machine):
                amount = overflow.damaged_amount(state, folder, machine)
        if _full(amount):
            size = f"{amount.files} files and {amount.bytes // 1_000_000} MB"
            return f"damaged captures take up {size}: clear from-machine/damaged/"
        return ""

    def _sum_up(self, spool: CaptureSpool, wire: WireBytes, why: str) -> Captured:
        state, machine = self._store.shop.state, self._settings.name
        kept = overflow.add(state, machine, wire)
        if not self._ration.summed:
            self._store.note("overflow", machine=machine, why=why, kept=kept.name)
        self._ration.sum_up(len(wire))
        spool.remove()
        self._planned = None
        said = f"{why}; {self._ration.summed} more, {self._ration.summed_chars} characters in all, were put together in"
        return Captured((), f"{said} captures/{kept.name} in the state folder instead of being kept one by one")

    def _tell_overflow(self) -> None:
        captures, chars = self._ration.begin_anew(self._clock())
        if captures:
            self._store.note("overflow over", machine=self._settings.name, captures=captures, chars=chars)

    # --- reading ------------------------------------------------------------------------------------------------------

    def _plan(self, transfer: str, wire: WireBytes, why: EndsOn | CaptureEnd, damage: Damage, seconds: float) -> InPlan:
        try:
            return self._read(transfer, wire, why, damage, seconds)
        except (RecordsError, OSError):
            raise  # the disk: tried again
        except Exception as error:  # noqa: BLE001 - a fault of dncd must not keep what comes after it from the records
            digest = hashlib.sha256(wire).hexdigest()
            fault = (
                f"dncd failed over this capture ({type(error).__name__}: {error}); report it; its characters are kept"
            )
            whole = self._coder.decode(wire).chars.decode("latin-1")
            plan = InPlan(transfer, self._settings.name, Result.DAMAGED, len(wire), digest, seconds)
            return dataclasses.replace(plan, program=_unnamed(), whole=whole, reasons=(printable(fault),))

    def _read(self, transfer: str, wire: WireBytes, why: EndsOn | CaptureEnd, damage: Damage, seconds: float) -> InPlan:
        receive = self._settings.receive
        capture = read_capture(wire, self._settings.tape, self._coder, receive.ends_on, damage.bad)
        reasons = [fault.sentence() for fault in capture.faults]
        if (cut := unfinished(receive.ends_on, why, capture)) and not reasons:
            reasons.append(cut)
        if damage.notices != NO_FAULTS:
            reasons.append(_noticed(damage.notices))
        if damage.of_memory:
            reasons.append(_out_of_memory(damage, len(wire)))
        part = wire[capture.start : capture.end]
        plan = InPlan(
            transfer, self._settings.name, Result.DAMAGED, len(part), hashlib.sha256(part).hexdigest(), seconds
        )
        plan = dataclasses.replace(plan, line_faults=damage.counted.kinds())
        if reasons:
            name = names.safe_name(self._name_of(capture))
            return dataclasses.replace(plan, program=name, whole=capture.whole, reasons=tuple(reasons))
        return dataclasses.replace(plan, result=Result.RECEIVED, parts=tuple(self._parts(capture)))

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
        """With what it is compared to: the revision that was last sent, if it is that one; else the newest."""
        library = self._store.library
        history, readback = library.history(self._settings.name, part.program), self._readback(part.program)
        if not history:
            return dataclasses.replace(part, sure=self._sure(readback, 0))
        newest = history[-1]
        blob = blob_name(Text.of(part.text.encode("utf-8")))
        sent = history[readback.last_out - 1] if 0 < readback.last_out <= len(history) else newest
        if equal := next((revision for revision in (sent, newest) if revision.blob == blob), None):
            said = Reading(equal.number, Answer.EQUAL)
        else:
            said = self._read_back([sent, newest] if sent is not newest else [newest], part.text)
        same = said.answer in (Answer.EQUAL, Answer.SUBSTANCE)
        out = said.number == sent.number == readback.last_out
        return dataclasses.replace(
            part,
            told=Comparison.DIFFERS if not same else Comparison.MATCHED if out else Comparison.NONE,
            against=said.number,
            how=said.answer.value,
            sure=self._sure(readback, said.number if same else 0),
            differences=said.differences,
            carry=said.carried.how.value,
            carried=said.carried.text,
            spelling=said.spelling,
            otherwise=otherwise(self._store.holdings().checks.spelling(self._settings.name), said.spelling),
        )

    def _read_back(self, known: list[Revision], text: str) -> Reading:
        library = self._store.library
        versions = [Version(r.number, r.origin, library.blob(r.blob).decode("utf-8")) for r in known]
        if max(len(text), *(len(version.text) for version in versions)) >= _COMPARED_CHARS:
            return Reading(known[-1].number, Answer.CHANGED)
        return self._comparer.read_back(versions, text)

    def _readback(self, program: str) -> Readback:
        return self._store.holdings().checks.readback(self._settings.name, program)

    def _sure(self, readback: Readback, number: int) -> Evidence:
        """number: of the revision that it is equal to, 0 for none. PARITY where the line, code or protocol checks itself."""
        line = self._settings.line
        if line.frame.parity != "N" or self._settings.tape.code is TapeCode.EIA or line.protocol is not Protocol.PLAIN:
            return Evidence.PARITY
        if number and number == readback.back:
            return Evidence.TWICE
        if number and number == readback.last_out:
            return Evidence.AS_SENT
        return Evidence.UNLIKE if readback.back else Evidence.ONCE


def _unnamed() -> str:
    """A name by the time of the capture, in UTC to the millisecond: two punched one after the other are two programs."""
    return f"{UNNAMED}{datetime.now(UTC).strftime('%Y%m%dT%H%M%S.%f')[:-3]}Z"


def _noticed(notices: Counters) -> str:
    """Faults that the port counted while the capture came and could not tie to a character."""
    said = fault_words(notices.kinds())
    return f"the port noticed faults while it came and cannot say at which characters ({said}); punch it out again"


def _out_of_memory(damage: Damage, chars: int) -> str:
    """The disk took nothing for so long that there was no memory left for what came."""
    if damage.lost:
        said = f"only its first {chars} characters are kept, {damage.lost} after them are lost"
    else:
        said = f"{damage.joined} captures after it ran together with it"
    return (
        f"the disk was behind and the control did not heed the stop: {said}; look at the disk, then punch it out again"
    )


def _full(amount: overflow.Amount) -> bool:
    return amount.files >= defaults.DAMAGED_FILES or amount.bytes >= defaults.DAMAGED_BYTES
