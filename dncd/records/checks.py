"""What readback has shown of each program, computed from the ledger: which revisions came back equal, and when.

| event                 | what it says                                                                            |
|-----------------------|-----------------------------------------------------------------------------------------|
| `sent`, `interrupted` | this revision went out last; whatever was punched before it counts no more                |
| `received`            | this revision came back; the same one again without a sending between is one more of it  |
| `matched`             | what came back is equal to what was last sent: the revision is checked at this machine   |
| `recovered`           | these revisions are in the library no more: nothing that was said of them counts          |
"""

from dataclasses import dataclass
from typing import Final

from dncd.ledger_lines import Record, programs_of
from dncd.values import Result

REFUSED_KEPT: Final = 50
"""Refused files of a machine that are known, the newest: each sending looks at all of them."""

RECOVERED: Final = "recovered"
"""Event of the ledger: the library was taken to where it is whole (`records/repair`)."""


@dataclass(frozen=True, slots=True)
class Readback:
    """One program of one machine. last_out: number of the revision that went out last, 0 for none. back: number of the
    revision that came back last since then, 0 for none; times: how often it came in succession; known: number of the
    newest revision that there was when it came."""

    last_out: int = 0
    back: int = 0
    times: int = 0
    known: int = 0


@dataclass(frozen=True, slots=True)
class Check:
    """A revision that came back equal to what was sent; time as the ledger has it."""

    program: str
    revision: int
    time: str


@dataclass(frozen=True, slots=True)
class Last:
    """What became of the last file of a machine; time as the ledger has it, "" for never; damaged: damaged captures since
    the last good one; event, file: of the ledger line; in_doubt: whether the control read all of it is not sure."""

    time: str = ""
    event: str = ""
    file: str = ""
    damaged: int = 0
    in_doubt: bool = False


class Checks:
    """Of every machine; fed each line of the ledger once, in its order."""

    def __init__(self) -> None:
        self._readback: dict[tuple[str, str], Readback] = {}
        self._checked: dict[tuple[str, str], dict[int, str]] = {}
        self._last: dict[str, Check] = {}
        self._spelling: dict[str, dict[str, str]] = {}
        self._reader_off: dict[str, int] = {}
        self._endings: dict[str, Last] = {}
        self._last_out: dict[str, tuple[str, ...]] = {}
        self._refused: dict[str, dict[str, tuple[str, frozenset[str]]]] = {}  # time and programs, by file

    def feed(self, record: Record) -> None:
        if not (machine := record.get("machine", "")):
            return
        time, event = record.get("time", ""), record.get("event", "")
        if event in tuple(Result):
            damaged = 0 if event == Result.RECEIVED else self.ending(machine).damaged + (event == Result.DAMAGED)
            self._endings[machine] = Last(time, event, record.get("file", ""), damaged, bool(record.get("doubts")))
        _note_refused(self._refused.setdefault(machine, {}), record)
        if event in ("sent", "interrupted"):
            self._last_out[machine] = tuple(program for program, _ in programs_of(record))
        if event == "sent":
            self._reader_off[machine] = self._reader_off.get(machine, 0) + 1 if record.get("reader_off") else 0
        if spelling := record.get("spelling"):  # of a readback, or of the rounds of a trial
            self._spelling[machine] = {**self._spelling.get(machine, {}), **spelling}
        for program, revision in programs_of(record):
            key = machine, program
            if event == RECOVERED:
                self._readback.pop(key, None)
                self._checked.get(key, {}).pop(revision, None)
                continue
            before = self._readback.get(key, Readback())
            match event:
                case "sent" | "interrupted":
                    self._readback[key] = Readback(revision or before.last_out, known=max(before.known, revision))
                case "received":
                    times = before.times + 1 if revision == before.back else 1
                    known = max(before.known, revision)
                    self._readback[key] = Readback(before.last_out, revision, times, known)
                case "matched":
                    number = revision or before.back
                    self._checked.setdefault(key, {})[number] = time
                    self._last[machine] = Check(program, number, time)

    def readback(self, machine: str, program: str) -> Readback:
        return self._readback.get((machine, program), Readback())

    def checked(self, machine: str, program: str) -> dict[int, str]:
        """Revisions that came back equal to what was sent, and when they did last."""
        return dict(self._checked.get((machine, program), {}))

    def spelling(self, machine: str) -> dict[str, str]:
        """How its control spells what it was given, as `program.habits` says; the newest readback counts."""
        return self._spelling.get(machine, {})

    def last_out(self, machine: str) -> tuple[str, ...]:
        return self._last_out.get(machine, ())

    def refused(self, machine: str, since: str) -> dict[str, str]:
        """Files that were refused since then (as the ledger has times), and when; none that went out since under the same
        name, or of which a program did."""
        found = dict(self._refused.get(machine, {}))
        return {file: time for file, (time, _) in found.items() if time >= since}

    def reader_off(self, machine: str) -> int:
        """After how many programs in succession, up to the last one sent, its control switched its reader off."""
        return self._reader_off.get(machine, 0)

    def ending(self, machine: str) -> Last:
        return self._endings.get(machine, Last())

    def last(self, machine: str) -> Check | None:
        return self._last.get(machine)


def _note_refused(kept: dict[str, tuple[str, frozenset[str]]], record: Record) -> None:
    event, file = record.get("event", ""), record.get("file", "")
    if event not in (Result.REFUSED, Result.SENT) or (event == Result.SENT and not kept):
        return
    programs = frozenset(program for program, _ in programs_of(record))
    if event == Result.REFUSED:
        kept.pop(file, None)
        kept[file] = record.get("time", ""), programs
        if len(kept) > REFUSED_KEPT:
            del kept[next(iter(kept))]
        return
    for other in [other for other, (_, theirs) in kept.items() if other == file or not theirs.isdisjoint(programs)]:
        del kept[other]
