"""What is wrong with a machine now, as status and journal tell it, and what of it stops the machine."""

import contextlib
import dataclasses
import os
from collections.abc import Iterator
from dataclasses import dataclass

from dncd.errors import DncdError, RecordsError
from dncd.records import durable


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong with a machine now: what, where, and what to do next."""

    what: str
    where: str
    next_step: str

    @classmethod
    def of(cls, error: Exception, what: str, where: str) -> "Problem":
        """What an error of the disk or of dncd says; what, where: for one that does not say it."""
        if isinstance(error, DncdError):
            return cls(error.what, error.where, error.next_step)
        number = error.errno if isinstance(error, OSError) else None
        place = str(error.filename) if isinstance(error, OSError) and error.filename else where
        return cls(f"{what}: {os.strerror(number) if number else error}", place, durable.next_step_of(number))

    @property
    def sentence(self) -> str:
        return f"{self.what} ({self.where}): {self.next_step}"

    @property
    def fields(self) -> dict[str, str]:
        """As `Journal.warning` takes it."""
        return {"what": self.what, "where": self.where, "next": self.next_step}

    @property
    def error(self) -> RecordsError:
        return RecordsError(self.what, self.where, self.next_step)


class Stuck:
    """Endings that the disk or a share did not let be put on record. Nothing is sent to their machines until they are: the
    order of things is the records'. Written by the records thread, asked from any."""

    def __init__(self) -> None:
        self._problems: dict[tuple[str, str], Problem] = {}

    def why(self, machine: str) -> Problem | None:
        """What keeps a machine; None where nothing does."""
        return next((problem for (name, _), problem in list(self._problems.items()) if name == machine), None)

    def check(self, machine: str) -> None:
        """RecordsError where something keeps it."""
        if (problem := self.why(machine)) is not None:
            raise problem.error

    @contextlib.contextmanager
    def watched(self, machine: str, transfer: str, where: str) -> Iterator[None]:
        """What goes wrong with a transfer's ending keeps its machine, until the same goes well."""
        try:
            yield
        except (OSError, RecordsError) as error:
            problem = Problem.of(error, "the end of a transfer cannot be put on record", where)
            step = problem.next_step.removesuffix(durable.TRIED_AGAIN) + durable.TRIED_AGAIN
            step = f"{step}, and sends nothing until then"
            self._problems[machine, transfer] = dataclasses.replace(problem, next_step=step)
            raise
        self._problems.pop((machine, transfer), None)
