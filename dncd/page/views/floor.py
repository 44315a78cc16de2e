"""The floor: all machines, those that need somebody first."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from dncd.page.views.machine import Board, Rank, board
from dncd.peer_text import printable
from dncd.records.holdings import Holdings

SHOWN: Final[Mapping[str, Callable[[Board], bool]]] = {
    "": lambda board: True,
    "trouble": lambda board: board.rank in (Rank.TROUBLE, Rank.LOOK),
    "busy": lambda board: board.rank is Rank.BUSY,
    "backup": lambda board: board.backup.lacks,
}
"""Which machines may be asked for: all, those that need somebody, those that do something, those without a backup or
with one that is too old."""


@dataclass(frozen=True, slots=True)
class Service:
    """The service. runs: whether it answers; problems: what is wrong with it as a whole, in sentences."""

    runs: bool
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Floor:
    """boards: in the order in which they are shown; counts: how many there are of each of SHOWN; only: which are shown."""

    boards: tuple[Board, ...]
    counts: Mapping[str, int]
    only: str


@dataclass(frozen=True, slots=True)
class Far:
    """Another box. alive: whether what it says is true now; heard: UTC of its last news, "" for none; age_s: theirs;
    problem: what is wrong with it just now, ""."""

    name: str
    boards: tuple[Board, ...]
    alive: bool
    heard: str
    age_s: float
    problem: str


_LASTING: Final = ("title", "backup", "proven", "last", "open", "holds", "unsure", "keys")
"""What of a machine's status is a record: what it does was true once."""


def far(name: str, found: Mapping[str, Any], *, heard: str, age_s: float, alive: bool, problem: str) -> Far:
    """found: `machines`, each as `boxes.told_to_others` has it. Where it is not alive, nothing tells what a line does."""
    boards = []
    for machine, said in (found.get("machines") or {}).items():
        status = said if alive else {key: said[key] for key in _LASTING if key in said}
        made = board(printable(str(machine))[:60], status, Holdings())
        boards.append(replace(made, holds=int(said.get("holds", 0)), unsure=int(said.get("unsure", 0))))
    return Far(name, _ordered(boards), alive, heard, age_s, printable(problem))


def _ordered(boards: Iterable[Board]) -> tuple[Board, ...]:
    return tuple(sorted(boards, key=lambda b: (b.rank, b.title.casefold(), b.name)))


def service(status: Mapping[str, Any]) -> Service:
    """Of a status of the whole service; of one that nobody gave ({}), a service that does not run."""
    found: Mapping[str, Any] = status.get("service") or {}
    problems = [printable(str(said)) for said in found.get("trouble", ())]
    if (found.get("reload") or {}).get("result") == "refused":
        problems.append(printable(str(found["reload"]["what"])))
    return Service(bool(found), tuple(problems))


def floor(machines: Mapping[str, Mapping[str, Any]], held: Holdings, only: str = "") -> Floor:
    """machines: the status of each, by name; only: one of SHOWN, anything else shows all."""
    every = [board(name, status, held) for name, status in machines.items()]
    chosen = only if only in SHOWN else ""
    shown = _ordered(filter(SHOWN[chosen], every))
    return Floor(shown, {key: sum(map(wanted, every)) for key, wanted in SHOWN.items()}, chosen)
