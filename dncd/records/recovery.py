"""What the last run left, put on record machine by machine: one whose folders do not let it keeps none of the others back.

Of one machine everything goes in its order. What fails is tried again while the service runs; until it is on record nothing
goes out to that machine, and nothing that came from it since is recorded before it.

A plan that cannot be read stops its machine until a person has looked at what the control holds: it is of a transfer that
was not on record yet, so its program may lie half in the control, and must never be sent again by itself.
`STATE/underway/ID.unreadable` is the plan, and stops the machine in its name for as long as it lies there; `release` gives
it the name `unreadable-ID.bytes`. The bytes that were being sent lie in `STATE/outgoing/ID.file`: the dropped file that has
them ends as interrupted. Each step may be cut and is done again at the next start.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Final

from dncd.errors import RecordsError
from dncd.ledger_lines import Fields, Record, transfer_of
from dncd.peer_text import printable
from dncd.program import names
from dncd.records import durable, plans
from dncd.records.backups import Backups
from dncd.records.endings import Endings
from dncd.records.ledger import records
from dncd.records.plans import Counted, InPlan, OutPlan, Plan, Sent
from dncd.records.problems import Problem
from dncd.records.shop_folders import TO_MACHINE
from dncd.records.spool import Leftover, keep_damaged, leftovers
from dncd.values import Keys, Result

PLAN_UNREADABLE: Final = "plan-unreadable"
RELEASED: Final = "released"
"""Events of the ledger: a plan that cannot be read stops its machine; a person let the machine go on."""

UNREADABLE: Final = ".unreadable"
_LOOKED_AT: Final = 1 << 16  # bytes of a program in which its names are looked for
_WHY: Final = (
    f"the plan of this sending cannot be read, so how much the control took is not known; {Keys().delete_first}"
)


def blocked_machines(state: Path) -> dict[str, Problem]:
    """Machines that nothing is sent to until `release`, and why; for readers beside the service as well."""
    return {
        path.name.partition("@")[0]: _problem(path) for path in sorted(plans.folder_of(state).glob(f"*{UNREADABLE}"))
    }


def _problem(path: Path) -> Problem:
    machine = path.name.partition("@")[0]
    return Problem(
        "the plan of a transfer cannot be read: the control may hold half a program, and nothing is sent to it",
        str(path),
        f"look at what the control holds, and take out of {machine}/to-machine/ what must not go; then let it go on with"
        f" `dncd withdraw {machine}`",
    )


class UnreadablePlans:
    """For the records thread; `machines` may be looked at by others."""

    def __init__(self, endings: Endings) -> None:
        self._shop, self._endings = endings.shop, endings
        self.machines = blocked_machines(self._shop.state)

    def put_by(self) -> list[Path]:
        """At a start, before any plan is carried out: plans that cannot be read, under names that stop their machines."""
        state = self._shop.state
        for path in plans.unreadable(state):
            durable.move_new(path, path.with_suffix(UNREADABLE))
        self.machines = blocked_machines(state)
        return sorted(plans.folder_of(state).glob(f"*{UNREADABLE}"))

    def release(self, machine: str) -> None:
        """A person has looked at the control: the machine is sent to again. Nothing happens where nothing stops it."""
        for path in sorted(plans.folder_of(self._shop.state).glob(f"{machine}@*{UNREADABLE}")):
            self._endings.ledger.append(RELEASED, {"machine": machine, "transfer": path.stem})
            durable.place(path, path.parent, f"unreadable-{path.stem}.bytes")
        self.machines = blocked_machines(self._shop.state)

    def end(self, path: Path) -> str:
        """Puts such a plan on record, and ends the dropped file that it was about, where that can be told; a sentence."""
        transfer, machine = path.stem, path.name.partition("@")[0]
        stored = self._shop.state / "outgoing" / f"{transfer}.file"
        plan = self._plan(transfer, machine, stored) if stored.exists() else None
        lines = [line for line in records(self._shop.state, machine) if line.get("transfer") == transfer]
        if PLAN_UNREADABLE not in (line["event"] for line in lines):
            fields: Fields = {"machine": machine, "transfer": transfer, "plan": f"underway/{path.name}"}
            if plan:
                fields |= {"file": plan.file, "program": plan.programs[0], "sha256": plan.sha256}
            self._endings.ledger.append(PLAN_UNREADABLE, fields)
        if plan is None:
            return ""
        self._endings.again(transfer)
        ended = self._endings.end_out(plan, how_it_ended(lines, _WHY))
        return f"{machine}: {printable(plan.file)} ended as {ended.record['event']}" if ended else ""

    def _plan(self, transfer: str, machine: str, stored: Path) -> OutPlan:
        """A plan of what is known of the transfer: the bytes, and the dropped file that has them."""
        digest = durable.sha256_of(stored)
        text = next(durable.read_chunks(stored), b"")[:_LOOKED_AT].decode("latin-1")
        found = tuple(dict.fromkeys(head.name for head in names.heads(text.replace("\r\n", "\n"))))
        file = self._dropped(machine, stored.stat().st_size, digest) or f"{transfer}{self._shop.extension}"
        programs = found or (names.safe_name(Path(file).stem),)
        return OutPlan(transfer, machine, file, digest, programs, programs)

    def _dropped(self, machine: str, size: int, digest: str) -> str:
        """The name of the dropped file that has these bytes, "" where none is left."""
        with self._shop.folders.opened(machine, TO_MACHINE) as folder:
            for path in sorted(folder.iterdir()):
                plain = not path.is_symlink() and path.is_file() and path.stat().st_size == size
                if plain and durable.sha256_of(path) == digest:
                    return path.name
        return ""


def how_it_ended(lines: Iterable[Record], why: str) -> Sent:
    """As the ledger has it in the lines of a transfer, where the ending was on record already; else as interrupted, and
    why."""
    endings = {Result.SENT, Result.INTERRUPTED, Result.REFUSED, Result.WITHDRAWN}
    result = next((Result(line["event"]) for line in lines if line["event"] in endings), Result.INTERRUPTED)
    return Sent(result, (why,) if result is Result.INTERRUPTED else (), counted=Counted.UNKNOWN)


_CUT_OFF = (
    "the service or its machine stopped in the middle of the sending; how much the control took is not known;"
    f" {Keys().delete_first}"
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
