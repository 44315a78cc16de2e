"""The slow work of receiving: captures kept as they come, decoded, named, compared and put on record."""

import dataclasses
import hashlib
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final

from dncd import defaults
from dncd.errors import RecordsError
from dncd.line.receiving import CaptureEnd, Ended, Receiving
from dncd.line.xmodem_receiving import XmodemReceiving
from dncd.outside.disk_room import free_bytes
from dncd.program import names
from dncd.program.splitting import Kind, split, told_apart
from dncd.program.splitting import Part as Split
from dncd.records import durable, overflow, plans
from dncd.records.checks import Readback
from dncd.records.library import Text, blob_name
from dncd.records.plans import InPlan, Part, Sure
from dncd.records.spool import CaptureSpool, Leftover
from dncd.station.capture_reading import Known, Mending, Reading, read_all, shells, torn
from dncd.station.office import Office
from dncd.station.papers import Captured, Damage
from dncd.station.ration import Ration
from dncd.station.receivers import receiver_of
from dncd.tape.capture import Capture, Closed
from dncd.tape.codes import Coder
from dncd.values import (
    NO_FAULTS,
    Counters,
    EndsOn,
    MachineSettings,
    Protocol,
    Result,
    TapeCode,
    WireBytes,
    fault_words,
    printable,
)

_COMPARED_CHARS: Final = 4 * 1024 * 1024
"""Characters above which a program that came back is only said to differ, not compared block by block."""

_NOISE_CHARS: Final = 16
"""Characters without one good printable that are noise of the line (a machine switched on), not a capture."""

_DIFFERENCES: Final = 40

UNNAMED: Final = "UNNAMED-"


def is_noise(ended: Ended) -> bool:
    """Whether a capture is so little that it is let go."""
    return ended.printable == 0 and ended.chars < _NOISE_CHARS


def unfinished(ends_on: EndsOn, why: CaptureEnd, capture: Capture) -> str:
    """Why a capture is no whole one though no character of it is damaged; "" if it is."""
    if ends_on is EndsOn.MARK or why.value == ends_on.value or why is CaptureEnd.PACKETS:
        return ""
    if ends_on is EndsOn.SILENCE and why is CaptureEnd.DC4:
        return ""
    lines = capture.whole.count("\n") + 1
    return f"line {lines}: the capture ended by {why.value} before {ends_on.value} came; punch it out again"


class IncomingPapers:
    """Of one machine; `captured` and what follows are for the records thread."""

    def __init__(self, office: Office, settings: MachineSettings, clock: Callable[[], float] = time.monotonic) -> None:
        self._office, self._settings, self._clock = office, settings, clock
        self._ration = Ration()
        self._planned: InPlan | None = None
        self._coder = Coder.of(settings.tape, settings.line)
        self._mending = Mending(settings, self._coder)

    def signal(self, char: int) -> bytes:
        """A DC code such as DC3 as dncd says it on this line."""
        return self._coder.signal(char, self._settings.line.dc_parity)

    def signals(self, char: int) -> frozenset[int]:
        """The bytes by which the control may say a DC code."""
        return self._coder.signals(char)

    def receiving(self, now: float = 0.0) -> Receiving | XmodemReceiving:
        """The receiver for this machine's line; now: seconds of the loop's clock."""
        return receiver_of(self._settings, self._coder, now)

    def open_spool(self) -> CaptureSpool:
        """The file of a new capture; in the captures thread, as what is added to it."""
        return CaptureSpool(self._office.shop.state, plans.fresh_id(self._settings.name))

    def captured(self, spool: CaptureSpool, ended: Ended, damage: Damage, seconds: float) -> Captured:
        """A capture is over: decoded, split, named, compared, and put on record."""
        wire = WireBytes(ended.mark + b"".join(spool.chunks()))
        damage = dataclasses.replace(damage, bad=tuple(len(ended.mark) + index for index in damage.bad))
        if is_noise(ended) and not damage.of_memory:
            spool.remove()
            return Captured(())
        plan = self._planned
        if plan is None or plan.id != spool.id:  # else the disk failed over this very plan: its names stay the same
            plan = self._planned = self._plan(spool.id, wire, ended.why, damage, seconds)
        if plan.result == Result.DAMAGED.value or any(part.program.startswith(UNNAMED) for part in plan.parts):
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
        return Captured(tuple(told.record for told in self._office.end_in(plan)))

    # --- too much damage -------------------------------------------------------------------------------------------

    def _too_many(self) -> str:
        """Why one more damaged capture is not kept by itself; "" where it is."""
        state, machine = self._office.shop.state, self._settings.name
        folder = self._office.shop.folder / machine / "from-machine" / "damaged"
        if why := self._ration.why_not(self._clock()):
            return why
        room = free_bytes(state)
        if room is not None and room < defaults.DISK_LEAST_BYTES:
            return f"the disk of the state folder has {room // 1_000_000} MB left"
        amount = overflow.damaged_amount(state, folder, machine)
        if _full(amount) and overflow.let_go(state, folder, machine):
            amount = overflow.damaged_amount(state, folder, machine)
        if _full(amount):
            size = f"{amount.files} files and {amount.bytes // 1_000_000} MB"
            return f"damaged captures take up {size}: clear from-machine/damaged/"
        return ""

    def _sum_up(self, spool: CaptureSpool, wire: WireBytes, why: str) -> Captured:
        state, machine = self._office.shop.state, self._settings.name
        kept = overflow.add(state, machine, wire)
        if not self._ration.summed:
            self._office.note("overflow", machine=machine, why=why, kept=kept.name)
        self._ration.sum_up(len(wire))
        spool.remove()
        self._planned = None
        said = f"{why}; {self._ration.summed} more, {self._ration.summed_chars} characters in all, were put together in"
        return Captured((), f"{said} captures/{kept.name} in the state folder instead of being kept one by one")

    def _tell_overflow(self) -> None:
        captures, chars = self._ration.begin_anew()
        if captures:
            self._office.note("overflow over", machine=self._settings.name, captures=captures, chars=chars)

    # --- reading ------------------------------------------------------------------------------------------------------

    def _plan(self, transfer: str, wire: WireBytes, why: CaptureEnd, damage: Damage, seconds: float) -> InPlan:
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
            plan = InPlan(transfer, self._settings.name, Result.DAMAGED.value, len(wire), digest, seconds)
            return dataclasses.replace(plan, program=_unnamed(), whole=whole, reasons=(printable(fault),))

    def _read(self, transfer: str, wire: WireBytes, why: CaptureEnd, damage: Damage, seconds: float) -> InPlan:
        ends_on = self._settings.receive.ends_on
        reading = read_all(wire, self._settings, self._coder, why, damage.bad)
        reasons = [*reading.reasons]
        if (cut := unfinished(ends_on, why, reading.captures[-1])) and not reasons:
            reasons.append(cut)
        unplaced = [_noticed(damage.notices)] if damage.notices != NO_FAULTS else []
        if damage.of_memory:
            unplaced.append(_out_of_memory(damage, len(wire)))
        if reading.reasons and not unplaced:
            for mended in self._mending.look(reading.whole, transfer):
                reading, reasons = mended, []
        reasons += unplaced
        parts, left_out = ((), ()) if reasons else self._parts(reading)
        if not parts:
            reasons += left_out
        plan = InPlan(
            transfer,
            self._settings.name,
            Result.DAMAGED.value,
            len(reading.wire),
            hashlib.sha256(reading.wire).hexdigest(),
            seconds,
            line_faults=damage.counted.kinds(),
            notes=(*reading.notes, *left_out),
        )
        if reasons:
            name = names.safe_name(self._name_of(reading.captures[0]))
            return dataclasses.replace(plan, program=name, whole=reading.whole, reasons=tuple(reasons), notes=())
        return dataclasses.replace(plan, result=Result.RECEIVED.value, parts=parts)

    def _name_of(self, capture: Capture) -> str:
        parts = split(capture.text, capture.opening, self._settings.tape.mark or "%") if capture.text else ()
        return next((part.name for part in parts if part.name), _unnamed())

    def _parts(self, reading: Reading) -> tuple[tuple[Part, ...], tuple[str, ...]]:
        """What becomes a revision, and why other parts do not; no part at all where one is torn."""
        mark, found = self._settings.tape.mark or "%", list[Split]()
        marks: list[str] = []
        for capture in reading.captures:
            here = split(capture.text, capture.opening, mark)
            found += here
            marks += [capture.opening if index == 0 else capture.opening[:1] for index in range(len(here))]
        if reading.captures[-1].closed is Closed.NO and (broken := torn(found, self._known)):
            return (), broken
        left_out = shells(found, self._known)
        parts = [
            self._compared(_part(part, line))
            for part, line in zip(told_apart(found), marks, strict=True)
            if part.name not in left_out
        ]
        return tuple(parts), tuple(left_out.values())

    def _known(self, program: str) -> Known:
        history = self._office.library.history(self._settings.name, program) if program else ()
        return (
            Known(history[-1].number, self._office.library.blob(history[-1].blob).decode("utf-8"))
            if history
            else Known()
        )

    def _compared(self, part: Part) -> Part:
        """With what it is compared to: the revision that was last sent, if it is that one; else the newest."""
        library = self._office.library
        history, readback = library.history(self._settings.name, part.program), self._readback(part.program)
        if not history:
            return dataclasses.replace(part, sure=self._sure(readback, 0))
        newest = history[-1]
        blob = blob_name(Text.of(part.text.encode("utf-8")))
        if 0 < readback.last_out <= len(history) and history[readback.last_out - 1].blob == blob:
            number = readback.last_out
            return dataclasses.replace(part, told="matched", against=number, sure=self._sure(readback, number))
        if newest.blob == blob:
            return dataclasses.replace(part, against=newest.number, sure=self._sure(readback, newest.number))
        part = dataclasses.replace(part, sure=self._sure(readback, 0))
        text = library.blob(newest.blob).decode("utf-8")
        small = max(len(text), len(part.text)) < _COMPARED_CHARS
        lines = self._office.comparer.differences(text, part.text, _DIFFERENCES) if small else ()
        return dataclasses.replace(part, told="differs", against=newest.number, differences=lines)

    def _readback(self, program: str) -> Readback:
        return self._office.holdings().checks.readback(self._settings.name, program)

    def _sure(self, readback: Readback, number: int) -> str:
        """number: of the revision that it is equal to, 0 for none. "" where the line, code or protocol checks itself."""
        line = self._settings.line
        if line.frame.parity != "N" or self._settings.tape.code is TapeCode.EIA or line.protocol is not Protocol.PLAIN:
            return ""
        if number and number == readback.back:
            return Sure.TWICE.value
        if number and number == readback.last_out:
            return Sure.AS_SENT.value
        return Sure.UNLIKE.value if readback.back else Sure.ONCE.value


def _part(part: Split, mark_line: str) -> Part:
    name = part.name or (_unnamed() if part.kind is Kind.PROGRAM else part.kind.value.upper())
    return Part(name, f"{name} ({printable(part.title)})" if part.title else name, part.text, mark_line)


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
