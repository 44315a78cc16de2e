"""The service: all stations, from start to stop.

Order of a start: the state folder is taken, what the last run left unfinished is finished or named, every port is opened
(one that cannot do what its settings ask ends the start), then folders and commands are listened to.
"""

import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType
from typing import Any

from dncd import __version__, defaults
from dncd.errors import DncdError, NotDoneError, PortBusyError, PortError, PortGoneError, UsageError
from dncd.outside import journal, manager
from dncd.outside.clock import utc_now
from dncd.outside.command_socket import CommandServer
from dncd.outside.folders import FolderNews, Folders
from dncd.outside.loop import Loop
from dncd.outside.ports import Port, open_for
from dncd.records.spool import Leftover
from dncd.station.hands import Hands
from dncd.station.incoming_papers import IncomingPapers
from dncd.station.machine import Station
from dncd.station.office import Office
from dncd.station.status import status_of, status_text
from dncd.values import MachineSettings, Settings

_STOP_S = 10.0
"""Seconds in which what is under way must be on record after SIGTERM."""

_OPEN_S = 15.0
"""Seconds after which a port that is still being opened at start counts as absent for now."""

_ANSWER_S = 5.0


class Service:
    """All machines of one settings file. Built and run in one thread, the line loop's."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.loop = Loop()
        self.log = journal.journal()
        self.office = Office.open(settings)
        self.hands = Hands.of(self.loop)
        self.stations = {m.name: self._station(m) for m in settings.machines.values()}
        self._started = utc_now()
        self._folders: Folders | None = None
        self._status_due: dict[str, float] = {}
        self._stop_asked = False

    def _station(self, machine: MachineSettings) -> Station:
        return Station(machine, self.office, self.hands, self.log, self._changed)

    def _cut_short(self, leftover: Leftover) -> bool:
        """Records a capture that the last run left; False for a machine that the settings no longer have."""
        machine = self.settings.machines.get(leftover.machine)
        if machine is None:
            return False
        IncomingPapers(self.office, machine).cut_short(leftover)
        return True

    # --- start and stop ----------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Serves until SIGTERM or SIGINT. PortError when a port cannot do what its settings ask."""
        for recovered in self.office.recover(self._cut_short):
            self.log.warning("recovered", what=recovered)
        ports = open_ports(list(self.settings.machines.values()))
        for name, port in ports.items():
            station = self.stations[name]
            if isinstance(port, DncdError):
                station.lose_port(port)
            elif port is not None:
                station.take_port(port)
        self._folders = Folders(self.settings.shop, list(self.settings.machines), self._news)
        with CommandServer(self.settings.shop.state, self._answer, self._command_failed):
            self._listen_to_signals()
            self.office.note("started", version=__version__, machines=list(self.stations))
            self.loop.due(self, self.loop.now())
            manager.ready(self._summary())
            self.log.info("started", machines=len(self.stations), folder=str(self.settings.shop.folder))
            while not self._stop_asked:
                self.loop.once()
            manager.stopping()
            self._wind_down()

    def _listen_to_signals(self) -> None:
        def asked(_number: int, _frame: FrameType | None) -> None:
            self._stop_asked = True
            self.loop.post(lambda: None)

        signal.signal(signal.SIGTERM, asked)
        signal.signal(signal.SIGINT, asked)

    def _wind_down(self) -> None:
        if self._folders is not None:
            self._folders.stop()
        for station in self.stations.values():
            station.stop("the service was stopped in the middle of the sending")
        until = self.loop.now() + _STOP_S
        while any(station.busy for station in self.stations.values()) and self.loop.now() < until:
            self.loop.once(0.1)
        late = self.hands.finish(_STOP_S, self.loop.now)
        self.loop.once(0.0)
        for name, station in self.stations.items():
            station.close()
            self._last_status(name)
        if late:
            self.log.warning("stopped with work unfinished", threads=late, next="the next start finishes or names it")
        self.office.note("stopped", reason="signal")
        self.office.close()
        self.loop.close()
        self.log.info("stopped")

    # --- folders and STATUS.txt --------------------------------------------------------------------------------------

    def _news(self, news: FolderNews) -> None:
        station = self.stations.get(news.machine)
        if station is not None:
            self.loop.post(lambda: station.news(news))

    def on_input(self, now: float) -> None:
        """The service itself has no port."""

    def on_due(self, now: float) -> None:
        """Time for STATUS.txt."""
        for name in self.stations:
            self._write_status(name)
        manager.tell(self._summary())
        manager.alive()
        self.loop.due(self, now + defaults.STATUS_EVERY_S)

    def _changed(self, station: Station) -> None:
        if self._folders is not None:
            self._folders.poke(station.name)

    def _write_status(self, name: str) -> None:
        if self.hands.notes.waiting() > 2 * len(self.stations):
            return  # a slow share: the next round writes what is true then
        station = self.stations[name]
        status = status_of(station, self.loop.now())
        text = status_text(status, name, utc_now().strftime("%Y-%m-%d %H:%M:%S UTC"))
        path = self.settings.shop.folder / name / "STATUS.txt"

        def failed(error: Exception) -> None:
            station.folder_trouble = f"STATUS.txt cannot be written: {error}"

        self.hands.notes.do(lambda: self.office.write_note(path, text), lambda _: None, failed)

    def _last_status(self, name: str) -> None:
        """STATUS.txt must not go on saying what was true once."""
        when = utc_now().strftime("%Y-%m-%d %H:%M:%S UTC")
        try:
            self.office.write_note(
                self.settings.shop.folder / name / "STATUS.txt", f"{name}\nat {when}\nstate: dncd does not run\n"
            )
        except OSError as error:
            self.log.warning("STATUS.txt cannot be written", machine=name, what=str(error))

    def _summary(self) -> str:
        states = [station.state.value for station in self.stations.values()]
        counts = ", ".join(f"{states.count(state)} {state}" for state in dict.fromkeys(states))
        return f"{len(states)} machines: {counts}"

    # --- commands ------------------------------------------------------------------------------------------------------

    def _answer(self, request: dict[str, Any]) -> dict[str, Any]:
        """Answers a request; called in the command thread, done in the loop's."""
        return in_loop(self.loop, lambda: self._do(request))

    def _do(self, request: dict[str, Any]) -> dict[str, Any]:
        match request.get("do"):
            case "status":
                return self.status()
            case "go":
                station = self._machine(request)
                started = {"file": station.outgoing.go()}
                station.kick()
                return started
            case "request":
                self._machine(request).ask_for_program()
                return {}
            case "withdraw":
                station = self._machine(request)
                withdrawn = {"file": station.outgoing.withdraw(str(request.get("file") or ""))}
                station.kick()
                return withdrawn
            case "ended":
                return self._ended(request)
            case other:
                raise UsageError(f"the service does not know the request {other!r}", "command socket", "Update dncd")

    def _machine(self, request: dict[str, Any]) -> Station:
        name = str(request.get("machine"))
        if name not in self.stations:
            raise UsageError(
                f"there is no machine {name!r}",
                str(self.settings.file),
                f"The machines are {', '.join(self.stations)}",
            )
        return self.stations[name]

    def _ended(self, request: dict[str, Any]) -> dict[str, Any]:
        station, file = self._machine(request), request.get("file")
        since = str(request.get("since", ""))
        for told in reversed(station.endings):
            if told.file == file and told.time >= since:
                return {"ended": told.as_dict()}
        return {"ended": None}

    def status(self) -> dict[str, Any]:
        """The status object of contract 4."""
        now = self.loop.now()
        return {
            "service": {
                "pid": os.getpid(),
                "started": self._started.strftime("%Y-%m-%dT%H:%M:%SZ"),
                "version": __version__,
            },
            "machines": {name: status_of(station, now) for name, station in self.stations.items()},
        }

    def _command_failed(self, error: Exception) -> None:
        self.log.warning("command", what=str(error))


def in_loop(loop: Loop, job: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """Runs `job` in the loop's thread and gives its result, or raises what it raised. From another thread."""
    done = threading.Event()
    box: list[dict[str, Any] | Exception] = []

    def work() -> None:
        try:
            box.append(job())
        except Exception as error:  # noqa: BLE001 - handed to the caller's thread
            box.append(error)
        done.set()

    loop.post(work)
    if not done.wait(_ANSWER_S):
        raise NotDoneError("the service is busy or stopping", "command socket", "Ask again in a moment")
    if isinstance(box[0], Exception):
        raise box[0]
    return box[0]


def open_ports(machines: list[MachineSettings]) -> dict[str, Port | DncdError | None]:
    """Opens all ports at once. A port that is absent or busy is given as its error; PortError is raised at once."""
    results: dict[str, Port | DncdError | None] = {}

    def work(machine: MachineSettings) -> None:
        try:
            results[machine.name] = open_for(machine)
        except (PortError, PortBusyError, PortGoneError) as error:
            results[machine.name] = error

    threads = [threading.Thread(target=work, args=(m,), daemon=True, name=f"dncd-open-{m.name}") for m in machines]
    for thread in threads:
        thread.start()
    until = time.monotonic() + _OPEN_S
    for thread in threads:
        thread.join(max(0.0, until - time.monotonic()))
    gone = PortGoneError("it is still being opened", "port", "Wait, or look at the network")
    opened = {m.name: results.get(m.name, gone) for m in machines}
    wrong = [error for error in opened.values() if isinstance(error, PortError)]
    if wrong:
        for port in opened.values():
            if port is not None and not isinstance(port, DncdError):
                port.close()
        raise wrong[0]
    return opened


def run(settings: Settings) -> int:
    """`dncd run`: serves until it is told to stop; gives the exit status."""
    journal.set_up()
    sys.setswitchinterval(defaults.SWITCH_S)
    Service(settings).run()
    return 0
