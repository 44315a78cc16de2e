"""Revisions that somebody proved at the machine: a first part that was made under supervision, and signed off.

The ledger line `proven` says that it is so. A signature that is on record is not written again, so that a command whose
answer was lost in a power cut is simply given again. Git notes (`refs/notes/proven`), which dncd 0.1.0 made, are left alone.
"""

from dataclasses import dataclass
from typing import Final

from dncd.errors import NotDoneError, UsageError
from dncd.ledger_lines import Fields
from dncd.peer_text import printable
from dncd.program.substance import digest
from dncd.records.holdings import Holdings, SignedOff
from dncd.records.ledger import Ledger
from dncd.records.library import Library
from dncd.records.revisions import Revision
from dncd.records.texts import Text, blob_name

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
        say_what = 'Say what was looked at: --note "order 1187, first part measured"'
        for what, text, most, next_step in (
            ("--note", note, NOTE_CHARS, say_what), ("--by", by, NAME_CHARS, 'Say who signs: --by "A. Miller"'),
        ):  # fmt: skip
            if not text or len(text) > most:
                raise UsageError(f"it has {len(text)} characters, and 1 to {most} are allowed", what, next_step)
        return Signing(self.machine, self.program, note, by, self.revision)


@dataclass(frozen=True, slots=True)
class Signature:
    """What `prove` did. new: whether it was not on record yet."""

    signed: SignedOff
    new: bool


def prove(ledger: Ledger, library: Library, held: Holdings, signing: Signing) -> Signature:
    """Puts a signature on record, or finds it there. UsageError, NotDoneError: which revision is not clear;
    RecordsError. For the records thread; held: caught up with the ledger."""
    signing = signing.checked()
    revision = _chosen(library, held, signing)
    known = {signed.revision: signed for signed in held.signed_off(signing.machine, signing.program)}
    before = known.get(revision.number)
    if before is not None and (before.note, before.by) == (signing.note, signing.by):
        return Signature(before, new=False)
    about: Fields = {"machine": signing.machine, "program": signing.program, "revision": revision.number}
    line = ledger.append(EVENT, {**about, "commit": revision.commit, "note": signing.note, "by": signing.by})
    return Signature(SignedOff(signing.program, revision.number, line["time"], signing.note, signing.by), new=True)


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
        if not self.any(program):
            return None
        history = self._library.history(self._machine, program)
        return self.of(program, self._text(history[number - 1])) if 0 < number <= len(history) else None

    def _text(self, revision: Revision) -> Text:
        return Text.of(self._library.blob(revision.blob))


def _digest(text: Text) -> str:
    """Of its substance; "" for a text that is too large for a control to spell it anew."""
    return digest(b"".join(text.chunks()).decode("utf-8")) if text.size <= _DIGESTED_BYTES else ""
