"""Reading the settings anew while the lines run: all of a good file is taken over, nothing of a bad one."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from dncd.errors import DncdError
from dncd.outside import config
from dncd.outside.loop import Loop
from dncd.records.ledger import utc_now
from dncd.service.stations import Changes, Opened, Stations, changes, close_all, open_ports
from dncd.values import Settings

NEVER: Final = 0
"""Number of the last reload where there was none."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the last reload ended. number: from 1; time: UTC; what: in sentences; error: what was wrong, if anything."""

    number: int = NEVER
    time: str = ""
    what: str = ""
    error: DncdError | None = None

    def as_dict(self, pending: tuple[str, ...]) -> dict[str, Any]:
        """For `status`; pending: machines that still work by their old settings."""
        return {
            "number": self.number,
            "time": self.time,
            "result": "" if self.number == NEVER else "refused" if self.error else "done",
            "what": self.what,
            "pending": list(pending),
        }


class Reloading:
    """Reads and tries the settings in a thread of its own, and takes them over in the loop's. began, ended: told in the
    loop's thread; served: whether any line may be served."""

    def __init__(
        self,
        loop: Loop,
        stations: Stations,
        began: Callable[[], object],
        ended: Callable[[Outcome, Changes | None], None],
        served: Callable[[], bool],
    ) -> None:
        self._loop, self._stations = loop, stations
        self._began, self._ended, self._served = began, ended, served
        self._running = self._once_more = self._over = False
        self._asked = NEVER
        self.last = Outcome()

    def ask(self) -> int:
        """Asks for a reload; gives its number. One that is asked for while another runs begins after it."""
        if self._running or self._over:
            self._once_more = True
            return self._asked + 1
        self._running = True
        self._asked += 1
        self._began()
        thread = threading.Thread(target=self._read, args=(self._stations.settings,), name="dncd-reload", daemon=True)
        thread.start()
        return self._asked

    def stop(self) -> None:
        self._over = True

    def _read(self, old: Settings) -> None:
        """In the thread: the file, what it changes, and whether new ports can do what they are to do."""
        try:
            settings = config.load(old.file)
            found = changes(old, settings)
            held = {machine.line.port for machine in old.machines.values()}
            fresh = [settings.machines[name] for name in (*found.new, *found.changed) if self._served()]
            ports = open_ports(m for m in fresh if m.line.port not in held and not m.seat.switch)
        except DncdError as error:
            refused = error
            self._loop.post(lambda: self._end(refused, None))
        except Exception as error:  # noqa: BLE001 - the old settings must go on whatever reading a file may raise
            fault = DncdError(f"{type(error).__name__}: {error}", str(old.file), "Report it; the old settings go on")
            self._loop.post(lambda: self._end(fault, None))
        else:
            self._loop.post(lambda: self._take(settings, ports))

    def _take(self, settings: Settings, ports: Mapping[str, Opened]) -> None:
        if self._over:
            close_all(ports.values())
            return
        try:
            found = self._stations.take(settings, ports)
        except DncdError as error:
            close_all(ports.values())
            self._end(error, None)
        else:
            self._end(None, found)

    def _end(self, error: DncdError | None, found: Changes | None) -> None:
        if self._over:
            return
        when = utc_now().strftime("%Y-%m-%dT%H:%M:%SZ")
        if error is not None:
            what = "the settings were read again and not taken over; nothing changed: "
            what += " ".join(str(error).split("\n"))
        else:
            what = f"the settings were read again: {found.sentence() if found else 'nothing changed'}"
        self.last = Outcome(self._asked, when, what, error)
        self._running = False
        self._ended(self.last, found)
        if self._once_more:
            self._once_more = False
            self.ask()
