"""What a capture is worth: decoded, cut into programs, named and compared with what is known; nothing is written here."""

import dataclasses
import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Final

from dncd import defaults
from dncd.choices import EndsOn, NameFrom, Protocol, TapeCode
from dncd.errors import RecordsError
from dncd.line.receivers import unfinished
from dncd.line.receiving import CaptureEnd
from dncd.outside.comparer import Comparer
from dncd.peer_text import printable
from dncd.program import names
from dncd.program.dropped import replaced
from dncd.program.edits import Version
from dncd.program.readback import Like, Reading, taken_for
from dncd.program.splitting import Kind, split, told_apart
from dncd.program.splitting import Part as Split
from dncd.program.substance import Answer, otherwise
from dncd.records.checks import Checks, Readback
from dncd.records.holdings import UNNAMED, is_data, is_unnamed
from dncd.records.library import Library, Text, blob_name
from dncd.records.plans import Comparison, Evidence, InPlan, Part
from dncd.records.revisions import Revision
from dncd.records.store import Store
from dncd.station.capture_reading import Contents, Known, Mending, read_all, shells, torn
from dncd.station.results import Damage
from dncd.tape.capture import WRONG_SETTINGS, Capture, Closed
from dncd.tape.codes import Coder
from dncd.values import NO_FAULTS, Counters, MachineSettings, Result, WireBytes, fault_words

_ALIKE_PROGRAMS: Final = 1_000
_ALIKE_CHARS: Final = 4 * 1024 * 1024
"""Programs, and their characters in all, that a capture without a name is held against: those of its length first."""


class _Comparisons:
    """Of the programs of one capture with what the library had before it."""

    def __init__(self, library: Library, checks: Checks, comparer: Comparer, settings: MachineSettings) -> None:
        self._library, self._checks, self._comparer, self._settings = library, checks, comparer, settings

    def known(self, program: str) -> Known:
        """The newest revision of a program; "" is none."""
        history = self._library.history(self._settings.name, program) if program else ()
        return Known(history[-1].number, self._text(history[-1])) if history else Known()

    def _text(self, revision: Revision) -> str:
        """As it goes out."""
        return replaced(self._library.blob(revision.blob).decode("utf-8"), self._settings.program.replace)

    def like(self, text: str) -> Like:
        """Which known program a text without a name is; what was last sent is looked at first."""
        newest = {
            name: revision
            for name, revision in self._library.newest(self._settings.name).items()
            if not is_unnamed(name) and not is_data(name)
        }
        sent = [name for name in self._checks.last_out(self._settings.name) if name in newest]
        share = self._shares(sent, newest, text)
        if 100 not in share.values():
            rest = sorted(newest.keys() - share.keys(), key=lambda name: abs(newest[name].chars - len(text)))
            share |= self._shares(rest[:_ALIKE_PROGRAMS], newest, text)
        return taken_for(share, sent, text)

    def _shares(self, programs: Iterable[str], newest: Mapping[str, Revision], text: str) -> dict[str, int]:
        texts, room = dict[str, str](), _ALIKE_CHARS - len(text)
        for name in programs:
            if newest[name].chars <= room:
                texts[name] = self._text(newest[name])
                room -= len(texts[name])
        return dict(zip(texts, self._comparer.shares(list(texts.values()), text), strict=True))

    def of(self, part: Part) -> Part:
        """With what it is compared to: the revision that was last sent, if it is that one; else the newest."""
        history = self._library.history(self._settings.name, part.program)
        readback = self._checks.readback(self._settings.name, part.program)
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
            otherwise=otherwise(self._checks.spelling(self._settings.name), said.spelling),
        )

    def _read_back(self, known: list[Revision], text: str) -> Reading:
        versions = [Version(revision.number, revision.origin, self._text(revision)) for revision in known]
        if max(len(text), *(len(version.text) for version in versions)) > defaults.COMPARED_CHARS:
            return Reading(known[-1].number, Answer.CHANGED)
        return self._comparer.read_back(versions, text)

    def _sure(self, readback: Readback, number: int) -> Evidence:
        """number: of the revision that it is equal to, 0 for none. PARITY where the line, code or protocol checks itself."""
        line = self._settings.line
        if line.frame.checks_parity or self._settings.tape.code is TapeCode.EIA or line.protocol is not Protocol.PLAIN:
            return Evidence.PARITY
        if number and number == readback.back:
            return Evidence.TWICE
        if number and number == readback.last_out:
            return Evidence.AS_SENT
        return Evidence.UNLIKE if readback.back else Evidence.ONCE


class Judging:
    """Of the captures of one machine, one at a time. What two damaged ones may be put together from is in memory alone."""

    def __init__(self, store: Store, comparer: Comparer, settings: MachineSettings) -> None:
        self._store, self._comparer, self._settings = store, comparer, settings
        self._coder = Coder.of(settings.tape, settings.line)
        self._mending = Mending(settings, self._coder)

    def plan(
        self,
        transfer: str,
        wire: WireBytes,
        why: EndsOn | CaptureEnd,
        damage: Damage,
        seconds: float,
        *,
        called: str = "",
    ) -> InPlan:
        """called: what the control calls the file, where its protocol tells: the name of a program that has none itself."""
        try:
            return self._read(transfer, wire, why, damage, seconds, called=names.file_name(called))
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

    def _read(
        self, transfer: str, wire: WireBytes, why: EndsOn | CaptureEnd, damage: Damage, seconds: float, *, called: str
    ) -> InPlan:
        ends_on = self._settings.receive.ends_on
        contents = read_all(wire, damage.bad, self._settings, self._coder, why)
        reasons = [*contents.reasons]
        if (cut := unfinished(ends_on, why, contents.captures[-1])) and not reasons:
            reasons.append(cut)
        salad = any(fault.code == WRONG_SETTINGS for capture in contents.captures for fault in capture.faults)
        unplaced = [_noticed(damage.notices)] if damage.notices != NO_FAULTS and not salad else []
        if damage.of_memory:
            unplaced.append(_out_of_memory(damage, len(wire)))
        if contents.reasons and not unplaced:
            for mended in self._mending.look(contents.whole, transfer):
                contents, reasons = mended, []
        reasons += unplaced
        parts: tuple[Part, ...] = ()
        left_out: tuple[str, ...] = ()
        if not reasons:
            with Library(self._store.shop.state) as library:  # of its own: no other thread is waited for
                checks = self._store.holdings().checks
                compared = _Comparisons(library, checks, self._comparer, self._settings)
                parts, left_out = self._parts(contents, compared, called)
            reasons += () if parts else left_out
        plan = InPlan(
            transfer,
            self._settings.name,
            Result.DAMAGED,
            len(contents.wire),
            hashlib.sha256(contents.wire).hexdigest(),
            seconds,
            line_faults=damage.counted.kinds(),
            notes=(*contents.notes, *left_out),
        )
        if reasons:
            name = _unnamed() if salad else names.safe_name(self._name_of(contents.captures[0], called))
            return dataclasses.replace(plan, program=name, whole=contents.whole, reasons=tuple(reasons), notes=())
        return dataclasses.replace(plan, result=Result.RECEIVED, parts=parts)

    def _name_of(self, capture: Capture, called: str) -> str:
        order, parts = self._settings.program.name_from, self._split(capture) if capture.text else ()
        return next((name for part in parts if (name := part.name or self._said(part, order))), called or _unnamed())

    def _named(self, capture: Capture, compared: _Comparisons, called: str, taken: set[str]) -> Iterator[Split]:
        """The programs between two marks. One that says no name has that of the file it came as, or of what it is like;
        taken: names that others of the same capture have."""
        order, here = self._settings.program.name_from, self._split(capture)
        first = order[: order.index(NameFrom.SENT)] if NameFrom.SENT in order else order
        taken |= {part.name for part in here}
        for part in here:
            name = part.name or self._said(part, first)
            later = self._said(part, order) or (called if len(here) == 1 else "")
            like = Like() if name or (later and first is order) else compared.like(part.text)
            if like.program in taken or (later and not like.sent):
                like = Like()
            yield dataclasses.replace(part, name=name or like.program or later, like=like.percent)

    def _split(self, capture: Capture) -> tuple[Split, ...]:
        return split(capture.text, capture.opening, self._settings.tape.mark or "%", self._settings.program.ends)

    def _said(self, part: Split, name_from: Sequence[NameFrom]) -> str:
        return names.chosen(name_from, part.title, part.text, self._settings.program.begins_with)

    def _parts(
        self, contents: Contents, compared: _Comparisons, called: str
    ) -> tuple[tuple[Part, ...], tuple[str, ...]]:
        """What becomes a revision, and why other parts do not; no part at all where one is torn."""
        found, marks = list[Split](), list[str]()
        for capture in contents.captures:
            here = list(self._named(capture, compared, called, {part.name for part in found}))
            found += here
            marks += [capture.opening if index == 0 else capture.opening[:1] for index in range(len(here))]
        if contents.captures[-1].closed is Closed.NO and (
            broken := torn(found, compared.known, self._settings.program.ends)
        ):
            return (), broken
        left_out = shells(found, compared.known)
        parts = [
            compared.of(_part(part, line, self._settings.tape.end_mark))
            for part, line in zip(told_apart(found), marks, strict=True)
            if part.name not in left_out
        ]
        return tuple(parts), tuple(left_out.values())


def _part(part: Split, mark_line: str, end_mark: str) -> Part:
    name = part.name or (_unnamed() if part.kind is Kind.PROGRAM else part.kind.value.upper())
    title = f"{name} ({printable(part.title)})" if part.title else name
    return Part(name, title, part.text, mark_line, like=part.like, end_mark=end_mark)


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
