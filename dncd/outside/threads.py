"""The threads of the service: daemons all, and none of them ends by a fault without a word."""

import enum
import threading
import time
from collections.abc import Callable
from typing import Final

from dncd.outside.journal import journal

AGAIN_S: Final = 60.0
"""Seconds that a thread must have lived to be started anew: one that dies at once would die again."""


class Fate(enum.Flag):
    """What follows when a thread has ended by a fault; it is told in any case."""

    TOLD = 0
    ANEW = 1
    """It is started anew."""
    VITAL = 2
    """While it is dead the manager's watchdog is not fed, so that the whole service is started anew."""


class Thread:
    """A daemon thread. work: returns when the thread is to end; fault: what it raised instead, in words."""

    def __init__(self, name: str, work: Callable[[], object], fate: Fate = Fate.TOLD) -> None:
        self.name, self.fate, self.fault = name, fate, ""
        self._work = work
        self._thread: threading.Thread | None = None
        self._began = time.monotonic()

    def start(self) -> None:
        """Begins, or begins anew. RuntimeError where the system has no thread left."""
        self._began = time.monotonic()
        before, self._thread = self._thread, threading.Thread(target=self._run, name=self.name, daemon=True)
        try:  # who waits for its end may be quicker than who started it
            self._thread.start()
        except RuntimeError:
            self._thread = before
            raise

    def revive(self) -> bool:
        """Starts it anew if that is its fate and it lived for a while; whether it did."""
        if Fate.ANEW not in self.fate or time.monotonic() - self._began < AGAIN_S:
            return False
        try:
            self.start()
        except RuntimeError as error:
            self.fault = str(error)
            return False
        return True

    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def lived_s(self) -> float:
        return time.monotonic() - self._began

    def join(self, seconds: float) -> bool:
        """Waits for its end; whether it has ended. One that was never started has."""
        if self._thread is not None and self._thread.ident is not None:
            self._thread.join(seconds)
        return not self.alive()

    def _run(self) -> None:
        try:
            self._work()
        except BaseException as error:  # noqa: BLE001 - Health finds it dead; here its reason is kept
            self.fault = f"{type(error).__name__}: {error}"
            journal().failed(f"the {self.name} thread ended by a fault of dncd", error)
