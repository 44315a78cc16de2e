"""The threads that work for a station beside the line loop."""

from collections.abc import Callable
from dataclasses import dataclass

from dncd.outside.loop import Loop
from dncd.outside.worker import Worker


@dataclass(frozen=True, slots=True)
class Hands:
    """One of each for the whole service.

    records: what survives a power cut, in order; captures: characters that controls punch, to the disk as they come, so
    that they never wait for the records; checks: reading and checking dropped files; supply: pieces of large
    images for a sending under way; notes: STATUS.txt, where a slow share may take its time.
    """

    loop: Loop
    records: Worker
    checks: Worker
    supply: Worker
    notes: Worker
    captures: Worker

    @classmethod
    def of(cls, loop: Loop) -> "Hands":
        """Starts the threads."""
        names = ("records", "checks", "supply", "notes", "captures")
        return cls(loop, *(Worker(f"dncd-{name}", loop.post) for name in names))

    def named(self) -> dict[str, Worker]:
        """The threads by name."""
        return {name: getattr(self, name) for name in ("checks", "supply", "notes", "captures", "records")}

    def dead(self) -> list[str]:
        """Threads that ended by a fault of dncd's own: nothing that they were given will be done."""
        return [name for name, worker in self.named().items() if not worker.alive()]

    def slow(self, seconds: float) -> dict[str, float]:
        """Threads that have been at one job for longer than `seconds` (a disk or a share that hangs), and for how long."""
        waits = {name: worker.busy_s() for name, worker in self.named().items()}
        return {name: spent for name, spent in waits.items() if spent > seconds}

    def finish(self, seconds: float, now: Callable[[], float]) -> list[str]:
        """Ends the threads, each when its jobs are done; gives the names of those that did not end in time."""
        until = now() + seconds
        late = []
        for name, worker in self.named().items():
            if not worker.finish(max(0.1, until - now())):
                late.append(name)
        return late
