"""What one line has done since the service started, and what is wrong with its records: for `status`, the health endpoint
and a report."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError, RecordsError
from dncd.ledger_lines import Record, programs_of
from dncd.peer_text import moment, printable, some
from dncd.records.durable import TRIED_AGAIN, next_step_of
from dncd.station import events as ev
from dncd.station.results import Captured, FileEnding
from dncd.values import NO_FAULTS, Counters, Result

_ENDINGS_KEPT: Final = 500


@dataclass(slots=True)
class Tally:
    """chars: characters of the transfers that have ended; faults: what the port noticed; port_losses: times it went away."""

    transfers: dict[str, int] = field(default_factory=lambda: dict.fromkeys(Result, 0))
    chars_out: int = 0
    chars_in: int = 0
    holds: int = 0
    held_s: float = 0.0
    faults: Counters = NO_FAULTS
    port_losses: int = 0
    summed_up: int = 0

    def went_out(self, record: Record) -> None:
        self._count(record)
        self.chars_out += record.get("chars", 0)
        self.holds += record.get("holds", 0)
        self.held_s += record.get("held_s", 0.0)

    def came_in(self, records: Sequence[Record]) -> None:
        """A capture has ended; records: the ledger lines of its programs, which all have the characters of the whole."""
        for record in records:
            self._count(record)
        if records:
            self.chars_in += records[0].get("wire_chars", 0)
        else:
            self.summed_up += 1

    def _count(self, record: Record) -> None:
        if (event := record.get("event", "")) in self.transfers:
            self.transfers[event] += 1

    def as_dict(self) -> dict[str, Any]:
        """For `status`."""
        return {**asdict(self), "held_s": round(self.held_s, 3)}


_ENDING, _CAPTURE = "the end of {} could not be put on record", "what the control punched could not be written"
_WHAT_FAILS: Final[Mapping[type[ev.Job], str]] = {
    ev.TakeIn: "{} could not be read",
    ev.Begin: "{} could not be begun, so nothing was sent",
    **dict.fromkeys((ev.Dismiss, ev.End, ev.Return), _ENDING),
    **dict.fromkeys((ev.Append, ev.Judge, ev.Keep, ev.Discard), _CAPTURE),
    ev.KeepOrder: "the order of what waits could not be put on record",
}
"""What it means that a job fails, with the name of its file; jobs with the same have one trouble."""


_LATE: Final[Mapping[str, str]] = {
    Result.SENT: "went out whole",
    Result.REFUSED: "was refused and did not go out",
    Result.INTERRUPTED: "was stopped in the middle already",
    Result.WITHDRAWN: "was withdrawn already",
}
_SEE: Final[Mapping[str, str]] = {
    Result.SENT: "{} is in the control, as far as anybody can tell: delete it there if it must not run",
    Result.INTERRUPTED: "The control may hold a part of {}: delete it there",
}


def taken_back(by: str) -> str:
    """How a file was taken back. by: who did by the page, "" for a command."""
    return f"stopped by {by} on the page" if by else "withdrawn at a keyboard"


class Account:
    """What the jobs of one station came to. port: as the settings name it."""

    def __init__(self, port: str) -> None:
        self.tally = Tally()
        self.endings: list[FileEnding] = []
        self.overflow, self.overflow_at = "", -math.inf
        self.came: tuple[Record, ...] = ()  # ledger fields of the newest capture
        self._port = port
        self._troubles: dict[str, str] = {}

    @property
    def troubles(self) -> list[str]:
        """What is not on record though it should be, in sentences."""
        return list(self._troubles.values())

    def not_too_late(self, name: str, there: object, machine: str) -> None:
        """NotDoneError with what became of a file that does not wait any more, where that is known. there: the one of its
        name in the queue."""
        ended = next((ending for ending in reversed(self.endings) if ending.file == name), None)
        if there is not None or ended is None or ended.result not in _LATE:
            return
        said = f"too late: {printable(name)} {_LATE[ended.result]}, {moment(ended.fields['time'])}"
        programs = some([printable(program) for program, _ in programs_of(ended.fields)], 3)
        raise NotDoneError(said, machine, _SEE.get(ended.result, "See its receipt in refused/").format(programs))

    def done(self, job: ev.Job, result: object, now: float) -> list[ev.Action]:
        self._troubles.pop(_WHAT_FAILS.get(type(job), ""), None)
        match result:
            case FileEnding() if result.result:
                self.endings = [*self.endings[-_ENDINGS_KEPT:], *(() if result.goes_on else (result,))]
                self.tally.went_out(result.fields)
                return [ev.Say(ev.Level.TRANSFER, "", result.fields), ev.Changed()]
            case Captured():
                return self._kept(result, now)
        return [ev.Changed()] if isinstance(job, ev.Dismiss | ev.End | ev.Return | ev.Discard) else []

    def _kept(self, captured: Captured, now: float) -> list[ev.Action]:
        actions: list[ev.Action] = []
        if captured.overflow and not self.overflow:
            next_step = "look at cable, shield and settings of this line; good programs are kept as ever"
            actions.append(warning("too much damage", captured.overflow, self._port, next_step))
        self.overflow, self.overflow_at = captured.overflow, now
        self.came = captured.transfers
        if captured.transfers or captured.overflow:
            self.tally.came_in(captured.transfers)
        return [*actions, *(ev.Say(ev.Level.TRANSFER, "", fields) for fields in captured.transfers), ev.Changed()]

    def failed(self, job: ev.Job, error: Exception) -> list[ev.Action]:
        """A job failed. What that means is said once while it stays the same."""
        if not (kind := _WHAT_FAILS.get(type(job), "")):
            return []
        what = kind.format(getattr(job, "name", ""))
        if isinstance(error, OSError):  # of a share or a disk
            where, next_step = str(error.filename or "the disk"), next_step_of(error.errno) + TRIED_AGAIN
            error = RecordsError(f"{what}: {error.strerror}", where, next_step)
        said = str(error) if isinstance(error, DncdError) else f"{what}: {error}"
        before, self._troubles[kind] = self._troubles.get(kind), said
        if before == said:
            return [ev.Changed()]
        if isinstance(error, DncdError):
            what = error.what if error.what.startswith(what) else f"{what}: {error.what}"
            return [warning("records", what, error.where, error.next_step), ev.Changed()]
        return [warning("records", said, "the state folder", "report it; it is tried again by itself"), ev.Changed()]


def warning(event: str, what: str, where: str, next_step: str) -> ev.Say:
    return ev.Say(ev.Level.WARNING, event, {"what": what, "where": where, "next": next_step})
