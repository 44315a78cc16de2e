"""The slow work of receiving: captures kept as they come, judged, and put on record."""

import collections
import math
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from dncd import defaults
from dncd.line.receiving import CaptureEnd
from dncd.outside.comparer import Comparer
from dncd.records import durable, plans
from dncd.records.endings import DAMAGED
from dncd.records.holdings import is_unnamed
from dncd.records.plans import InPlan
from dncd.records.spool import CaptureSpool, Leftover, add_overflow, damaged_sizes, let_go
from dncd.records.store import Store
from dncd.station.events import Append, CaptureJob, Discard, Judge, Keep
from dncd.station.judging import Judging
from dncd.station.results import Captured, Damage
from dncd.values import MachineSettings, Result, WireBytes

HOUR_S: Final = 3600.0


class Ration:
    """What one line may still have kept by itself. All times are seconds of a clock that does not jump."""

    def __init__(self, most: int = defaults.DAMAGED_AN_HOUR, most_chars: int = defaults.DAMAGED_CHARS_AN_HOUR) -> None:
        self._most, self._most_chars = most, most_chars
        self._kept: collections.deque[tuple[float, int]] = collections.deque()
        self.summed = 0
        """Captures that were refused since the last that was allowed."""
        self.summed_chars = 0
        self._asked_at = self._summed_since = -math.inf

    def why_not(self, now: float) -> str:
        """Why one more is not kept by itself; "" where it is."""
        self._asked_at = now
        while self._kept and self._kept[0][0] <= now - HOUR_S:
            self._kept.popleft()
        if len(self._kept) >= self._most:
            return f"{len(self._kept)} captures came damaged or without a name within an hour"
        chars = sum(chars for _, chars in self._kept)
        if chars >= self._most_chars:
            return f"{chars} characters came damaged or without a name within an hour"
        return ""

    def keep(self, chars: int, now: float) -> None:
        self._kept.append((now, chars))

    def sum_up(self, chars: int) -> None:
        if not self.summed:
            self._summed_since = self._asked_at
        self.summed += 1
        self.summed_chars += chars

    def begin_anew(self, now: float = math.inf) -> tuple[int, int]:
        """Captures and characters that were summed up, now that they are told; none within an hour from the first: a line
        that says garbage between good programs is told of once, not with every other capture."""
        if now < self._summed_since + HOUR_S:
            return 0, 0
        told = self.summed, self.summed_chars
        self.summed = self.summed_chars = 0
        return told


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
        room = durable.free_bytes(state)
        if room is not None and room < defaults.DISK_LEAST_BYTES:
            return f"the disk of the state folder has {room // 1_000_000} MB left"
        with self._store.shop.folders.opened(machine, DAMAGED) as folder:
            sizes = damaged_sizes(state, folder, machine)
            if _full(sizes) and let_go(state, folder, machine):
                sizes = damaged_sizes(state, folder, machine)
        if _full(sizes):
            size = f"{len(sizes)} files and {sum(sizes) // 1_000_000} MB"
            return f"damaged captures take up {size}: clear from-machine/damaged/"
        return ""

    def _sum_up(self, spool: CaptureSpool, why: str) -> Captured:
        state, machine = self._store.shop.state, self._settings.name
        kept = add_overflow(state, machine, b"".join(spool.chunks()))
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


def _full(sizes: list[int]) -> bool:
    return len(sizes) >= defaults.DAMAGED_FILES or sum(sizes) >= defaults.DAMAGED_BYTES
