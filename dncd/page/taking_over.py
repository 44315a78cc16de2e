"""An operator's edit taken over into the office's text: what changed, and what becomes of a choice."""

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError, UsageError
from dncd.page.reading import Reading, Wanted
from dncd.page.views.program import CHANGES_SHOWN, COMPARED_CHARS, Part, parts
from dncd.peer_text import printable
from dncd.program.carrying import Carry, carried, taken_over
from dncd.records.checks import Readback
from dncd.records.revisions import Revision
from dncd.values import Origin

_SAID_CHARS: Final = 1_900


@dataclass(frozen=True, slots=True)
class Edit:
    """office: the office's newest revision, edited: the operator's, the newest of all; old, new: their texts, the
    operator's in the office's spelling where respelt. Where nothing waits: an older one, and what it lacks of the newest.
    seen: what the service says of the program as it was read."""

    machine: str
    program: str
    office: Revision
    edited: Revision
    old: str
    new: str
    respelt: bool
    parts: tuple[Part, ...]
    waits: bool = True
    seen: str = ""


@dataclass(frozen=True, slots=True)
class Taken:
    """What was chosen of an edit. chosen: numbers of parts; text: what becomes of it; left: the parts that it lacks."""

    edit: Edit
    chosen: tuple[int, ...]
    text: str

    @property
    def left(self) -> tuple[Part, ...]:
        return tuple(part for part in self.edit.parts if part.number not in self.chosen)

    @property
    def said(self) -> str:
        """What it lacks, for the ledger, which has some 2,000 characters of it: of the rest, how much there is."""
        lines = [line for part in self.left for line in part.said]
        fit = sum(chars <= _SAID_CHARS for chars in accumulate(len(line) + 2 for line in lines))
        return "; ".join([*lines[:fit], *([f"and {len(lines) - fit} more blocks"] if fit < len(lines) else ())])


def pair_of(reading: Reading, machine: str, program: str) -> tuple[int, int]:
    """The numbers of the office's newest text, 0 for none, and of the newest of all, as the service's gate takes them:
    what came back last, if nothing was made since. Both are one where nothing waits: a text of the operator's that the
    office sent is the office's too, and the operator may have taken his edit back to one of the office's."""
    return _pair(reading.history(machine, program), reading.held().checks.readback(machine, program))


def _pair(history: Sequence[Revision], readback: Readback) -> tuple[int, int]:
    came_back = readback.known == len(history) and 0 < readback.back <= len(history)
    edited = readback.back if came_back else len(history)
    made = {revision.number for revision in history if revision.origin is Origin.OFFICE}
    made |= {readback.last_out} if 0 < readback.last_out <= len(history) else set()
    return edited if edited in made else max(made, default=0), edited


def edit_of(reading: Reading, machine: str, program: str, base: int = 0) -> Edit:
    """What waits to be taken over; with base, the number of a revision, what that one lacks of the newest text. NotDoneError
    where there is nothing; UsageError where it is too much for a page."""
    history, readback = reading.history(machine, program), reading.held().checks.readback(machine, program)
    number, newest = _pair(history, readback)  # of the same look as `seen`: what comes meanwhile is never gone over
    waits = base in (0, number)
    base = base or number
    if not 0 < base <= len(history):
        what, next_step = "the office never had a text of this program", "Bring the operator's revision as it is"
        raise NotDoneError(what, program, next_step)
    if base == newest or all(revision.origin is Origin.OFFICE for revision in history):
        what, next_step = "the newest text is the office's own: nothing of the operator's waits", "See its revisions"
        raise NotDoneError(what, program, next_step)
    office, edited = history[base - 1], history[newest - 1]
    old, new = reading.text(office), reading.text(edited)
    own = carried(old, new) if max(len(old), len(new)) <= COMPARED_CHARS else None
    if own is not None:
        respelt = own.how is Carry.DONE
        new = own.text if respelt else new
        found = parts(old, new)
        if sum(len(part.changes) for part in found) <= CHANGES_SHOWN:
            seen = f"{program} {history[-1].commit}, back {readback.back}"
            return Edit(machine, program, office, edited, old, new, respelt, found, waits, seen)
    what = "these texts differ in too much for a page"
    raise UsageError(what, program, "Use `dncd diff`, and take the edit over from from-machine/")


def refused_since(reading: Reading, edit: Edit) -> tuple[tuple[str, str], ...]:
    """The file that the office dropped last since its newest text, and that was refused over an edit: name and time. ()
    for none."""
    history = reading.history(edit.machine, edit.program)
    since = max((revision.time for revision in history if revision.origin is Origin.OFFICE), default="")
    wanted = Wanted(edit.machine, edit.program, "refused", since=since, words=("--over-edits",))
    return tuple((printable(str(line.get("file", ""))), str(line["time"])) for line in reading.lines(wanted, 1))


def number_in(form: Mapping[str, str], key: str, none: int = 0) -> int:
    """The number that a form has there, of a revision or a block; none: where it has no such number."""
    said = form.get(key, "")
    return int(said) if said.isascii() and said.isdigit() and len(said) < 8 else none


def taken(edit: Edit, form: Mapping[str, str]) -> Taken:
    """What a form asks for: `a`, `b`, the revisions that were looked at, and `g` with the number of each part, or all of the
    numbers in `chosen`. NotDoneError where these are not the newest ones any more."""
    if (form.get("a"), form.get("b")) != (str(edit.office.number), str(edit.edited.number)):
        raise NotDoneError(*_CAME_SINCE)
    said = {f"g{number}" for number in form.get("chosen", "").split(",")} | form.keys()
    chosen = tuple(part.number for part in edit.parts if f"g{part.number}" in said)
    return Taken(edit, chosen, taken_over(edit.old, edit.new, chosen))


@dataclass(frozen=True, slots=True)
class Said:
    """What the service says of a file before it is dropped. refusals: what is against it; edits: what the operator changed
    and it lacks; sha256, seen, file, data: what it says that of; problem: why it could not look, ""; lacking:
    the programs that lack an edit."""

    refusals: tuple[str, ...]
    edits: tuple[str, ...]
    warnings: tuple[str, ...]
    programs: tuple[str, ...]
    sha256: str
    seen: str
    file: str = ""
    data: str = ""
    problem: str = ""
    lacking: tuple[str, ...] = ()

    @property
    def goes(self) -> bool:
        """Whether nothing is against it but edits."""
        return not (self.refusals or self.problem)


def said_of(found: Mapping[str, Any]) -> Said:
    def told(key: str) -> tuple[str, ...]:
        return tuple(printable(str(said)) for said in found.get(key, ()))

    sha256, seen, file, data = (str(found.get(key, "")) for key in ("sha256", "seen", "file", "data"))
    edits = told("edits")
    lacking = tuple(name for name in told("names") if any(each.startswith(f"{name}: ") for each in edits))
    said = (told("refusals"), edits, told("warnings"), told("programs"))
    return Said(*said, sha256, seen, file, data, lacking=lacking)


NOTHING: Final = Said((), (), (), (), "", "")


def not_looked(error: DncdError) -> Said:
    """Where the service could not be asked."""
    return replace(NOTHING, problem=str(error))


def checked(taken: Taken, look: Callable[..., Mapping[str, Any]]) -> Said:
    """What the service says of the text. look: as `Asking.look`, whose errors come. NotDoneError where another edit came
    since somebody looked."""
    edit, text = taken.edit, base64.b64encode(taken.text.encode()).decode()
    said = said_of(look("check-text", edit.machine, program=edit.program, revision=edit.office.number, text=text))
    if edit.seen not in said.seen.split("; "):
        raise NotDoneError(*_CAME_SINCE)
    return said


_CAME_SINCE: Final = (
    "another revision came since somebody looked at the edit",
    "the page",
    "Look at what the operator changed anew",
)
