"""The slow work of receiving: captures kept as they come, judged, and put on record."""

import time
from collections.abc import Callable
from dataclasses import replace

from dncd import defaults
from dncd.line.receiving import CaptureEnd
from dncd.outside.comparer import Comparer
from dncd.outside.disk_room import free_bytes
from dncd.records import durable, overflow, plans
from dncd.records.endings import DAMAGED
from dncd.records.holdings import is_unnamed
from dncd.records.plans import InPlan
from dncd.records.spool import CaptureSpool, Leftover
from dncd.records.store import Store
from dncd.station.events import Append, CaptureJob, Discard, Judge, Keep
from dncd.station.judging import Judging
from dncd.station.ration import Ration
from dncd.station.results import Captured, Damage
from dncd.values import MachineSettings, Result, WireBytes


class CaptureJobs:
    """Of one machine. Each job runs in the thread that it names; of one capture, one after another."""

    def __init__(
        self, store: Store, comparer: Comparer, settings: MachineSettings, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._store, self._settings, self._clock = store, settings, clock
        self._ration = Ration()
        self._spools: dict[int, CaptureSpool] = {}
        self.judging = Judging(store, comparer, settings)

    def do(self, job: CaptureJob) -> object:
        """Does a job; its result is as the job says. RecordsError: none of it is done; the same may be given again."""
        match job:
            case Append():
                return self.append(job)
            case Judge():
                spool = self._spools[job.capture]
                wire, bad = job.ended.whole(b"".join(spool.chunks()), job.damage.bad)
                damage, ended = replace(job.damage, bad=bad), job.ended
                return self.judging.plan(spool.id, wire, ended.why, damage, job.seconds, called=ended.name)
            case Keep():
                captured = self.keep(self._spools[job.capture], job.plan)
                del self._spools[job.capture]
                return captured
            case Discard():
                self._spools.pop(job.capture).remove()
                return job

    def append(self, job: Append) -> int:
        """Adds characters to the file of a capture, which is made with the first of them; gives its size."""
        spool = self._spools.get(job.capture)
        if spool is None:
            spool = CaptureSpool(self._store.shop.state, plans.fresh_id(self._settings.name))
            self._spools[job.capture] = spool
        if job.data:
            spool.append(job.data)
        return spool.size

    def keep(self, spool: CaptureSpool, plan: InPlan) -> Captured:
        if plan.result == Result.DAMAGED or any(is_unnamed(part.program) for part in plan.parts):
            if too_many := self._too_many():
                return self._sum_up(spool, too_many)
            captured = self._record(plan)
            self._ration.keep(spool.size, self._clock())
        else:
            captured = self._record(plan)
        spool.close()
        self._tell_overflow()
        return captured

    def cut_short(self, leftover: Leftover) -> None:
        """A capture that the last run did not finish: on record with what the disk has of it."""
        wire = WireBytes(b"".join(durable.read_chunks(leftover.path)))
        if not wire:
            durable.remove(leftover.path)
            return
        self._record(self.judging.plan(leftover.id, wire, CaptureEnd.STOPPED, Damage(), 0.0))

    def _record(self, plan: InPlan) -> Captured:
        return Captured(tuple(told.record for told in self._store.end_in(plan)))

    # --- too much damage -------------------------------------------------------------------------------------------

    def _too_many(self) -> str:
        """Why one more damaged capture is not kept by itself; "" where it is."""
        state, machine = self._store.shop.state, self._settings.name
        if why := self._ration.why_not(self._clock()):
            return why
        room = free_bytes(state)
        if room is not None and room < defaults.DISK_LEAST_BYTES:
            return f"the disk of the state folder has {room // 1_000_000} MB left"
        with self._store.shop.folders.opened(machine, DAMAGED) as folder:
            amount = overflow.damaged_amount(state, folder, machine)
            if _full(amount) and overflow.let_go(state, folder, machine):
                amount = overflow.damaged_amount(state, folder, machine)
        if _full(amount):
            size = f"{amount.files} files and {amount.bytes // 1_000_000} MB"
            return f"damaged captures take up {size}: clear from-machine/damaged/"
        return ""

    def _sum_up(self, spool: CaptureSpool, why: str) -> Captured:
        state, machine = self._store.shop.state, self._settings.name
        kept = overflow.add(state, machine, b"".join(spool.chunks()))
        if not self._ration.summed:
            self._store.note("overflow", machine=machine, why=why, kept=kept.name)
        self._ration.sum_up(spool.size)
        spool.remove()
        said = f"{why}; {self._ration.summed} more, {self._ration.summed_chars} characters in all, were put together in"
        return Captured((), f"{said} captures/{kept.name} in the state folder instead of being kept one by one")

    def _tell_overflow(self) -> None:
        captures, chars = self._ration.begin_anew(self._clock())
        if captures:
            self._store.note("overflow over", machine=self._settings.name, captures=captures, chars=chars)


def _full(amount: overflow.Amount) -> bool:
    return amount.files >= defaults.DAMAGED_FILES or amount.bytes >= defaults.DAMAGED_BYTES
