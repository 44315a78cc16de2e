"""The line loop: one thread that serves every port, by `select` and a heap of due times.

Measured with 64 lines at 9600 baud on two cores: one loop of this kind 0.08 % of a core a line, a thread a line 0.30 %,
an asyncio task a line 1.0 %. `select` keeps its waits to some 60 µs where `epoll` rounds them up to a millisecond; so
`select` waits for one descriptor, an epoll set that knows all others, and its cost does not grow with their number.
The loop never waits for a disk, a folder or a name server: other threads do, and `post` what they found.
"""

import collections
import contextlib
import functools
import heapq
import os
import select
import threading
import time
from collections.abc import Callable
from typing import Protocol

from dncd import defaults


class Owner(Protocol):
    """Whose a job is: what it raises is this one's to deal with, and nobody else's."""

    def broke(self, error: Exception) -> None:
        """Serving it raised something that nobody had thought of: it must start anew without harm to the others."""


class Client(Owner, Protocol):
    """What the loop serves: a station with its port."""

    def on_input(self, now: float) -> None:
        """Its descriptor can be read."""

    def on_due(self, now: float) -> None:
        """The time that it asked for by `Loop.due` has come. What came until `Loop.looked_at` was told before."""


class Loop:
    """Serves clients. Everything but `post` is for the loop's own thread.

    failure: what a job raised that belongs to no client, or what a client's own `broke` raised; `run_until` ends with it.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.now = clock
        self.rounds = 0
        self.looked_at = clock()
        """When the descriptors were last looked at: what had come until then has been told to its client."""
        self.behind = False
        """Whether it had something to do for more than half of the last quarter of a second."""
        self._waited_s, self._counted_from = 0.0, clock()
        self._readers: dict[int, Client] = {}
        self._ports = select.epoll()
        self._heap: list[tuple[float, int, Client]] = []
        self._dues: dict[Client, float] = {}
        self._tie = 0
        self._posts: collections.deque[tuple[Callable[[], object], Owner]] = collections.deque()
        self._closing = threading.RLock()  # of one thread it may be taken twice: by a signal handler
        self._closed = False
        self.failure: Exception | None = None
        self._wake_read, self._wake_write = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._ports.register(self._wake_read, select.EPOLLIN)
        self._waits_on = [self._ports.fileno()]

    def watch(self, fd: int, client: Client) -> None:
        """Calls `client.on_input` while `fd` can be read."""
        if fd not in self._readers:
            self._ports.register(fd, select.EPOLLIN)
        self._readers[fd] = client

    def unwatch(self, fd: int) -> None:
        """Forgets a descriptor; one that is not watched is no error."""
        if self._readers.pop(fd, None) is not None:
            with contextlib.suppress(OSError):  # a descriptor that was closed has left the set by itself
                self._ports.unregister(fd)

    def due(self, client: Client, when: float | None) -> None:
        """Asks for `client.on_due` at `when`; replaces what it asked before. None: not at all."""
        if when is None:
            self._dues.pop(client, None)
        elif self._dues.get(client) != when:
            self._dues[client] = when
            self._tie += 1
            heapq.heappush(self._heap, (when, self._tie, client))

    def post(self, job: Callable[[], object], owner: Owner | None = None) -> bool:
        """Runs `job` in the loop's thread, soon; False where the loop is closed. From any thread, or a signal handler.
        owner: gets what it raises; none: the loop itself, and the service ends in order."""
        self._posts.append((job, owner or self))
        with self._closing:
            if not self._closed:
                self._wake()
            return not self._closed

    def serve(self, owner: Owner, job: Callable[[], object]) -> None:
        """Runs `job` now; what it raises goes to its owner and not to the caller."""
        try:
            job()
        except Exception as error:  # noqa: BLE001 - one line's fault must not stop the sendings of all others
            self._broke(owner, error)

    def _broke(self, owner: Owner, error: Exception) -> None:
        try:
            owner.broke(error)
        except Exception as worse:  # noqa: BLE001 - the end in order is all that is left
            self.broke(worse)

    def broke(self, error: Exception) -> None:
        """Something failed that belongs to nobody: `run_until` ends."""
        self.failure = self.failure or error

    def _wake(self) -> None:
        try:
            os.write(self._wake_write, b"\0")
        except BlockingIOError:
            return  # the pipe is full: the loop is woken anyway

    def run_until(self, over: Callable[[], bool]) -> None:
        """Serves until `over()` is true, or something failed that belongs to nobody (`failure`)."""
        while self.failure is None and not over():
            self.once()

    def once(self, longest: float = 1.0) -> None:
        """One round: waits for a descriptor, a due time or a post, at most `longest` seconds, and serves what came."""
        self.rounds += 1
        wait = 0.0 if self._posts else self._until_due(longest)
        began = self.now()
        if select.select(self._waits_on, (), (), wait)[0]:
            self._look()
        else:
            self.looked_at = self.now()
        self._waited_s += self.looked_at - began
        if (seconds := began - self._counted_from) >= defaults.LOOP_COUNT_S:
            self.behind = self._waited_s < seconds / 2
            self._waited_s, self._counted_from = 0.0, began
        self._serve_due()
        for _ in range(len(self._posts)):
            job, owner = self._posts.popleft()
            self.serve(owner, job)

    def _look(self) -> None:
        """Tells each client whose descriptor can be read."""
        now = self.looked_at = self.now()
        for fd, _ in self._ports.poll(0):
            if fd == self._wake_read:
                _drain(fd)
            elif (client := self._readers.get(fd)) is not None:
                self.serve(client, functools.partial(client.on_input, now))

    def _until_due(self, longest: float) -> float:
        while self._heap and self._dues.get(self._heap[0][2]) != self._heap[0][0]:
            heapq.heappop(self._heap)  # asked again since, or taken back
        if not self._heap:
            return longest
        return min(max(self._heap[0][0] - self.now(), 0.0), longest)

    def _serve_due(self) -> None:
        heap, dues, clock = self._heap, self._dues, self.now
        limit = clock() + defaults.LOOP_SLACK_S
        served: list[Client] = []
        while heap and heap[0][0] <= limit:
            when, _, client = heapq.heappop(heap)
            if dues.get(client) == when:
                del dues[client]
                served.append(client)
        for client in served:
            now = clock()
            if now - self.looked_at > defaults.LOOP_LOOK_S:
                self._look()
                now = clock()
            try:
                client.on_due(now)
            except Exception as error:  # noqa: BLE001 - as in `serve`
                self._broke(client, error)

    def close(self) -> None:
        """Closes the loop's own descriptors; what is posted from now on is done by nobody."""
        with self._closing:
            self._closed = True
            self._ports.close()
            os.close(self._wake_read)
            os.close(self._wake_write)


def _drain(fd: int) -> None:
    with contextlib.suppress(BlockingIOError):
        while os.read(fd, 4096):
            pass
