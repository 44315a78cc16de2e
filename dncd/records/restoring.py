"""What a control held, as one dump that can be sent: mark, programs, mark.

The order is that of the newest backup; what went to the control after it follows by number, then by name. Read back,
the dump falls apart into the very same programs: one that would not (its name stood on a mark line of its own) stands
alone, as a file by itself.
"""

import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from dulwich.objects import Commit, ObjectID

from dncd.errors import RecordsError
from dncd.ledger_lines import NO_TIME
from dncd.peer_text import local_text
from dncd.program import names
from dncd.program.splitting import Kind, split
from dncd.records.holdings import Backup, Holding, How, is_data, is_unnamed
from dncd.records.library import Library
from dncd.records.revisions import trailers_in

_LEFT: Final = {
    How.IN_PART: "a sending of revision {revision} was interrupted, so what the control holds of it is not known",
    How.MISSING: "missing in the backup of {since}",
    How.UNKNOWN: "no revision of it is known",
}


@dataclass(frozen=True, slots=True)
class Piece:
    """A program in a dump. how: how sure it was held; mark_line: that it came with where that says more than the mark."""

    program: str
    revision: int
    how: How
    text: str
    mark_line: str


@dataclass(frozen=True, slots=True)
class Left:
    """A program that is not restored. reason: why, with what to do; command: that gets it, behind `dncd`, "" for none."""

    program: str
    reason: str
    command: str = ""


@dataclass(frozen=True, slots=True)
class Contents:
    """What is to be restored, in order; left: programs that are not."""

    pieces: tuple[Piece, ...]
    left: tuple[Left, ...]


@dataclass(frozen=True, slots=True)
class Dump:
    """pieces: between one pair of marks; alone: those that cannot stand there. opening, closing: mark lines, or ""."""

    opening: str
    pieces: tuple[Piece, ...]
    closing: str
    alone: tuple[Piece, ...]

    @property
    def text(self) -> str:
        """The dump with LF block ends; "" if every program stands alone."""
        return tape(self.opening, "".join(piece.text for piece in self.pieces), self.closing) if self.pieces else ""


def tape(opening: str, text: str, closing: str) -> str:
    """Mark line, blocks, mark line, LF after each; a last block without one gets it."""
    body = text if text.endswith("\n") or not text else f"{text}\n"
    return "".join(f"{line}\n" for line in (opening,) if line) + body + (f"{closing}\n" if closing else "")


def held_at(library: Library, machine: str, held: Mapping[str, Holding], backup: Backup | None) -> Contents:
    """The texts of what a control held. RecordsError if the library lacks one."""
    chosen, left = chosen_of(machine, held, backup)
    return Contents(tuple(piece_of(library, machine, p, r, held[p].how) for p, r in chosen), left)


def chosen_of(
    machine: str, held: Mapping[str, Holding], backup: Backup | None
) -> tuple[tuple[tuple[str, int], ...], tuple[Left, ...]]:
    """Which revisions are to be restored, in order, and what is left out."""
    unnamed = sum(map(is_unnamed, held))
    held = {program: known for program, known in held.items() if not is_unnamed(program)}
    left = [_left(machine, program, holding) for program, holding in held.items() if holding.how in _LEFT]
    if unnamed:
        what = f"{unnamed} program{'' if unnamed == 1 else 's'} without a number or name"
        why = "nobody can tell which program each is: look at them in from-machine/, and send them by themselves"
        left.append(Left(what, why))
    order = list(zip(backup.programs, backup.revisions, strict=False)) if backup else []
    in_dump = {program for program, _ in order}
    last = {program: index for index, (program, _) in enumerate(order)}
    chosen: list[tuple[str, int]] = []
    for index, (program, revision) in enumerate(order):
        now = held.get(program, Holding())
        if now.held:
            chosen.append((program, now.revision if last[program] == index else revision))
    for program in sorted(set(held) - in_dump, key=_by_number):
        if not held[program].held:
            continue
        if is_data(program):
            why = "it is data, not a program, and came by itself: look at it and send it by itself"
            left.append(Left(program, why))
        else:
            chosen.append((program, held[program].revision))
    return tuple(chosen), tuple(left)


def _left(machine: str, program: str, holding: Holding) -> Left:
    reason = _LEFT[holding.how].format(revision=holding.revision or "?", since=local_text(holding.since))
    if holding.how is How.MISSING and holding.since != NO_TIME:
        before = (datetime.fromisoformat(holding.since) - timedelta(milliseconds=1)).astimezone()
        return Left(program, reason, f"restore {machine} --at {before.isoformat(timespec='milliseconds')}")
    if holding.how is How.IN_PART and holding.revision:
        return Left(program, reason, f"show {machine} {shlex.quote(program)} --revision {holding.revision}")
    return Left(program, reason)


def _by_number(program: str) -> tuple[int, int, str]:
    digits = program[1:]
    return (0, int(digits), program) if program[:1] == "O" and digits.isdecimal() else (1, 0, program)


def piece_of(library: Library, machine: str, program: str, number: int, how: How = How.UNKNOWN) -> Piece:
    """A revision as a piece of a dump. RecordsError if the library lacks it."""
    revision = next((r for r in library.history(machine, program) if r.number == number), None)
    if revision is None:
        raise RecordsError(f"there is no revision {number}", f"{machine}/{program}", "Run `dncd verify`")
    commit = library.repo.object_store[ObjectID(revision.commit.encode())]
    mark_line = trailers_in(commit.message).get("Mark-Line", "") if isinstance(commit, Commit) else ""
    return Piece(program, number, how, library.blob(revision.blob).decode("utf-8"), mark_line)


def compose(pieces: Iterable[Piece], opening: str, closing: str, mark: str) -> Dump:
    """Puts pieces between one pair of mark lines; opening may bear the name of the first. mark: the mark itself."""
    inside: list[Piece] = []
    alone: list[Piece] = []
    named = ""
    for piece in pieces:
        if not inside and piece.mark_line and opening == piece.mark_line:
            named = opening
            inside.append(piece)
        elif _stands(piece, mark):
            inside.append(piece)
        else:
            alone.append(piece)
    opening = named or (mark if opening else "")
    while (wrong := _first_wrong(inside, opening, mark)) >= 0:
        alone.append(inside.pop(wrong))
        opening = mark if opening and not wrong else opening
    return Dump(opening, tuple(inside), closing, tuple(alone))


def _stands(piece: Piece, mark: str) -> bool:
    parts = split(piece.text, mark, mark)
    if is_data(piece.program):
        return all(part.kind is not Kind.PROGRAM for part in parts)
    return len(parts) == 1 and parts[0].name == names.own_name(piece.program)


def _first_wrong(pieces: list[Piece], opening: str, mark: str) -> int:
    """Index of the first piece that is not found again where the dump is split; -1 if all are."""
    parts = split("".join(piece.text for piece in pieces), opening, mark)
    for index, piece in enumerate(pieces):
        if index >= len(parts) or parts[index].text != piece.text:
            return index
        if names.own_name(parts[index].name) != names.own_name(piece.program) and not is_data(piece.program):
            return index
    return -1 if len(parts) == len(pieces) else len(pieces) - 1
