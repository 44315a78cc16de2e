"""What is done for the library beside the lines: pushing it to a server, packing it while no line is busy."""

from collections.abc import Callable
from typing import Any

from dncd.outside.journal import Journal
from dncd.outside.library_server import REFUSED
from dncd.outside.pushing import Pushing
from dncd.outside.threads import Thread
from dncd.outside.upkeep import Upkeep
from dncd.records.library import Writer
from dncd.records.problems import Problem
from dncd.values import Settings


class LibraryCare:
    """library: its writer; idle: whether no line is busy, asked from another thread."""

    def __init__(self, settings: Settings, library: Writer, idle: Callable[[], bool], log: Journal) -> None:
        self._log, self._library = log, library
        state, library_settings = settings.shop.state, settings.library
        pushing = Pushing(state, library_settings, file=settings.file) if library_settings.remote else None
        self._pushing = pushing
        self._upkeep = Upkeep(settings.file, settings.shop.state, idle, self._tidied)

    def start(self) -> None:
        if self._pushing is not None:
            self._library.made = self._pushing.wake
            self._pushing.start()
        self._upkeep.start()

    @property
    def threads(self) -> tuple[Thread, ...]:
        return (*((self._pushing.thread,) if self._pushing is not None else ()), self._upkeep.thread)

    def stop(self, seconds: float) -> None:
        """Ends both, with what they have under way: the next start does what is left. Waits at most `seconds` for each."""
        if self._pushing is not None:
            self._pushing.stop(seconds)
        self._upkeep.stop(seconds)

    def status(self) -> dict[str, Any]:
        """`library` for the status object; nothing where no server is set."""
        return {"library": self._pushing.status()} if self._pushing is not None else {}

    def problem(self) -> Problem | None:
        if self._pushing is None or not (pushed := self._pushing.pushed).failing_since:
            return None
        next_step = "it is tried again by itself, ever later"
        if pushed.reason == REFUSED:
            next_step = "`dncd manual upkeep`, Backing up, says what to do"
        what = f"the library is not pushed since {pushed.failing_since}: {pushed.reason}"
        return Problem(what, f"{pushed.remote}, branch {pushed.branch}", next_step)

    def _tidied(self, said: str, code: int) -> None:
        if code == 0:
            self._log.info("library packed", what=said)
        else:
            next_step = "run `dncd tidy` by hand; nothing of the library is lost"
            self._log.warning("library not packed", what=said, where="library.git", next=next_step)
