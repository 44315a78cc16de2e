"""Comparing in a process of its own, so that long work in Python never keeps the line loop from its turn.

Measured with 16 lines at 9600 baud and edits of 30,000 characters punched without a pause beside them: compared in a
thread of the service, the lines ran at 89 % of their rate; in a process, at 98.5 % on the same loaded machine
(`tests/bench/beside.py`). The process starts with the first comparison, and ends with the service, or when it has had
nothing to do for `_IDLE_S`.

Request and answer are one JSON line each: `{"known", "punched"}` and the fields of a `Reading`, `{"versions", "dropped"}`
and a list of revisions with lines, or `{"texts", "punched"}` and the percent of each.
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
        if sum(len(version.text) for version in known) + len(punched) > _SMALL_CHARS:
            try:
                answer = self._answer({"known": _plain(known), "punched": punched})
            except TimeoutError:
                return Reading(known[-1].number, Answer.CHANGED, (NOT_COMPARED,))
            if isinstance(answer, list):
                number, said, differences, how, text, spelling = answer
                return Reading(number, Answer(said), tuple(differences), Carried(Carry(how), text), spelling)
        return read_back(known, punched)

    def lost_edits(self, versions: Sequence[Version], dropped: str) -> tuple[LostEdit, ...]:
        """As `program.edits.lost_edits`. Where it took too long each edit counts as lost, told as NOT_COMPARED."""
        if sum(len(version.text) for version in versions) > _SMALL_CHARS:
            try:
                answer = self._answer({"versions": _plain(versions), "dropped": dropped})
            except TimeoutError:
                edits = [version.number for version in versions if version.origin is Origin.MACHINE]
                return tuple(LostEdit(number, (NOT_COMPARED,)) for number in edits)
            if isinstance(answer, list):
                return tuple(LostEdit(number, tuple(said)) for number, said in answer)
        return lost_edits(versions, dropped)

    def shares(self, known: Sequence[str], punched: str) -> list[int]:
        """As `program.readback.shares`. Where it took too long it is like none."""
        if sum(map(len, known)) + len(punched) > _SMALL_CHARS:
            with contextlib.suppress(TimeoutError):
                return self._answer({"texts": known, "punched": punched}) or shares(known, punched)
            return [0] * len(known)
        return shares(known, punched)

    def _answer(self, question: dict[str, Any]) -> Any:
        try:
            child = self._free.pop()
        except IndexError:
            child = _Child()
            self._children.append(child)
        try:
            return child.answer(question, self._within_s)
        finally:
            self._free.append(child)

    def close(self) -> None:
        for child in list(self._children):
            child.end()


class _Child:
    """A process that answers one question at a time; started with the first, and anew after its end."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def answer(self, question: dict[str, Any], within_s: float) -> Any:
        """None where it could not be asked. TimeoutError: it did not answer in time, and is ended."""
        late = threading.Event()
        answer = b""
        with contextlib.suppress(OSError, ValueError):
            process = self._running()

            def end() -> None:
                late.set()
                process.kill()  # also one that was stopped; what is read from it ends

            timer = threading.Timer(within_s, end)
            timer.start()
            try:
                answer = _asked(process, json.dumps(question).encode() + b"\n")
            finally:
                timer.cancel()
            if answer.endswith(b"\n"):
                return json.loads(answer)
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


def _asked(process: subprocess.Popen[bytes], question: bytes) -> bytes:
    if process.stdin is None or process.stdout is None:
        return b""
    process.stdin.write(question)
    process.stdin.flush()
    return process.stdout.readline()


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
    if "texts" in asked:
        return shares(asked["texts"], asked["punched"])
    said = read_back(_versions(asked["known"]), asked["punched"])
    return said.number, said.answer, said.differences, said.carried.how, said.carried.text, said.spelling


def _plain(versions: Sequence[Version]) -> list[tuple[int, str, str]]:
    return [(version.number, version.origin.value, version.text) for version in versions]


def _versions(plain: list[tuple[int, str, str]]) -> list[Version]:
    return [Version(number, Origin(origin), text) for number, origin, text in plain]
