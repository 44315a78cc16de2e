"""The threads that do the slow work for the line loop: disks, shares, and checks of whole programs."""

import queue
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Final, Protocol, TypeVar

from dncd.outside.loop import Loop, Owner
from dncd.outside.threads import Fate, Thread

_T = TypeVar("_T")

APART: Final = "apart"
"""In place of a thread's name."""


class Post(Protocol):
    """How a result reaches the line loop: `Loop.post`."""

    def __call__(self, job: Callable[[], None], owner: Owner | None = None) -> object:
        """Runs `job` in the loop's thread; what it raises is the owner's."""


def _work(
    job: Callable[[], _T],
    then: Callable[[_T], None],
    failed: Callable[[Exception], None],
    post: Post,
    owner: Owner | None,
) -> Callable[[], None]:
    def work() -> None:
        try:
            result = job()
        except Exception as error:  # noqa: BLE001 - the loop decides what an error means; it is never lost
            caught = error
            post(lambda: failed(caught), owner)
        else:
            post(lambda: then(result), owner)

    return work


class Worker:
    """Does jobs one after another, in the order in which they came, in a thread of its own. A job that raises goes to
    `failed` with its exception; nothing is swallowed."""

    def __init__(self, name: str, post: Post) -> None:
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._post = post
        self._since: float | None = None
        self.thread = Thread(name, self._work, Fate.VITAL)
        self.thread.start()

    def do(
        self,
        job: Callable[[], _T],
        then: Callable[[_T], None],
        failed: Callable[[Exception], None],
        owner: Owner | None = None,
    ) -> None:
        """Runs `job` here; then `then(result)` or `failed(error)` in the loop's thread, where the owner gets what they raise
        (`Loop.post`)."""

        self._jobs.put(_work(job, then, failed, self._post, owner))

    def result_of(self, job: Callable[[], _T], seconds: float) -> _T:
        """Has `job` done here and waits for it, in a thread that may wait; as `result_of`."""
        return result_of(job, self._jobs.put, seconds)

    def waiting(self) -> int:
        """Jobs that wait (about)."""
        return self._jobs.qsize()

    def busy_s(self) -> float:
        """Seconds since the job under way began; 0 without one."""
        since = self._since
        return 0.0 if since is None else time.monotonic() - since

    def finish(self, seconds: float) -> bool:
        """Ends the thread when all that was given is done; whether it ended within `seconds`."""
        self._jobs.put(None)
        return self.thread.join(seconds)

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            self._since = time.monotonic()
            job()
            self._since = None


@dataclass(frozen=True, slots=True)
class Workers:
    """One of each for the whole service. records: what survives a power cut, in order; captures: characters that
    controls punch, to the disk as they come, so that they never wait for the records; checks: reading and checking
    dropped files; supply: pieces of large images for a sending under way; notes: STATUS.txt, where a slow share may
    take its time."""

    loop: Loop
    records: Worker
    checks: Worker
    supply: Worker
    notes: Worker
    captures: Worker
    apart: set[Thread] = field(default_factory=set)
    """The threads of jobs that have one each."""

    @classmethod
    def of(cls, loop: Loop) -> "Workers":
        names = ("records", "checks", "supply", "notes", "captures")
        records, checks, supply, notes, captures = (Worker(f"dncd-{name}", loop.post) for name in names)
        return cls(loop, records, checks, supply, notes, captures)

    def do(
        self,
        thread: str,
        job: Callable[[], _T],
        then: Callable[[_T], None],
        failed: Callable[[Exception], None],
        owner: Owner,
    ) -> None:
        """As `Worker.do`, in the thread of that name; in APART, a job has a thread of its own that ends with it: it may wait
        for a process, and no other job waits for it."""
        if thread != APART:
            self.named()[thread].do(job, then, failed, owner)
            return
        work = _work(job, then, failed, self.loop.post, owner)

        def whole() -> None:
            try:
                work()
            finally:
                self.apart.discard(apart)

        apart = Thread(f"dncd-{APART}", whole)
        self.apart.add(apart)
        try:
            apart.start()
        except RuntimeError as error:  # the system has no thread left: tried again
            self.apart.discard(apart)
            caught = error
            self.loop.post(lambda: failed(caught), owner)

    def named(self) -> dict[str, Worker]:
        """The threads by name: in this order they end."""
        return {name: getattr(self, name) for name in ("captures", "records", "supply", "checks", "notes")}

    def slow(self, seconds: float) -> dict[str, float]:
        """Threads that have been at one job for longer than `seconds` (a disk or a share that hangs), and for how long."""
        waits = {name: worker.busy_s() for name, worker in self.named().items()}
        waits[APART] = max((thread.lived_s() for thread in tuple(self.apart)), default=0.0)
        return {name: spent for name, spent in waits.items() if spent > seconds}

    def finish(self, seconds: float, beside_s: float) -> list[str]:
        """Ends the threads, each when its jobs are done; gives the names of those that did not end in time. seconds:
        for what is to be on record; beside_s: for all others together, which a share that hangs may keep for ever."""
        late = []
        until = time.monotonic() + seconds
        for name, worker in self.named().items():
            if name == "supply":
                until = time.monotonic() + beside_s
            if not worker.finish(max(0.1, until - time.monotonic())):
                late.append(name)
        left = [each for each in tuple(self.apart) if not each.join(max(0.1, until - time.monotonic()))]
        return [*late, APART] if left else late


def result_of(
    job: Callable[[], _T],
    give: Callable[[Callable[[], None]], object],
    seconds: float,
    unwanted: Callable[[_T], object] = lambda _: None,
) -> _T:
    """Has `job` done in another thread and waits for its result, or raises what it raised. give: hands a call to that
    thread; False where it takes none any more. TimeoutError then, and after `seconds`: a job that had not begun by then
    is not done any more; the result of one that had goes to `unwanted`."""
    answer: Future[_T] = Future()

    def work() -> None:
        if answer.set_running_or_notify_cancel():
            try:
                answer.set_result(job())
            except Exception as error:  # noqa: BLE001 - handed to the caller's thread
                answer.set_exception(error)

    if give(work) is False:
        raise TimeoutError
    try:
        return answer.result(seconds)
    except TimeoutError:
        if answer.done():
            return answer.result()
        if not answer.cancel():
            answer.add_done_callback(lambda late: late.exception() or unwanted(late.result()))
        raise
