"""A thread that has the library packed when it has become loose and no line is busy.

The work is a process of its own (`dncd tidy`) at the lowest priority: neither the line loop nor the interpreter's lock has
to do with it, and it may be killed at any instant.
"""

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from dncd import defaults
from dncd.outside.threads import Fate, Thread
from dncd.records.library import path_of
from dncd.records.packing import loose_about


class Upkeep:
    """settings: the settings file; idle: whether no line is busy; told: hears what `dncd tidy` said, and its exit status."""

    def __init__(
        self,
        settings: Path,
        state: Path,
        idle: Callable[[], bool],
        told: Callable[[str, int], None],
        *,
        every_s: float = defaults.UPKEEP_EVERY_S,
        loose: int = defaults.PACK_LOOSE,
    ) -> None:
        self._words: Sequence[str] = [sys.executable, "-m", "dncd", "--config", str(settings), "tidy"]
        self._library, self._idle, self._told = path_of(state), idle, told
        self._every_s, self._loose = every_s, loose
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._child: subprocess.Popen[str] | None = None
        self.thread = Thread("dncd-upkeep", self._work, Fate.ANEW)

    def start(self) -> None:
        self.thread.start()

    def stop(self, seconds: float) -> bool:
        """Ends what is under way; whether the thread is gone."""
        self._stopping.set()
        with self._lock:
            if self._child is not None:
                self._child.terminate()
        return self.thread.join(seconds)

    def _work(self) -> None:
        while not self._stopping.wait(self._every_s):
            with contextlib.suppress(OSError):  # the disk is away, or the child cannot be started: the next look tries
                if loose_about(self._library) >= self._loose and self._idle():
                    self._tidy()

    def _tidy(self) -> None:
        with self._lock:
            if self._stopping.is_set():
                return
            self._child = subprocess.Popen(
                self._words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                errors="replace",
            )
            os.setpriority(os.PRIO_PROCESS, self._child.pid, 19)
        said, _ = self._child.communicate()
        with self._lock:
            code, self._child = self._child.returncode, None
        if not self._stopping.is_set():
            self._told(" ".join(said.split()), code)
