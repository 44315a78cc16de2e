"""An operator who follows what a trial says: works a stand-in's keys and the keyboard, each as its turn comes."""

import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import dncd

ENV = {**os.environ, "PYTHONPATH": str(Path(dncd.__file__).parent.parent), "PYTHONUNBUFFERED": "1"}
DNCD = (sys.executable, "-m", "dncd")
DEADLINE_S = 120.0
ENTER = "Enter"
UNASKED = ("read in:", "punched:", "ALARM:", "the control is back")
"""What a stand-in says by itself: no answer to a key."""


class Talk:
    """A process that is talked to: what it says is gathered as it comes."""

    def __init__(self, words: Sequence[str], cwd: Path, env: dict[str, str] | None = None) -> None:
        self.process = subprocess.Popen(
            list(words), cwd=cwd, env=env or ENV, text=True, bufsize=1,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        self.said = ""
        self.ended = False
        self._news = threading.Condition()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        while part := self.process.stdout.read(1):
            with self._news:
                self.said += part
                self._news.notify_all()
        with self._news:
            self.ended = True
            self._news.notify_all()

    def wait_for(self, what: Callable[[], bool], why: str) -> None:
        """Until it has said what makes `what` true, or has ended."""
        with self._news:
            assert self._news.wait_for(lambda: what() or self.ended, DEADLINE_S), f"{why}; it said:\n{self.said}"

    def tell(self, line: str) -> None:
        """Types a line."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()

    def close(self) -> int:
        """Its exit status; what does not end is ended."""
        try:
            status = self.process.wait(DEADLINE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise
        finally:
            self._reader.join(10)
            for pipe in (self.process.stdin, self.process.stdout):
                assert pipe is not None
                pipe.close()
        return status


@dataclass(frozen=True)
class Turn:
    """When the trial has said `says` (… stands for anything): these keys, `Enter` for the keyboard of the trial."""

    says: str
    keys: tuple[str, ...]

    def pattern(self) -> "re.Pattern[str]":
        parts = (re.escape(part) for part in self.says.split("…"))
        return re.compile(".*?".join(parts))


class Operator:
    """Follows one trial."""

    def __init__(self, standin: Talk, trial: Talk, turns: Sequence[Turn]) -> None:
        self.standin, self.trial, self.turns = standin, trial, turns

    def follow(self) -> int:
        """To the end; gives the exit status of the trial."""
        done = 0
        try:
            while not self.trial.ended:
                turn = self._next(done)
                if turn is None:
                    seen = len(self.trial.said)
                    self.trial.wait_for(lambda seen=seen: len(self.trial.said) > seen, "the trial says nothing more")
                    continue
                done, keys = turn
                for key in keys:
                    self.press(key)
        except BaseException:
            self.trial.process.kill()
            raise
        finally:
            status = self.trial.close()
        return status

    def press(self, key: str) -> None:
        if key == ENTER:
            self.trial.tell("")
            return
        before = self._answers()
        self.standin.tell(key)
        self.standin.wait_for(lambda: self._answers() > before, f"no answer to {key}")

    def _answers(self) -> int:
        whole = self.standin.said.split("\n")[:-1]
        return sum(not line.startswith(UNASKED) for line in whole)

    def _next(self, done: int) -> "tuple[int, tuple[str, ...]] | None":
        """The first turn that came behind what was done already: where it ends, and its keys."""
        found = [
            (match.end(), turn.keys) for turn in self.turns if (match := turn.pattern().search(self.trial.said, done))
        ]
        return min(found, default=None)


def stand_in(cwd: Path, *words: str, program: Sequence[str] = (*DNCD, "standin")) -> "tuple[Talk, str]":
    """A stand-in that runs, and the port that it is on."""
    talk = Talk([*program, *words], cwd)
    talk.wait_for(lambda: "help lists the keys." in talk.said, "the stand-in does not begin")
    return talk, talk.said.splitlines()[0].rpartition(" on ")[2]
