"""The floor: all machines, those that need somebody first."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from dncd.page.views.machine import Board, Rank, board
from dncd.peer_text import printable
from dncd.records.holdings import Holdings

SHOWN: Final = {"": tuple(Rank), "trouble": (Rank.TROUBLE, Rank.LOOK), "busy": (Rank.BUSY,)}
"""Which machines may be asked for: all, those that need somebody, those that do something."""


@dataclass(frozen=True, slots=True)
class Service:
    """The service. runs: whether it answers; problems: what is wrong with it as a whole, in sentences."""

    runs: bool
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Floor:
    """boards: in the order in which they are shown; trouble, busy, every: how many there are; only: which are shown."""

    boards: tuple[Board, ...]
    trouble: int
    busy: int
    every: int
    only: str


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
    shown = sorted((b for b in every if b.rank in SHOWN[chosen]), key=lambda b: (b.rank, b.title.casefold(), b.name))
    return Floor(tuple(shown), _count(every, "trouble"), _count(every, "busy"), len(every), chosen)


def _count(boards: Iterable[Board], only: str) -> int:
    return sum(b.rank in SHOWN[only] for b in boards)
