"""What waits for somebody's decision, each with what can be done: the words for that are the template's."""

import enum
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from dncd.ledger_lines import Record
from dncd.page.views.machine import Board, Waits, named
from dncd.page.views.program import Mark, Piece
from dncd.peer_text import printable
from dncd.records.holdings import Holdings, How
from dncd.records.revisions import Revision
from dncd.values import Origin


class Kind(enum.StrEnum):
    """What there is to decide, in the order in which they are shown: what can hurt comes first."""

    IN_PART = "in part"
    DAMAGED = "damaged"
    EDIT = "edit"
    STALE = "stale"
    NOT_LOOKED_AT = "not looked at"
    BACKUP = "backup"


@dataclass(frozen=True, slots=True)
class Spot:
    """A place of damage in a text. lines: some around it, as number and pieces; reason: in a sentence."""

    reason: str
    lines: tuple[tuple[int, tuple[Piece, ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class Decision:
    """says: sentences of the service, () where the kind says all; revision: that it is about, before: the one to compare it
    with, 0 for none; time: since when, "" where nobody knows; waiting: files of an edited program that wait."""

    kind: Kind
    board: Board
    program: str = ""
    file: str = ""
    revision: int = 0
    before: int = 0
    time: str = ""
    says: tuple[str, ...] = ()
    spots: tuple[Spot, ...] = ()
    waiting: tuple[Waits, ...] = ()


_PLACE: Final = re.compile(r"line (\d{1,7}), column (\d{1,7})\b")
"""The form of a place in the reason of a receipt (contract 1)."""

_AROUND: Final = 2
_SPOTS: Final = 5
_SHOWN_CHARS: Final = 160


def decisions(
    boards: Sequence[Board],
    held: Holdings,
    history: Callable[[str, str], Sequence[Revision]],
    pair: Callable[[str, str], tuple[int, int]],
    damaged: Sequence[tuple[Record, str]],
) -> tuple[Decision, ...]:
    """Of all machines. history, pair: of a machine's program, all revisions and the two of taking over; damaged:
    lines of the ledger, each with the text of the file, "" where it cannot be read."""
    by_name = {board.name: board for board in boards}
    found = [each for board in boards for each in _of(board, held, history, pair)]
    for line, text in damaged:
        if (at := by_name.get(line.get("machine", ""))) is not None:
            file, program = printable(line.get("file", "")), ", ".join(named(line))
            spots = tuple(spot(text, reason) for reason in _advised_once(line.get("reasons", [])[:_SPOTS]))
            found.append(Decision(Kind.DAMAGED, at, program=program, file=file, time=line.get("time", ""), spots=spots))
    order = list(Kind)
    return tuple(sorted(found, key=lambda d: order.index(d.kind)))


def _of(
    board: Board,
    held: Holdings,
    history: Callable[[str, str], Sequence[Revision]],
    pair: Callable[[str, str], tuple[int, int]],
) -> Iterator[Decision]:
    for program, holding in held.of(board.name).items():
        about: dict[str, Any] = {"program": printable(program), "revision": holding.revision, "time": holding.since}
        if holding.how is How.IN_PART:
            yield Decision(Kind.IN_PART, board, **about)
        if holding.how is How.CHANGED and (revisions := history(board.name, program)):
            office, edited = pair(board.name, program)
            waits = office not in (0, edited)
            if waits or revisions[-1].origin is Origin.MACHINE:
                about |= {"revision": edited, "waiting": board.waits(program)}
                yield Decision(Kind.EDIT, board, **about, before=office if waits else max(0, edited - 1))
    brings = board.brings
    if brings.withheld:
        about = {"program": brings.program, "file": brings.file, "time": brings.dropped}
        yield Decision(Kind.STALE, board, **about, says=(brings.withheld,))
    if board.folder:
        yield Decision(Kind.NOT_LOOKED_AT, board, says=(board.folder,))
    if board.backup.due:
        yield Decision(Kind.BACKUP, board, time=board.backup.last, says=(board.backup.due,))


def _advised_once(reasons: Sequence[str]) -> Iterator[str]:
    """What to do stands behind the last only of those that say the same."""
    for reason, following in zip(reasons, [*reasons[1:], ""], strict=True):
        ends = (found.start() for found in re.finditer("; ", reason))
        yield reason[: next((at for at in ends if following.endswith(reason[at:])), len(reason))]


def spot(text: str, reason: str) -> Spot:
    """The place that a reason names, with lines around it, the hit character marked; the reason alone where it names none or
    the text does not have it."""
    found, lines = _PLACE.search(reason), text.splitlines()
    said = printable(reason)
    if found is None or not 0 < int(found[1]) <= len(lines):
        return Spot(said)
    hit, column = int(found[1]), int(found[2])
    around = range(max(1, hit - _AROUND), min(len(lines), hit + _AROUND) + 1)
    return Spot(said, tuple((n, _pieces(lines[n - 1], column if n == hit else 0)) for n in around))


def _pieces(line: str, column: int) -> tuple[Piece, ...]:
    start = max(0, column - _SHOWN_CHARS)
    cut = line[start : start + 2 * _SHOWN_CHARS]
    at = column - 1 - start
    if column < 1 or at >= len(cut):
        return (Piece(Mark.PLAIN, printable(cut)),)
    parts = ((Mark.PLAIN, cut[:at]), (Mark.GONE, cut[at]), (Mark.PLAIN, cut[at + 1 :]))
    return tuple(Piece(mark, printable(text)) for mark, text in parts if text)
