"""Revisions that somebody proved at the machine: a first part that was made under supervision, and signed off.

Order of writing: the note in the library (durable), then the ledger line `proven` (durable): the line says that it is so.
Either step is left out where it was done, so that a command whose answer was lost in a power cut is simply given again.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd.errors import NotDoneError, RecordsError, UsageError
from dncd.program.substance import digest
from dncd.records import durable
from dncd.records.holdings import Holdings, SignedOff
from dncd.records.ledger import Ledger, records
from dncd.records.library import Library, path_of
from dncd.records.proven_notes import ProvenNotes, note_of
from dncd.records.revisions import Revision
from dncd.records.texts import Text, blob_name
from dncd.values import printable

EVENT: Final = "proven"

_DIGESTED_BYTES: Final = 100_000
"""Of a text: three times the memory of most controls. What is larger is drip-fed, and no control punches it."""

NOTE_CHARS: Final = 500
NAME_CHARS: Final = 80


@dataclass(frozen=True, slots=True)
class Signing:
    """What somebody signs. revision: its number, 0 for what the control holds; note, by: in his words."""

    machine: str
    program: str
    note: str
    by: str
    revision: int = 0

    def checked(self) -> "Signing":
        """The same with its words made one printable line each; UsageError where they say nothing or too much."""
        note, by = (" ".join(printable(" ".join(text.split())).split()) for text in (self.note, self.by))
        for what, text, most in (("--note", note, NOTE_CHARS), ("--by", by, NAME_CHARS)):
            if not text or len(text) > most:
                raise UsageError(
                    f"{what} has {len(text)} characters", what, f"Say in 1 to {most} characters what and who it was"
                )
        return Signing(self.machine, self.program, note, by, self.revision)


@dataclass(frozen=True, slots=True)
class Proved:
    """What `prove` did. new: whether it was not on record yet."""

    signed: SignedOff
    new: bool


def prove(
    ledger: Ledger, library: Library, held: Holdings, signing: Signing, disk: durable.Disk = durable.DISK
) -> Proved:
    """Puts a signature on record, or finds it there. UsageError, NotDoneError: which revision is not clear; RecordsError.

    For the records thread; held: caught up with the ledger.
    """
    signing = signing.checked()
    revision = _chosen(library, held, signing)
    known = {signed.revision: signed for signed in held.signed_off(signing.machine, signing.program)}
    text = (
        f"proven at {signing.machine}: {signing.program}, revision {revision.number}\n"
        f"Note: {signing.note}\nBy: {signing.by}\n"
    )
    with durable.reporting("the note on the proven revision cannot be kept", library.path):
        ProvenNotes(library.path, library.repo, disk).add(revision.commit, text)
    before = known.get(revision.number)
    if before is not None and (before.note, before.by) == (signing.note, signing.by):
        return Proved(before, new=False)
    fields = {"machine": signing.machine, "program": signing.program, "revision": revision.number}
    line = ledger.append(EVENT, {**fields, "commit": revision.commit, "note": signing.note, "by": signing.by})
    return Proved(SignedOff(signing.program, revision.number, str(line["time"]), signing.note, signing.by), new=True)


def _chosen(library: Library, held: Holdings, signing: Signing) -> Revision:
    """The revision that is named, else the newest one if the control is known to hold just that."""
    history = library.history(signing.machine, signing.program)
    where = f"{signing.machine}/{signing.program}"
    if not history:
        raise UsageError("the library has no such program for this machine", where, "Look at `dncd programs`")
    if signing.revision:
        if signing.revision > len(history):
            next_step = f"It has {len(history)}; -r counts from 1"
            raise UsageError(f"there is no revision {signing.revision}", where, next_step)
        return history[signing.revision - 1]
    holding, newest = held.one(signing.machine, signing.program), history[-1].number
    if holding.held and holding.revision == newest:
        return history[-1]
    knows = f"revision {holding.revision} ({holding.how.value})" if holding.revision else "no revision"
    raise NotDoneError(
        f"the newest revision is {newest}, and the control is known to hold {knows}",
        where,
        "Name the one that made the good part with -r N",
    )


class Standing:
    """Which texts of one machine's programs are proven: every text that is the same in substance as a proven revision."""

    def __init__(self, library: Library, held: Holdings, machine: str) -> None:
        self._library, self._held, self._machine = library, held, machine

    def any(self, program: str) -> bool:
        """Whether any revision of it is proven."""
        return bool(self._held.signed_off(self._machine, program))

    def of(self, program: str, text: Text) -> SignedOff | None:
        """The newest signature for a text; None where nobody proved it."""
        history = self._library.history(self._machine, program)
        signed = [s for s in self._held.signed_off(self._machine, program) if s.revision <= len(history)]
        if not signed:
            return None
        blob = blob_name(text)
        found = [s for s in signed if history[s.revision - 1].blob == blob]
        if not found and (asked := _digest(text)):
            found = [s for s in signed if _digest(self._text(history[s.revision - 1])) == asked]
        return max(found, key=lambda s: s.time, default=None)

    def of_revision(self, program: str, number: int) -> SignedOff | None:
        """The newest signature for the text of a revision."""
        if not self.any(program):
            return None
        history = self._library.history(self._machine, program)
        return self.of(program, self._text(history[number - 1])) if 0 < number <= len(history) else None

    def _text(self, revision: Revision) -> Text:
        return Text.of(self._library.blob(revision.blob))


def _digest(text: Text) -> str:
    """Of its substance; "" for a text that is too large for a control to spell it anew."""
    return digest(b"".join(text.chunks()).decode("utf-8")) if text.size <= _DIGESTED_BYTES else ""


def faults(state: Path) -> tuple[list[str], list[str]]:
    """Problems and notes for `verify`: a proven line that names no revision, one whose note in the library is gone.

    That its commit is the revision that it says is looked at with all other lines that name one.
    """
    problems: list[str] = []
    notes: list[str] = []
    lines = list(_lines(state))
    for seq, commit, _ in lines:
        if not commit:
            problems.append(f"ledger line {seq}: it says that a program was proven, and names no revision")
    if not lines or not (path_of(state) / "HEAD").is_file():
        return problems, notes
    try:
        with Library(state) as library:
            for seq, commit, said in lines:
                if commit and said not in note_of(library.repo, commit):
                    notes.append(
                        f"library: the note on the proven revision of ledger line {seq} is not there; the ledger has its "
                        "words: give `dncd prove` with them again"
                    )
    except RecordsError as error:
        problems.append(f"library: {error.where}: {error.what}")
    return problems, notes


def _lines(state: Path) -> Iterator[tuple[int, str, str]]:
    """Number, commit ("" for none) and the words in the note of each line about a proven program."""
    for line in records(state):
        if line["event"] == EVENT and "program" in line:
            whole = line.get("commit") and isinstance(line.get("revision"), int)
            yield (
                int(line["seq"]),
                str(line["commit"]) if whole else "",
                f"Note: {line.get('note')}\nBy: {line.get('by')}",
            )
