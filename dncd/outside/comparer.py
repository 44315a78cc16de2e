"""Comparing in a process of its own, so that long work in Python never keeps the line loop from its turn.

Measured with 16 lines at 9600 baud and edits of 30,000 characters punched without a pause beside them: compared in a
thread of the service, the lines ran at 89 % of their rate; in a process, at 98.5 % on the same loaded machine
(`tests/bench/beside.py`). The process starts with the first comparison, and ends with the service, or when it has had
nothing to do for `_IDLE_S`.

Request and answer are one JSON line each: `{"old", "new", "most"}` and a list of lines.
"""

import contextlib
import itertools
import json
import os
import select
import subprocess
import sys
from pathlib import Path
from typing import Final

from dncd.program.comparing import compare
from dncd.program.differences import lines
from dncd.values import printable

_SMALL_CHARS: Final = 4_000
"""Characters up to which a comparison is done here: it takes less than the question."""

_IDLE_S: Final = 300.0
_NICE: Final = 5
"""The child gives way to the lines where the processor is short."""


def differences(old: str, new: str, most: int) -> tuple[str, ...]:
    """At most `most` lines that say what changed from `old` to `new`."""
    return tuple(printable(line) for line in itertools.islice(lines(compare(old, new)), most))


class Comparer:
    """Compares for one thread; `close` ends the process."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None

    def differences(self, old: str, new: str, most: int) -> tuple[str, ...]:
        """As `differences`. A child that dies (out of memory, killed) costs nothing but time: the work is done here."""
        if len(old) + len(new) <= _SMALL_CHARS:
            return differences(old, new, most)
        question = json.dumps({"old": old, "new": new, "most": most}).encode() + b"\n"
        with contextlib.suppress(OSError, ValueError):
            if answer := self._ask(question):
                return tuple(json.loads(answer))
        self.close()
        return differences(old, new, most)

    def _ask(self, question: bytes) -> bytes:
        child = self._child
        if child is None or child.poll() is not None:
            self.close()
            words = [sys.executable, "-P", "-c", f"from {__name__} import serve; serve()"]
            env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
            child = self._child = subprocess.Popen(words, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        if child.stdin is None or child.stdout is None:
            return b""
        child.stdin.write(question)
        child.stdin.flush()
        return child.stdout.readline()

    def close(self) -> None:
        """Ends the process; one that hangs is killed."""
        child, self._child = self._child, None
        if child is None:
            return
        with contextlib.suppress(OSError):
            child.communicate(timeout=2)
        if child.poll() is None:
            child.kill()
            child.communicate()


def serve() -> None:
    """The child: answers until its input ends or nobody asked for `_IDLE_S`."""
    os.nice(_NICE)
    os.setsid()  # ctrl-C at the service's terminal is the service's to handle
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    while select.select([source.fileno()], [], [], _IDLE_S)[0] and (question := source.readline()):
        asked = json.loads(question)
        sink.write(json.dumps(differences(asked["old"], asked["new"], asked["most"])).encode() + b"\n")
        sink.flush()
