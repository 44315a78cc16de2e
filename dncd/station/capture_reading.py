"""A capture as the records want it: read, cut into its punches where it came as one piece, and what is wrong with it."""

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from dncd.choices import EndsOn, TapeCode
from dncd.line.receivers import alphabet_of
from dncd.line.receiving import Began, CaptureEnd, Caught, Ended, Receiving
from dncd.program import names
from dncd.program.splitting import Kind, Part
from dncd.records.spool import KEPT
from dncd.tape.capture import Capture, Closed, put_together, read_capture
from dncd.tape.codes import Coder
from dncd.values import MachineSettings, WireBytes

_NEXT: Final = "the mark behind it is the opening mark of the next program as well"
_KEPT: Final = 8
"""Damaged captures that a later one may be put together with: somebody punches a program again at once or not at all."""


@dataclass(frozen=True, slots=True)
class Contents:
    """captures: in order; reasons: what is wrong with any of them; wire: the significant part."""

    captures: tuple[Capture, ...]
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    whole: str
    wire: WireBytes

    @property
    def text(self) -> str:
        """What stands between the marks."""
        return "".join(capture.text for capture in self.captures)


def read_all(
    wire: WireBytes, bad: tuple[int, ...], machine: MachineSettings, coder: Coder, why: EndsOn | CaptureEnd
) -> Contents:
    """What was caught, read. bad: indexes that the port marked as damaged; why: what ended the capture."""
    tape, ends_on, ends = machine.tape, machine.receive.ends_on, machine.program.ends
    found: tuple[_Punch, ...] = ()
    if tape.mark and (ends_on is not EndsOn.MARK or why in (CaptureEnd.PACKETS, CaptureEnd.STOPPED)):
        alphabet = alphabet_of(machine, coder)
        cutter = Receiving(alphabet, tape.code, ends_on=EndsOn.MARK, silence_s=1.0, char_s=machine.line.char_s)
        found = _punches(cutter, wire, bad)
    if len(found) < 2:
        capture = _ended(read_capture(wire, tape, coder, ends_on, bad), why, ends)
        reasons = tuple(fault.sentence() for fault in capture.faults)
        return Contents((capture,), reasons, capture.notes, capture.whole, _significant(wire, capture))
    captures = tuple(_ended(read_capture(each.wire, tape, coder, ends_on, each.bad), each.why, ends) for each in found)
    reasons = tuple(
        f"punch {number} of {len(found)} in it: {fault.sentence()}"
        for number, capture in enumerate(captures, 1)
        for fault in capture.faults
    )
    notes = tuple(note for capture in captures for note in capture.notes)
    return Contents(captures, reasons, notes, "".join(capture.whole for capture in captures), wire)


def _ended(capture: Capture, why: EndsOn | CaptureEnd, ends: tuple[str, ...]) -> Capture:
    """A program that the next one's mark ended has its own end if its last block ends a program."""
    lacks = [fault.code for fault in capture.faults] == ["no-closing-mark"]
    if why is CaptureEnd.NEXT and lacks and names.has_end(capture.text, ends):
        return dataclasses.replace(capture, closed=Closed.YES, faults=(), notes=(*capture.notes, _NEXT))
    return capture


def _significant(wire: WireBytes, capture: Capture) -> WireBytes:
    return WireBytes(wire[capture.start : capture.end])


@dataclass(frozen=True, slots=True)
class _Punch:
    """One of several in a capture. bad: indexes in `wire` that the port marked; why: what ended it."""

    wire: WireBytes
    bad: tuple[int, ...]
    why: EndsOn | CaptureEnd


def _punches(receiving: Receiving, wire: bytes, bad: tuple[int, ...]) -> tuple[_Punch, ...]:
    """receiving: an idle one that ends captures at marks. Noise without a printable character is no punch."""
    found, data, marked = list[_Punch](), bytearray(), list[int]()
    for event in (*receiving.feed(wire, 0.0, bad), *receiving.stop(0.0)):
        match event:
            case Began():
                data, marked = bytearray(), []
            case Caught(part, hits):
                marked += [len(data) + index for index in hits]
                data += part
            case Ended() if event.printable:
                found.append(_Punch(*event.whole(data, marked), event.why))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Known:
    """The newest revision of a program before a capture. number: 0 for none."""

    number: int = 0
    text: str = ""


def shells(parts: Iterable[Part], known: Callable[[str], Known]) -> dict[str, str]:
    """Programs that came as a number without a block where what is known has blocks: by name, each with the reason."""
    found: dict[str, str] = {}
    for part in parts:
        if part.kind is not Kind.PROGRAM or not names.is_shell(part.text):
            continue
        before = known(part.name)
        if before.number and not names.is_shell(before.text):
            found[part.name] = (
                f"{part.name} came as a number without a block, but revision {before.number} of it has blocks: "
                "look at what the control holds; if it was emptied there, send it again"
            )
    return found


def torn(parts: Iterable[Part], known: Callable[[str], Known], ends: tuple[str, ...]) -> tuple[str, ...]:
    """Why programs that no closing mark ended are not whole: their newest revisions have an end word and they have none."""
    found = []
    for part in parts:
        if part.kind is not Kind.PROGRAM or names.has_end(part.text, ends):
            continue
        before = known(part.name)
        if before.number and names.has_end(before.text, ends):
            found.append(
                f"{part.name} has no {names.listed(ends)} at its end, which revision {before.number} of it has: "
                "the punch may have been broken off; punch it out again"
            )
    return tuple(found)


class Mending:
    """The damaged captures of one machine, newest last, for the one that has what another lacks."""

    def __init__(self, machine: MachineSettings, coder: Coder) -> None:
        self._tape, self._coder, self._ends_on = machine.tape, coder, machine.receive.ends_on
        self._checks = machine.line.frame.checks_parity or machine.tape.code is TapeCode.EIA
        self._kept: list[tuple[str, str]] = []

    def look(self, whole: str, transfer: str) -> tuple[Contents, ...]:
        """A damaged capture came: the whole program, if an earlier one has what it lacks; else it is kept for later ones."""
        if not self._checks:
            return ()
        for before, earlier in reversed(self._kept):
            mended = put_together(before, whole)
            if not mended.whole:
                continue
            wire = self._coder.blocks(mended.whole)
            capture = read_capture(wire, self._tape, self._coder, self._ends_on)
            if not capture.faults and capture.whole == mended.whole:
                note = (
                    f"put together from two damaged punches: {mended.second} characters from this one and {mended.first} "
                    f"from captures/{earlier}{KEPT} took the place of damaged ones; all else is equal in both"
                )
                return (Contents((capture,), (), (*capture.notes, note), capture.whole, _significant(wire, capture)),)
        self._kept = [*self._kept[1 - _KEPT :], (whole, transfer)]
        return ()
