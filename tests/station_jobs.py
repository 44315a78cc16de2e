"""The jobs of one machine without its line: what a station gives to its threads, given by hand."""

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

from dncd.choices import EndsOn
from dncd.line.outgoing import Outcome
from dncd.line.receivers import is_noise
from dncd.line.receiving import CaptureEnd, Ended
from dncd.outside.comparer import Comparer
from dncd.records.plans import InPlan
from dncd.records.store import Store
from dncd.station.capture_jobs import CaptureJobs
from dncd.station.events import Append, Begin, Discard, Dismiss, End, Judge, Keep, Scope, TakeIn, Verdict
from dncd.station.imaging import put_away
from dncd.station.results import (
    NO_IMAGE,
    Begun,
    Captured,
    Checked,
    Damage,
    FileEnding,
    Gone,
    Heard,
    Outdated,
    Prepared,
    TakenIn,
)  # fmt: skip
from dncd.station.send_jobs import SendJobs
from dncd.values import MachineSettings, Result, Settings, ShopSettings


class Jobs:
    """Of one machine. once: does a job; a test may do it again until the disk takes it."""

    def __init__(self, store: Store, machine: MachineSettings) -> None:
        self.store, self.comparer = store, Comparer()
        self.sends, self.keeps = SendJobs(store, self.comparer, machine), CaptureJobs(store, self.comparer, machine)
        self.once: Callable[[Callable[[], object]], object] = lambda job: job()
        self._captures = 0

    def take_in(self, name: str, scope: Scope = Scope.IMAGE) -> TakenIn | Checked | Gone:
        """What the intake of a dropped file gives."""
        found = self.once(lambda: self.sends.take_in(TakeIn(name, 1, scope)))
        assert isinstance(found, TakenIn | Checked | Gone)
        return found

    def begin(self, name: str, taken: TakenIn) -> Begun | Outdated | Gone:
        """What the last look before the start gives."""
        begun = self.once(lambda: self.sends.begin(Begin(name, taken.checked, taken.prepared)))
        assert isinstance(begun, Begun | Outdated | Gone)
        return begun

    def end(self, name: str, taken: TakenIn, begun: Begun, outcome: Outcome | None = None) -> FileEnding:
        """It was sent, or ended as the outcome says."""
        total = taken.prepared.total_chars
        done = outcome or Outcome(Result.SENT, "", total, 0, 0.0, 1.0, False)
        job = End(name, begun, taken.checked, taken.prepared, done, Heard(written=done.chars))
        ended = self.once(lambda: self.sends.end(job))
        assert isinstance(ended, FileEnding)
        return ended

    def dismiss(
        self, name: str, checked: Checked, verdict: Verdict = Verdict.REFUSED, prepared: Prepared = NO_IMAGE
    ) -> FileEnding:
        """It ends unsent."""
        job = Dismiss(name, verdict, checked, prepared)
        ended = self.once(lambda: self.sends.dismiss(job))
        assert isinstance(ended, FileEnding)
        return ended

    def send(self, name: str, meanwhile: Callable[[], None] = lambda: None) -> FileEnding:
        """From the drop to the receipt. meanwhile: what happens between check and start."""
        taken = self.take_in(name)
        if isinstance(taken, Checked):
            return self.dismiss(name, taken)
        assert isinstance(taken, TakenIn)
        meanwhile()
        begun = self.begin(name, taken)
        if isinstance(begun, Outdated):
            put_away(taken.prepared)
            return self.send(name)
        assert isinstance(begun, Begun)
        return self.end(name, taken, begun)

    def capture(
        self,
        wire: bytes,
        damage: Damage | None = None,
        *,
        printable: int = 10,
        why: EndsOn | CaptureEnd = EndsOn.MARK,
        seconds: float = 1.0,
    ) -> Captured:
        """The control punches these characters; what becomes of them."""
        self._captures += 1
        number, half = self._captures, len(wire) // 2
        for part in (wire[:half], wire[half:]):
            self.once(lambda part=part: self.keeps.do(Append(number, part)))  # type: ignore[misc]
        ended, damage = Ended(why, len(wire), printable, 1.0), damage or Damage()
        if is_noise(ended) and not damage.of_memory:
            self.once(lambda: self.keeps.do(Discard(number)))
            return Captured(())
        plan = self.once(lambda: self.keeps.do(Judge(number, ended, damage, seconds)))
        assert isinstance(plan, InPlan)
        captured = self.once(lambda: self.keeps.do(Keep(number, plan)))
        assert isinstance(captured, Captured)
        return captured

    def close(self) -> None:
        """Ends the comparer."""
        self.comparer.close()


@contextlib.contextmanager
def jobs_of(root: Path, machine: MachineSettings) -> Iterator[Jobs]:
    """The records of a shop with one machine in a folder, and its jobs."""
    (root / "shop" / machine.name / "to-machine").mkdir(parents=True, exist_ok=True)
    shop = ShopSettings(root / "shop", root / "state")
    store = Store.open(Settings(root / "dncd.toml", shop, {machine.name: machine}))
    jobs = Jobs(store, machine)
    try:
        yield jobs
    finally:
        jobs.close()
        store.close()
