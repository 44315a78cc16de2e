"""What stands between a dropped file and the control: edits of the operator that it lacks, and what was not proven.

Each gate is asked which library to read: a reader belongs to one thread.
"""

import dataclasses
import math
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from dncd import defaults
from dncd.choices import MachineEdits
from dncd.outside.comparer import Comparer
from dncd.peer_text import printable
from dncd.program.dropped import replaced
from dncd.program.edits import LostEdit, Version
from dncd.records.checks import Readback
from dncd.records.ending_words import HERE, named
from dncd.records.holdings import SignedOff
from dncd.records.library import Library
from dncd.records.proving import Standing
from dncd.records.revisions import Revision
from dncd.records.store import Store
from dncd.records.texts import Text, blob_name
from dncd.station.results import UNSEEN, Checked, Outlook
from dncd.values import MachineSettings, Origin

_EDITS_LOOKED_AT: Final = 12
"""Revisions from the machine that are looked at, the newest; how many the office made since does not count."""

LEAVE_S: Final = 600.0
"""Seconds within which a file must come that something was allowed for: a drop that failed leaves no leave for later."""

Texts = tuple[tuple[str, str], ...]
"""Program and text, LF line ends."""


@dataclass(frozen=True, slots=True)
class Lost:
    """One program's edits that a dropped text does not hold."""

    program: str
    edits: tuple[LostEdit, ...]


@dataclass(slots=True)
class _Leave:
    """seen: of the edits, "" for whatever there will be; file: whose it is, "" while it is nobody's; until: it lapses."""

    wish: str
    sha256: str
    seen: str
    by: str
    file: str
    until: float


class Leaves:
    """What somebody allowed for a file of some contents (SHA-256): for one, the first that comes with them within LEAVE_S.
    From any thread."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._lock, self._clock = threading.Lock(), clock
        self._given: list[_Leave] = []

    def give(self, wish: str, sha256: str, seen: str = "", by: str = "", file: str = "") -> None:
        """wish: `over-edits` of the operator, or `to-prove`, not proven yet. seen: what `Gates.seen` said of its programs
        when somebody looked at their edits; "" for whatever edits there will be. by: who allowed it, "" where nobody
        says. file: its name, "" where nobody knows yet."""
        given, now = _Leave(wish, sha256, seen, by, file, self._clock() + LEAVE_S), self._clock()
        with self._lock:  # what was given before for the same, and nothing came of it, is not given twice
            self._given = [leave for leave in self._given if leave.until > now and not _same(leave, given)]
            self._given.append(given)

    def _of(self, wish: str, sha256: str, file: str) -> list[_Leave]:
        """Those that a file may have, its own first."""
        now = self._clock()
        found = (leave for leave in self._given if (leave.wish, leave.sha256) == (wish, sha256) and leave.until > now)
        return sorted((leave for leave in found if leave.file in ("", file)), key=lambda leave: leave.file == "")

    def of(self, wish: str, sha256: str, file: str, seen: str = "") -> str:
        """Who allowed it for this file, which has it from now on, as people read it; "" for nobody. file: "" to look alone;
        seen: as things stand now."""
        with self._lock:
            for leave in self._of(wish, sha256, file):
                if leave.seen in ("", seen):
                    leave.file, leave.until = file, math.inf if file else leave.until
                    return leave.by or "somebody"
        return ""

    def use_up(self, sha256: str, file: str, *wishes: str) -> None:
        """What was allowed was for this time alone, however it ends. wishes: those that are; all without any."""
        with self._lock:
            for wish in wishes or ("over-edits", "to-prove"):
                found = self._of(wish, sha256, file)
                for leave in [leave for leave in found if leave.file] or found[:1]:
                    self._given.remove(leave)


def _same(one: _Leave, other: _Leave) -> bool:
    return (one.wish, one.sha256, one.file) == (other.wish, other.sha256, other.file)


def _with_edits(history: list[Revision]) -> list[Revision]:
    """The newest revisions from the machine, each behind the one that it changed, and the newest of all."""
    edits = [revision.number for revision in history if revision.origin is Origin.MACHINE][-_EDITS_LOOKED_AT:]
    if not edits:
        return []
    wanted = {*edits, *(number - 1 for number in edits), history[-1].number}
    return [revision for revision in history if revision.number in wanted]


def refusals_over(lost: Iterable[Lost], machine: str, extension: str) -> tuple[str, ...]:
    """What is missing, and the ways out."""
    said = []
    for program in lost:
        for edit in program.edits:
            shown = "; ".join(printable(line) for line in edit.differences) or "block numbers or blanks alone"
            what = "this file lacks what the operator changed at the machine"
            if edit.number == 1:
                what = "this program came from the machine first, and nothing tells that this file is built on it"
            said.append(f"{program.program}: {what} (revision {edit.number}: {shown})")
        name = f"from-machine/{program.program}{extension}"
        said.append(
            f"take the edit over from {printable(name)} and drop the file again, or send it over the edit with "
            f"`dncd send --over-edits {machine} {HERE}`"
        )
    return tuple(said)


def _over_edits(lost: Iterable[Lost], by: str) -> tuple[str, ...]:
    """What is said of a file that goes over an edit, while it waits and in its receipt. by: who asked for that."""
    return tuple(
        f"{program.program}: goes over the operator's edit of revision {edit.number}, as {by} asked for"
        for program in lost
        for edit in program.edits
    )


def _said_of(newest: Mapping[str, str]) -> str:
    return "; ".join(f"{program} {said}" for program, said in newest.items())


class Gates:
    """All of one machine, and what somebody allowed past them."""

    def __init__(self, store: Store, comparer: Comparer, settings: MachineSettings) -> None:
        self.leaves = Leaves()
        self._machine, self._holdings, self._comparer = settings.name, store.holdings, comparer
        self._extension, self._replace = store.shop.extension, settings.program.replace
        self.hold_edits = settings.program.machine_edits is not MachineEdits.SEND
        """Whether a file that lacks an edit is refused at all."""
        self._only_proven = settings.program.send_only_proven

    def judged(
        self, library: Library, checked: Checked, texts: Texts, parts: Iterable[tuple[str, Text]], file: str
    ) -> Checked:
        """What was checked, with the refusals and warnings of the gates. texts: that edits are held for; parts: all
        programs, whose texts are read only where they may be proven ones; file: that was dropped, "" where none was."""
        unproven = self._unproven(library, parts) if self._only_proven else []
        newest = self._newest(library, [program for program, _ in texts])
        lost = self.lost(library, texts)
        refusals, warnings, edits = checked.refusals, checked.warnings, tuple[str, ...]()
        if lost and (by := self.leaves.of("over-edits", checked.sha256, file, _said_of(newest))):
            warnings += _over_edits(lost, by)
        elif lost:
            edits = refusals_over(lost, self._machine, self._extension)
            refusals += edits
        if unproven and self.leaves.of("to-prove", checked.sha256, file):
            warnings += (f"{named(unproven)}: sent for its prove-out, not proven yet, as somebody asked for",)
        elif unproven:
            refusals += (
                f"{named(unproven)}: not proven at this machine with this text, and program.send_only_proven lets nothing"
                " else out",
                f"for a supervised prove-out send it with `dncd send --to-prove {self._machine} {HERE}`; when the "
                f"first part is good, sign it off with `dncd prove {self._machine} {printable(unproven[0])} --note TEXT`",
            )
        return dataclasses.replace(checked, refusals=refusals, warnings=warnings, newest=newest, edits=edits)

    def seen(self, library: Library, programs: Iterable[str]) -> str:
        """What of these programs a leave to send over their edits is for: another one as soon as a program came back."""
        return _said_of(self._newest(library, programs))

    def outdated(self, library: Library, checked: Checked, file: str) -> bool:
        """Whether the operator punched out one of its programs since the check; nobody has allowed a loss of that yet."""
        outdated = self._newest(library, checked.newest) != checked.newest
        if outdated:
            self.leaves.use_up(checked.sha256, file, "over-edits")
        return outdated

    def _readback(self, program: str) -> Readback:
        """What came back of it since something of it went out last."""
        return self._holdings().checks.readback(self._machine, program)

    def _newest(self, library: Library, programs: Iterable[str]) -> dict[str, str]:
        """Of each program, the commit of its newest revision and the number of what came back last, "" without one: another
        value, and the operator may have made an edit, also one that was taken back and is no new revision."""
        found = ((p, self._readback(p), library.history(self._machine, p)) for p in programs)
        return {p: f"{history[-1].commit}, back {readback.back}" if history else "" for p, readback, history in found}

    def lost(self, library: Library, texts: Iterable[tuple[str, str]]) -> tuple[Lost, ...]:
        """What each text lacks, where anything. texts: as they go out."""
        found = []
        for program, text in texts:
            readback = self._readback(program)  # before the history: an edit that comes meanwhile counts as an edit
            history = library.history(self._machine, program)
            if not (looked_at := _with_edits(history)):
                continue
            if readback.known == len(history) and 0 < readback.back < len(history):
                looked_at.append(dataclasses.replace(history[readback.back - 1], origin=Origin.OFFICE))
            versions = self._versions(library, looked_at)
            if versions and (edits := self._comparer.lost_edits(versions, text)):
                found.append(Lost(program, edits))
        return tuple(found)

    def _versions(self, library: Library, history: list[Revision]) -> list[Version]:
        texts = [replaced(library.blob(revision.blob).decode("utf-8"), self._replace) for revision in history]
        if any(len(text) > defaults.COMPARED_CHARS for text in texts):
            return []
        return [Version(r.number, r.origin, text) for r, text in zip(history, texts, strict=True)]

    def outlook(self, library: Library, parts: Iterable[tuple[str, Text]]) -> Outlook:
        """Which revision a file will be, and what of it nobody has proven; whether or not that keeps it back."""
        parts = list(parts)
        if not parts:
            return UNSEEN
        program, text = parts[0]
        history = library.history(self._machine, program)
        blob, newest = blob_name(text), len(history)
        text_of = next((each.number for each in reversed(history) if each.blob == blob), 0)
        revision = newest + (text_of != newest or not newest)
        return Outlook(revision, newest, tuple(self._unproven(library, parts)), text_of)

    def _unproven(self, library: Library, parts: Iterable[tuple[str, Text]]) -> list[str]:
        """The programs that nobody has proven at this machine with this text."""
        standing = Standing(library, self._holdings(), self._machine)
        return [program for program, text in parts if not standing.any(program) or standing.of(program, text) is None]

    def standing(self, library: Library, made: Sequence[tuple[str, Revision]]) -> Iterator[SignedOff]:
        """Who proved the text of each revision that was made; number 0 where nobody did."""
        known = Standing(library, self._holdings(), self._machine)
        for program, revision in made:
            signed = known.of_revision(program, revision.number)
            yield dataclasses.replace(signed or SignedOff("", 0, "", "", ""), program=program)
