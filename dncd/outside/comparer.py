"""Comparing in a process of its own, so that long work in Python never keeps the line loop from its turn.

Measured with 16 lines at 9600 baud and edits of 30,000 characters punched without a pause beside them: compared in a
thread of the service, the lines ran at 89 % of their rate; in a process, at 98.5 % on the same loaded machine
(`tests/bench/beside.py`). The process starts with the first comparison, and ends with the service, or when it has had
nothing to do for `_IDLE_S`.

A question is one of three functions of `dncd.program` and what it is given, pickled; the answer is what it gave.
"""

import contextlib
import os
import pickle
import select
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any, Final, TypeVar, cast

from dncd.program.edits import LostEdit, Version, lost_edits
from dncd.program.readback import Reading, read_back, shares
from dncd.program.substance import Answer
from dncd.values import Origin

_SMALL_CHARS: Final = 4_000
"""Characters up to which a comparison is done here: it takes less than the question."""

COMPARE_S: Final = 30.0
"""Seconds after which a comparison is given up: the largest that are made take a third of it on a loaded machine."""

NOT_COMPARED: Final = f"not compared: it was not done within {COMPARE_S:g} s"
"""Stands for the lines of a comparison that was given up."""

_IDLE_S: Final = 300.0
_NICE: Final = 5
"""The child gives way to the lines where the processor is short."""


_Known = TypeVar("_Known")
_Said = TypeVar("_Said")


class Comparer:
    """Compares for any thread; each question has a process to itself, so none waits for another. `close` ends them. A
    child that dies (out of memory, killed) costs nothing but time: the work is done here. One that has not answered
    within `within_s` is ended, and its question is answered by `NOT_COMPARED`."""

    def __init__(self, within_s: float = COMPARE_S) -> None:
        self._within_s = within_s
        self._children: list[_Child] = []
        self._free: list[_Child] = []

    def read_back(self, known: Sequence[Version], punched: str) -> Reading:
        """As `program.readback.read_back`. Where it took too long it counts as changed, told as NOT_COMPARED."""
        late = Reading(known[-1].number, Answer.CHANGED, (NOT_COMPARED,))
        return self._compared(read_back, known, punched, sum(len(version.text) for version in known), late)

    def lost_edits(self, versions: Sequence[Version], dropped: str) -> tuple[LostEdit, ...]:
        """As `program.edits.lost_edits`. Where it took too long each edit counts as lost, told as NOT_COMPARED."""
        edits = [version.number for version in versions if version.origin is Origin.MACHINE]
        late = tuple(LostEdit(number, (NOT_COMPARED,)) for number in edits)
        return self._compared(lost_edits, versions, dropped, sum(len(version.text) for version in versions), late)

    def shares(self, known: Sequence[str], punched: str) -> list[int]:
        """As `program.readback.shares`. Where it took too long it is like none."""
        return self._compared(shares, known, punched, sum(map(len, known)), [0] * len(known))

    def _compared(
        self,
        compare: Callable[[Sequence[_Known], str], _Said],
        known: Sequence[_Known],
        text: str,
        chars: int,
        late: _Said,
    ) -> _Said:
        """chars: of what is known; late: the answer where it took too long."""
        if chars + len(text) <= _SMALL_CHARS:
            return compare(known, text)
        try:
            child = self._free.pop()
        except IndexError:
            child = _Child()
            self._children.append(child)
        try:
            said = child.answer((compare, known, text), self._within_s)
        except TimeoutError:
            return late
        finally:
            self._free.append(child)
        return compare(known, text) if said is None else cast(_Said, said)

    def close(self) -> None:
        for child in list(self._children):
            child.end()


class _Child:
    """A process that answers one question at a time; started with the first, and anew after its end."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def answer(self, question: object, within_s: float) -> Any:
        """None where it could not be asked. TimeoutError: it did not answer in time, and is ended."""
        late = threading.Event()
        with contextlib.suppress(
            Exception
        ):  # the child may be of another dncd, which was installed while this one runs
            process = self._running()

            def end() -> None:
                late.set()
                process.kill()  # also one that was stopped; what is read from it ends

            timer = threading.Timer(within_s, end)
            timer.start()
            try:
                return _asked(cast(IO[bytes], process.stdin), cast(IO[bytes], process.stdout), question)
            finally:
                timer.cancel()
        self.end()
        if late.is_set():
            raise TimeoutError(NOT_COMPARED)
        return None

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self.end()
            words = [sys.executable, "-P", "-c", f"from {__name__} import serve; serve()"]
            env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
            self._process = subprocess.Popen(words, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        return self._process

    def end(self) -> None:
        """Ends the process; there is nothing in it to lose."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            with contextlib.suppress(OSError, ValueError):
                process.communicate()


def _asked(sink: IO[bytes], source: IO[bytes], question: object) -> Any:
    pickle.dump(question, sink)
    sink.flush()
    return pickle.load(source)  # noqa: S301 - of our own child


def serve() -> None:
    """The child: answers until its input ends or nobody asked for `_IDLE_S`."""
    os.nice(_NICE)
    os.setsid()  # ctrl-C at the service's terminal is the service's to handle
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    with contextlib.suppress(EOFError):
        while select.select([source.fileno()], [], [], _IDLE_S)[0]:
            compare, known, text = pickle.load(source)  # noqa: S301 - of the service, which started this
            pickle.dump(compare(known, text), sink)
            sink.flush()
