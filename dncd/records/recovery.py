"""What the last run left, put on record machine by machine: one whose folders do not let it keeps none of the others back.

Of one machine everything goes in its order. What fails is tried again while the service runs; until it is on record nothing
goes out to that machine, and nothing that came from it since is recorded before it.
"""

from collections import deque
from collections.abc import Callable, Iterator
from functools import partial

from dncd.errors import RecordsError
from dncd.ledger_lines import transfer_of
from dncd.peer_text import printable
from dncd.records import durable, plans
from dncd.records.backups import Backups
from dncd.records.endings import Endings
from dncd.records.ledger import records
from dncd.records.plans import InPlan, Plan
from dncd.records.spool import Leftover, keep_damaged, leftovers
from dncd.records.unreadable import UnreadablePlans, how_it_ended

_CUT_OFF = (
    "the service or its machine stopped in the middle of the sending; how much the control took is not known;"
    " delete what the control holds of it, then drop the file again"
)
_LEFT = "what the last run left"

Job = Callable[[], str]
"""One thing that was left; a sentence on what became of it, "" where there is nothing to say. May be called again."""


class Recovery:
    """For the records thread; `left` may be asked from any."""

    def __init__(self, endings: Endings, unreadable: UnreadablePlans, backups: Backups) -> None:
        self._endings, self._unreadable, self._backups = endings, unreadable, backups
        self._jobs: dict[str, deque[Job]] = {}
        self._at_work = ""

    @property
    def left(self) -> tuple[str, ...]:
        return tuple(self._jobs)

    def begin(self, cut_short: Callable[[Leftover], bool]) -> list[str]:
        """At a start: finds what was left, and does what can be done; sentences for the journal."""
        for machine, job in self._found(cut_short):
            self._jobs.setdefault(machine, deque()).append(job)
        said = self.again()
        self._tidy()
        return said

    def again(self) -> list[str]:
        """Once more what could not be done; sentences for the journal."""
        said: list[str] = []
        for machine, jobs in list(self._jobs.items()):
            self._at_work = machine
            try:
                with self._endings.stuck.watched(machine, _LEFT, str(self._endings.shop.folder / machine)):
                    while jobs:
                        said.append(jobs[0]())
                        jobs.popleft()
            except (OSError, RecordsError):
                continue  # the endings keep why
            finally:
                self._at_work = ""
            del self._jobs[machine]
        return [each for each in said if each]

    def wait_for(self, machine: str) -> None:
        """RecordsError while something older of that machine is not on record."""
        if machine in self._jobs and machine != self._at_work:
            self._endings.stuck.check(machine)

    def _found(self, cut_short: Callable[[Leftover], bool]) -> Iterator[tuple[str, Job]]:
        state = self._endings.shop.state
        for path in self._unreadable.put_by():
            yield path.name.partition("@")[0], partial(self._unreadable.end, path)
        found = plans.load_all(state)
        for plan in found:
            self._endings.again(plan.id)
            yield plan.machine, partial(self._finish, plan)
        planned = {plan.id for plan in found}
        left = [leftover for leftover in leftovers(state) if leftover.id not in planned]
        known = {transfer_of(line) for line in records(state)} if left else set()
        for leftover in left:
            if leftover.id in known:  # in a copy of the folder: the ledger was copied later, and has it
                keep_damaged(leftover.path)
            else:
                yield leftover.machine, partial(self._cut_short, leftover, cut_short)
        for path in self._backups.left():
            yield path.name.partition("@")[0], partial(self._backups.recover, path)

    def _finish(self, found: Plan) -> str:
        plan = plans.load(self._endings.shop.state, found.id)
        if plan is None:  # on record: by an earlier try, or as that of a plan that cannot be read
            return ""
        if isinstance(plan, InPlan):
            self._endings.end_in(plan)
            return f"{plan.machine}: what the control punched before the last stop is on record now"
        if plan.ended is None:
            # the ledger knows an ending in a copy of the folder alone, where it was copied later
            every = records(self._endings.shop.state, plan.machine)
            lines = [line for line in every if line.get("transfer") == plan.id]
            ended = how_it_ended(lines, _CUT_OFF)
            self._endings.end_out(plan, ended)
            return f"{plan.machine}: {printable(plan.file)} was being sent and ended as {ended.result}"
        self._endings.carry_out(plan)
        return f"{plan.machine}: {printable(plan.file)} ended as {plan.ended.result}"

    def _cut_short(self, leftover: Leftover, cut_short: Callable[[Leftover], bool]) -> str:
        if leftover.path.exists():
            if not cut_short(leftover):
                return ""
        elif isinstance(plan := plans.load(self._endings.shop.state, leftover.id), InPlan):
            self._endings.end_in(plan)  # the disk failed behind the last step of an earlier try
        on_disk = f"the {leftover.size} characters of it that are on the disk"
        return f"{leftover.machine}: a capture that was cut short is on record with {on_disk}"

    def _tidy(self) -> None:
        """At a start only: what a cut left half-written, and copies of files whose sending is on record."""
        state = self._endings.shop.state
        for folder in (state, *state.glob("*")):
            durable.sweep(folder)
        self._endings.shop.folders.sweep()
        needed = {path.stem for path in plans.folder_of(state).iterdir()}
        for left in (state / "outgoing").iterdir():
            if left.name.rpartition(".")[0] not in needed:
                durable.discard(left)
