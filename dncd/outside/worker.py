"""A thread that does the slow work for the line loop: disks, and checks of whole programs."""

import queue
import threading
import time
from collections.abc import Callable
from typing import Protocol, TypeVar

from dncd.outside.loop import Owner

_T = TypeVar("_T")


class Post(Protocol):
    """How a result reaches the line loop: `Loop.post`."""

    def __call__(self, job: Callable[[], None], owner: Owner | None = None) -> None:
        """Runs `job` in the loop's thread; what it raises is the owner's."""


class Worker:
    """Does jobs one after another, in the order in which they came, in a thread of its own.

    A job that raises goes to `failed` with its exception; nothing is swallowed.
    """

    def __init__(self, name: str, post: Post) -> None:
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._post = post
        self._since: float | None = None
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def do(
        self,
        job: Callable[[], _T],
        then: Callable[[_T], None],
        failed: Callable[[Exception], None],
        owner: Owner | None = None,
    ) -> None:
        """Runs `job` here; then `then(result)` or `failed(error)` in the loop's thread, where the owner gets what they raise
        (`Loop.post`)."""

        def work() -> None:
            try:
                result = job()
            except Exception as error:  # noqa: BLE001 - the loop decides what an error means; it is never lost
                caught = error
                self._post(lambda: failed(caught), owner)
            else:
                self._post(lambda: then(result), owner)

        self._jobs.put(work)

    def waiting(self) -> int:
        """Jobs that wait (about)."""
        return self._jobs.qsize()

    def alive(self) -> bool:
        """Whether the thread runs: it ends by `finish` alone."""
        return self._thread.is_alive()

    def busy_s(self) -> float:
        """Seconds since the job under way began; 0 without one."""
        since = self._since
        return 0.0 if since is None else time.monotonic() - since

    def finish(self, seconds: float) -> bool:
        """Ends the thread when all that was given is done; whether it ended within `seconds`."""
        self._jobs.put(None)
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            self._since = time.monotonic()
            job()
            self._since = None
