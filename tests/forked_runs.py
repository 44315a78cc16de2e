"""Real `dncd run` processes that start within milliseconds: a process that has loaded dncd forks for each start.

A start can be told to kill itself (SIGKILL) at the k-th operation that changes something on the disk, counted from its
birth, with half of the bytes written where that operation is a write.
"""

import contextlib
import importlib
import json
import os
import pkgutil
import select
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from failing_disk import FailingDisk
from strict_disk import RecordingDisk

from dncd.records import durable


class KillingDisk(FailingDisk):
    """At operation number `at` its process is gone."""

    def _step(self, name: str) -> None:
        self.done.append(name)
        if len(self.done) == self.at:
            os.kill(os.getpid(), signal.SIGKILL)

    def write(self, fd: int, data: bytes | memoryview) -> int:
        if len(self.done) + 1 == self.at:
            os.write(fd, data[: len(data) // 2])
        return super().write(fd, data)


class Process:
    """One start of the service."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        try:
            self._fd = os.pidfd_open(pid)
        except ProcessLookupError:
            self._fd = -1

    def ended(self, within_s: float = 0.0) -> bool:
        """Whether it is gone, or goes within so many seconds."""
        return self._fd < 0 or bool(select.select([self._fd], [], [], within_s)[0])

    def send(self, number: int) -> None:
        if self._fd >= 0:
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._fd, number)

    def close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1  # and is taken for ended from now on


class Forker:
    """Enter it to have the loaded process; leaving ends it and the start that still runs."""

    _last: Process | None = None

    def __enter__(self) -> "Forker":
        here = Path(__file__).resolve()
        env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(here.parent.parent), str(here.parent)])}
        self._process = subprocess.Popen(
            [sys.executable, str(here)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env
        )
        assert self._process.stdout
        assert self._process.stdout.readline() == "ready\n"
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin
        assert self._process.stdout
        if self._last is not None:
            self._last.send(signal.SIGKILL)
            self._last.close()
        self._process.stdin.close()
        self._process.wait(120)
        self._process.stdout.close()

    def start(self, settings: Path, log: Path, at: int = 0, notes: Path | None = None) -> Process:
        """Starts `dncd run`; at: the operation at which it is to die, 0 for none; notes: of a disk that records."""
        assert self._process.stdin
        assert self._process.stdout
        words = ["--config", str(settings), "run"]
        self._process.stdin.write(
            json.dumps({"words": words, "log": str(log), "at": at, "notes": str(notes or "")}) + "\n"
        )
        self._process.stdin.flush()
        self._last = Process(int(self._process.stdout.readline()))
        return self._last


def _serve() -> None:
    """In the loaded process: one fork for each line of standard input."""
    import dncd

    for module in pkgutil.walk_packages(dncd.__path__, "dncd."):  # all of it once, before the forks
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for them but by their descriptors
    print("ready", flush=True)
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            _child(json.loads(line))
        print(pid, flush=True)


def _child(asked: dict[str, Any]) -> None:
    from dncd.cli import main

    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    log = os.open(asked["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    null = os.open(os.devnull, os.O_RDONLY)
    for fd, to in ((null, 0), (log, 1), (log, 2)):
        os.dup2(fd, to)
    if asked["notes"]:
        durable.DISK = RecordingDisk(Path(asked["notes"]), asked["at"])
    elif asked["at"]:
        durable.DISK = KillingDisk(asked["at"])
    code = 1
    try:
        code = main(asked["words"])
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    _serve()
