"""Plans that cannot be read: each stops its machine until a person has looked at what the control holds.

Such a plan is of a transfer that was not on record yet: its program may lie half in the control, and must never be sent
again by itself. `STATE/underway/ID.unreadable` is the plan, and stops the machine in its name for as long as it lies there;
`release` gives it the name `unreadable-ID.bytes`. The bytes that were being sent lie in `STATE/outgoing/ID.file`: the
dropped file that has them ends as interrupted. Each step may be cut and is done again at the next start.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from dncd.ledger_lines import Fields, Record
from dncd.peer_text import printable
from dncd.program import names
from dncd.records import durable, plans
from dncd.records.endings import Endings
from dncd.records.ledger import records
from dncd.records.plans import Counted, OutPlan, Sent
from dncd.records.problems import Problem
from dncd.records.shop_folders import TO_MACHINE
from dncd.values import Result

EVENT: Final = "plan-unreadable"
RELEASED: Final = "released"
"""Events of the ledger: a plan that cannot be read stops its machine; a person let the machine go on."""

SUFFIX: Final = ".unreadable"
_LOOKED_AT: Final = 1 << 16  # bytes of a program in which its names are looked for
_WHY: Final = (
    "the plan of this sending cannot be read, so how much the control took is not known; delete what the control holds of"
    " it, then drop the file again"
)


def blocked_machines(state: Path) -> dict[str, Problem]:
    """Machines that nothing is sent to until `release`, and why; for readers beside the service as well."""
    return {path.name.partition("@")[0]: _problem(path) for path in sorted(plans.folder_of(state).glob(f"*{SUFFIX}"))}


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
        for path, _ in plans.unreadable(state):
            durable.move_new(path, path.with_suffix(SUFFIX))
        self.machines = blocked_machines(state)
        return sorted(plans.folder_of(state).glob(f"*{SUFFIX}"))

    def release(self, machine: str) -> None:
        """A person has looked at the control: the machine is sent to again. Nothing happens where nothing stops it."""
        for path in sorted(plans.folder_of(self._shop.state).glob(f"{machine}@*{SUFFIX}")):
            self._endings.ledger.append(RELEASED, {"machine": machine, "transfer": path.stem})
            durable.place(path, path.parent, f"unreadable-{path.stem}.bytes")
        self.machines = blocked_machines(self._shop.state)

    def end(self, path: Path) -> str:
        """Puts such a plan on record, and ends the dropped file that it was about, where that can be told; a sentence."""
        transfer, machine = path.stem, path.name.partition("@")[0]
        stored = self._shop.state / "outgoing" / f"{transfer}.file"
        plan = self._plan(transfer, machine, stored) if stored.exists() else None
        lines = [line for line in records(self._shop.state, machine) if line.get("transfer") == transfer]
        if EVENT not in (line["event"] for line in lines):
            fields: Fields = {"machine": machine, "transfer": transfer, "plan": f"underway/{path.name}"}
            if plan:
                fields |= {"file": plan.file, "program": plan.programs[0], "sha256": plan.sha256}
            self._endings.ledger.append(EVENT, fields)
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
