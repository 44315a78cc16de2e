"""A day's work under a service that is killed and started again, and what must hold each time."""

import random
import signal
import time
from pathlib import Path

from accounts import Accounts, Up
from forked_runs import Forker, Process
from workday import Workday

from dncd.records.verify import verify


class Campaign:
    """Days with kills in them. at(k): whether start number k dies by itself, at which operation; else 0.

    notes: where the service's disk notes what it does (`strict_disk`), if it is to.
    """

    notes: Path | None = None

    def __init__(self, root: Path, forker: Forker, seed: int, day: type[Workday] = Workday) -> None:
        self.day, self.forker, self.rng = day(root, seed), forker, random.Random(seed + 1)
        self.accounts = Accounts(self.day)
        self.kills = 0

    def start(self, at: int = 0) -> Process:
        before = self._starts()
        process = self.forker.start(self.day.settings, self.day.log, at, self.notes)
        end = time.monotonic() + 60
        while self._starts() == before and not process.ended(0.004):
            assert time.monotonic() < end, "the service did not come up"
        if self._starts() > before:
            self.accounts.ups.append(Up(time.monotonic()))
        return process

    def _starts(self) -> int:
        return sum(p.read_bytes().count(b'"event":"started"') for p in (self.day.state / "ledger").glob("*.jsonl"))

    def work(self, process: Process, seconds: float) -> None:
        """People work until then, or until the service is gone; now and then its settings are read again."""
        end = time.monotonic() + seconds
        while (began := time.monotonic()) < end and not process.ended(pause := self.rng.uniform(0.002, 0.03)):
            for up in self.accounts.ups[-1:]:
                up.late_s = max(up.late_s, time.monotonic() - began - pause)
            self.day.act()
            if self.rng.random() < 0.02:
                self.day.change_a_setting()
                process.send(signal.SIGHUP)

    def kill(self, process: Process) -> None:
        process.send(signal.SIGKILL)
        assert process.ended(60)  # a sync of a busy disk holds it up
        process.close()
        self.kills += 1
        for up in self.accounts.ups[-1:]:
            up.dead = min(up.dead, time.monotonic())
            up.killed = min(up.killed, up.dead)

    def look(self, which: str) -> None:
        """Beside the running service, as anybody may."""
        problems = [*verify(self.day.state, self.day.shop).problems, *self.accounts.check(settled=False)]
        assert problems == [], f"{which}: {problems[:5]}"

    def evening(self, process: Process) -> None:
        """What still waits goes out or is taken back; the service stops; then everything must add up."""
        end = time.monotonic() + 180
        while self._open_work() or self.accounts.unread():  # what a control said last may not be read yet
            assert not process.ended(), self.day.log.read_text()[-3000:]
            assert time.monotonic() < end, (
                f"work does not end: {self._open_work()}, {self.accounts.faults}\n{self._statuses()}"
            )
            for name, control in self.day.controls.items():
                if control.start != "now" and self.day._waiting(name):
                    self.day.operate(name) if control.start == "go" else self._read_in(name)
            process.ended(0.05)
        process.send(signal.SIGTERM)
        assert process.ended(60)
        process.close()
        problems = [*verify(self.day.state, self.day.shop).problems, *self.accounts.check(settled=True)]
        assert problems == [], problems[:5]
        assert "Traceback" not in self.day.log.read_text()
        self.accounts.worked(least=self.kills // 10)

    def _read_in(self, name: str) -> None:
        control = self.day.controls[name].stand_in
        if not control.tape_punch.busy:
            control.read_in()

    def _statuses(self) -> str:
        return "\n".join((self.day.shop / name / "STATUS.txt").read_text() for name in self.day.controls)

    def _open_work(self) -> list[str]:
        busy = [n for n, c in self.day.controls.items() if c.stand_in.tape_punch.busy or self.day._waiting(n)]
        return busy + [p.name for p in (self.day.state / "underway").iterdir()]
