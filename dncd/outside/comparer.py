"""Comparing in a process of its own, so that long work in Python never keeps the line loop from its turn.

Measured with 16 lines at 9600 baud and edits of 30,000 characters punched without a pause beside them: compared in a
thread of the service, the lines ran at 89 % of their rate; in a process, at 98.5 % on the same loaded machine
(`tests/bench/beside.py`). The process starts with the first comparison, and ends with the service, or when it has had
nothing to do for `_IDLE_S`.

Request and answer are one JSON line each: `{"known", "punched"}` and the fields of a `Reading`, or `{"versions", "dropped"}`
and a list of revisions with lines.
"""

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from dncd.program.carrying import Carried, Carry
from dncd.program.edits import LostEdit, Version, lost_edits
from dncd.program.readback import Reading, read_back
from dncd.program.substance import Answer
from dncd.values import Origin

_SMALL_CHARS: Final = 4_000
"""Characters up to which a comparison is done here: it takes less than the question."""

_IDLE_S: Final = 300.0
_NICE: Final = 5
"""The child gives way to the lines where the processor is short."""


class Comparer:
    """Compares for any thread, one question at a time; `close` ends the process."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None
        self._turn = threading.Lock()

    def read_back(self, known: Sequence[Version], punched: str) -> Reading:
        """As `program.readback.read_back`. A child that dies (out of memory, killed) costs nothing but time: the work is
        done here."""
        if sum(len(version.text) for version in known) + len(punched) > _SMALL_CHARS:
            answer = self._answer({"known": _plain(known), "punched": punched})
            if isinstance(answer, list):
                number, said, differences, how, text, spelling = answer
                return Reading(number, Answer(said), tuple(differences), Carried(Carry(how), text), spelling)
        return read_back(known, punched)

    def lost_edits(self, versions: Sequence[Version], dropped: str) -> tuple[LostEdit, ...]:
        """As `program.edits.lost_edits`."""
        if sum(len(version.text) for version in versions) > _SMALL_CHARS:
            answer = self._answer({"versions": _plain(versions), "dropped": dropped})
            if isinstance(answer, list):
                return tuple(LostEdit(number, tuple(said)) for number, said in answer)
        return lost_edits(versions, dropped)

    def _answer(self, question: dict[str, Any]) -> Any:
        """None where the child could not be asked."""
        with self._turn:
            with contextlib.suppress(OSError, ValueError):
                if answer := self._ask(json.dumps(question).encode() + b"\n"):
                    return json.loads(answer)
            self._end()
            return None

    def _ask(self, question: bytes) -> bytes:
        child = self._child
        if child is None or child.poll() is not None:
            self._end()
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
        with self._turn:
            self._end()

    def _end(self) -> None:
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
        sink.write(json.dumps(_done(asked)).encode() + b"\n")
        sink.flush()


def _done(asked: dict[str, Any]) -> Any:
    if "versions" in asked:
        return [(edit.number, edit.differences) for edit in lost_edits(_versions(asked["versions"]), asked["dropped"])]
    said = read_back(_versions(asked["known"]), asked["punched"])
    return said.number, said.answer, said.differences, said.carried.how, said.carried.text, said.spelling


def _plain(versions: Sequence[Version]) -> list[tuple[int, str, str]]:
    return [(version.number, version.origin.value, version.text) for version in versions]


def _versions(plain: list[tuple[int, str, str]]) -> list[Version]:
    return [Version(number, Origin(origin), text) for number, origin, text in plain]
