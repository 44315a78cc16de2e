"""The service: all stations, from start to stop.

Order of a start: the state folder is taken, what the last run left unfinished is finished or named, every port is opened
(one that cannot do what its settings ask ends the start), then folders and commands are listened to.
"""

import contextlib
import dataclasses
import faulthandler
import os
import signal
import sys
import threading
from collections.abc import Callable
from types import FrameType
from typing import Any, TypeVar

from dncd import __version__, defaults
from dncd.errors import DncdError, NotDoneError, UsageError
from dncd.outside import journal, manager
from dncd.outside.command_server import CommandServer, StreamReply
from dncd.outside.folders import FolderNews, Folders
from dncd.outside.loop import Loop
from dncd.records.ledger import utc_now
from dncd.records.spool import Leftover
from dncd.service import lending
from dncd.service.backups import BackingUp
from dncd.service.health import Health, Ill
from dncd.service.library_care import LibraryCare
from dncd.service.machine_requests import OF_A_MACHINE, answer_of
from dncd.service.port_opening import open_ports
from dncd.service.reload import Outcome, Reloading
from dncd.service.rounds import Round, Rounds
from dncd.service.signing import ON_RECORD, put_on_record
from dncd.service.stations import Changes, Roster
from dncd.service.status import status_of, status_text
from dncd.station.hands import Hands
from dncd.station.incoming_papers import IncomingPapers
from dncd.station.machine import Station
from dncd.station.office import Office
from dncd.values import MachineSettings, Settings

_STOP_S = 10.0
"""Seconds in which what is under way must be on record after SIGTERM."""

_ANSWER_S = 5.0

_Answer = TypeVar("_Answer")


class Service:
    """All machines of one settings file. Built and run in one thread, the line loop's."""

    def __init__(self, settings: Settings) -> None:
        self._at_start = settings
        self.loop = Loop()
        self.log = journal.journal()
        self.office = Office.open(settings)
        self.hands = Hands.of(self.loop)
        self.stations = Roster(settings, self._station, self._came, self._left)
        self._started = utc_now()
        self._folders: Folders | None = None
        self._stop_asked = False
        self._care = LibraryCare(settings, self.office.library, self._is_idle, self.log)
        self._backing_up = BackingUp(self.office, self.hands.records.do)
        self._health = Health(self.hands, {"state": settings.shop.state, "folder": settings.shop.folder})
        self._told_ills: set[str] = set()
        self._statuses: dict[str, dict[str, object]] = {}
        self._reloading = Reloading(self.loop, self.stations, self._reload_began, self._reload_ended)
        self._latest = self.status()
        every_s = min(defaults.STATUS_EVERY_S, manager.alive_every_s() or defaults.STATUS_EVERY_S)
        self._rounds = Rounds(self.loop, self.stations, every_s, self._write_status, self._round_over)

    @property
    def settings(self) -> Settings:
        """The settings that hold."""
        return self.stations.settings

    def _station(self, machine: MachineSettings) -> Station:
        return Station(machine, self.office, self.hands, self.log, self._changed)

    def _cut_short(self, leftover: Leftover) -> bool:
        """Records a capture that the last run left; False for a machine that the settings no longer have."""
        machine = self._at_start.machines.get(leftover.machine)
        if machine is None:
            return False
        IncomingPapers(self.office, machine).cut_short(leftover)
        return True

    # --- start and stop ----------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Serves until SIGTERM or SIGINT. PortError when a port cannot do what its settings ask."""
        for recovered in self.office.recover(self._cut_short):
            where, next_step = str(self.settings.shop.state), "look at the receipt and at what the control holds"
            self.log.warning("recovered", what=recovered, where=where, next=next_step)
        for name, port in open_ports(self.settings.machines.values()).items():
            if isinstance(port, DncdError):
                self.stations[name].lose_port(port)
            else:
                self.stations[name].take_port(port)
        self._folders = Folders(self.settings.shop, list(self.settings.machines), self._news)
        with CommandServer(self.settings.shop.state, self._answer, self._command_failed), self._open_metrics():
            self._listen_to_signals()
            self._care.start()
            self.office.note("started", version=__version__, machines=list(self.stations))
            self.loop.due(self._rounds, self.loop.now())
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

        def reload_asked(_number: int, _frame: FrameType | None) -> None:
            self.loop.post(self._reload)

        signal.signal(signal.SIGTERM, asked)
        signal.signal(signal.SIGINT, asked)
        signal.signal(signal.SIGHUP, reload_asked)

    def _wind_down(self) -> None:
        self._reloading.stop()
        self._care.stop()
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
            self._last_status(name, "dncd does not run")
        if late:
            what, where = f"work is unfinished in: {', '.join(late)}", str(self.settings.shop.state)
            next_step = "look at that disk or share; the next start finishes or names what is left"
            self.log.warning("stopped late", what=what, where=where, next=next_step)
        self.office.note("stopped", reason="signal")
        self.office.close()
        self.loop.close()
        self.log.info("stopped")

    # --- folders and STATUS.txt --------------------------------------------------------------------------------------

    def _news(self, news: FolderNews) -> None:
        self.loop.post(lambda: self._heard(news))

    def _heard(self, news: FolderNews) -> None:
        if news.machine in self.stations:
            self.stations[news.machine].news(news)

    def _round_over(self, over: Round) -> None:
        """Every line has just answered: the watchdog may be fed, if the threads that keep the records live too."""
        self.stations.settle()
        self._health.set("library", self._care.ill())
        self._backing_up.look(self.stations, self.loop.now())
        if self._health.look(over):
            manager.alive()
        self._tell_ills()
        self._statuses = {name: self._statuses[name] for name in self.stations if name in self._statuses}
        self._latest = self._status_with(self._statuses)
        manager.tell(self._summary())

    def _tell_ills(self) -> None:
        """What is wrong with the service itself is told once, and once more when it is over."""
        ills = {ill.kind: ill for ill in self._health.ills}
        for kind in () if self._stop_asked else ills.keys() - self._told_ills:
            ill = ills[kind]
            self.log.warning("service", what=ill.what, where=ill.where, next=ill.next_step)
        for kind in self._told_ills - ills.keys():
            self.log.info("service well again", what=kind)
        self._told_ills = set(ills)

    def _is_idle(self) -> bool:
        return not any(station.busy for station in list(self.stations.values()))

    def _open_metrics(self) -> contextlib.AbstractContextManager[object]:
        """The health endpoint, where one is set. One that cannot be opened is told; the lines are served without it."""
        address = self.settings.shop.metrics
        if not address:
            return contextlib.nullcontext()
        from dncd.outside.metrics import MetricsServer

        try:
            return contextlib.closing(MetricsServer(address, lambda: self._latest))
        except NotDoneError as error:
            self._health.set("metrics", Ill("metrics", error.what, error.where, error.next_step))
            return contextlib.nullcontext()

    def _changed(self, station: Station) -> None:
        if self._folders is not None:
            self._folders.poke(station.name)
        if station.pending:
            self.loop.post(self.stations.settle)

    # --- reload ------------------------------------------------------------------------------------------------------

    def _came(self, station: Station) -> None:
        if self._folders is not None:
            self._folders.take(station.name)

    def _left(self, station: Station) -> None:
        if station.name not in self.settings.machines:
            if self._folders is not None:
                self._folders.drop(station.name)
            self._last_status(station.name, "dncd serves this machine no more: it is not in the settings")

    def _reload(self) -> None:
        self._reloading.ask()

    @staticmethod
    def _reload_began() -> None:
        manager.reloading()

    def _reload_ended(self, outcome: Outcome, changes: Changes | None) -> None:
        if outcome.error is not None:
            where, next_step = str(self.settings.file), "correct the file and reload again; the old settings go on"
            self.log.warning("settings not reloaded", what=outcome.what, where=where, next=next_step)
        elif changes is not None:
            pending = list(self.stations.pending)
            self.log.info("settings reloaded", what=changes.sentence(), pending=pending)
            fields = {"new": changes.new, "changed": changes.changed, "removed": changes.removed}
            self.hands.records.do(
                lambda: self.office.note("reloaded", **{k: list(v) for k, v in fields.items()}),
                lambda _: None,
                self._command_failed,
            )
        manager.ready(self._summary())

    def _write_status(self, station: Station) -> None:
        name, status = station.name, self._status_of(station)
        self._statuses[name] = status
        if self.hands.notes.waiting() > 2 * len(self.stations):
            return  # a slow share: the next round writes what is true then
        text = status_text(status, name, utc_now().strftime("%Y-%m-%d %H:%M:%S UTC"))
        path = self.settings.shop.folder / name / "STATUS.txt"

        def failed(error: Exception) -> None:
            station.folder_trouble = f"STATUS.txt cannot be written: {error}"

        self.hands.notes.do(lambda: self.office.write_note(path, text), lambda _: None, failed)

    def _last_status(self, name: str, state: str) -> None:
        """STATUS.txt must not go on saying what was true once."""
        when = utc_now().strftime("%Y-%m-%d %H:%M:%S UTC")
        try:
            self.office.write_note(
                self.settings.shop.folder / name / "STATUS.txt", f"{name}\nat {when}\nstate: {state}\n"
            )
        except OSError as error:
            next_step = "look whether that folder can be written; what it says there is out of date"
            self.log.warning("STATUS.txt", machine=name, what=str(error), where=f"{name}/STATUS.txt", next=next_step)

    def _summary(self) -> str:
        states = [station.state.value for station in self.stations.values()]
        counts = [f"{states.count(state)} {state}" for state in dict.fromkeys(states)]
        if pending := len(self.stations.pending):
            counts.append(f"{pending} with new settings to come")
        if ills := self._health.ills:
            counts.append(f"{ills[0].what} ({ills[0].where})")
        return f"{len(states)} machine{'' if len(states) == 1 else 's'}: {', '.join(counts)}"

    # --- commands ------------------------------------------------------------------------------------------------------

    def _answer(self, request: dict[str, Any]) -> dict[str, Any] | StreamReply:
        """Answers a request; called in the command thread, done in the loop's."""
        if request.get("do") in ON_RECORD:
            station = in_loop(self.loop, lambda: self._machine(request))
            return put_on_record(station, self.office, self.hands, request)
        return in_loop(self.loop, lambda: self._do(request))

    def _do(self, request: dict[str, Any]) -> dict[str, Any] | StreamReply:
        do = request.get("do")
        if do in OF_A_MACHINE:
            return answer_of(self._machine(request), request)
        match do:
            case "status":
                return self.status()
            case "journal":
                return {"lines": journal.recent()}
            case "backup":
                self._backing_up.announce(self._machine(request).name, self.loop.now())
                return {}
            case "backup-end":
                self._backing_up.close(self._machine(request).name)
                return {}
            case "reload":
                return {"number": self._reloading.ask()}
            case "lend":
                return lending.lend(self._machine(request), request, self.log, self._unless_stopping)
            case "watch":
                return lending.watch(self._machine(request), self._unless_stopping)
            case other:
                raise UsageError(f"the service does not know the request {other!r}", "command socket", "Update dncd")

    def _unless_stopping(self, job: Callable[[], None]) -> None:
        """Runs a job in the loop's thread; one that comes while the service ends has nothing left to do."""
        if not self._stop_asked:
            self.loop.post(job)

    def _machine(self, request: dict[str, Any]) -> Station:
        name = str(request.get("machine"))
        if name not in self.stations:
            raise UsageError(
                f"there is no machine {name!r}",
                str(self.settings.file),
                f"The machines are {', '.join(self.stations)}",
            )
        return self.stations[name]

    def status(self) -> dict[str, Any]:
        """The status object of contract 4."""
        return self._status_with({name: self._status_of(station) for name, station in self.stations.items()})

    def _status_of(self, station: Station) -> dict[str, object]:
        check = self.office.held.checks.last(station.name)
        return {
            **status_of(station, self.loop.now()),
            "backup": self._backing_up.status(station, utc_now()),
            "checked": dataclasses.asdict(check) if check else None,
        }

    def _status_with(self, machines: dict[str, dict[str, object]]) -> dict[str, Any]:
        return {
            "service": {
                "pid": os.getpid(),
                "started": self._started.strftime("%Y-%m-%dT%H:%M:%SZ"),
                "version": __version__,
                "trouble": [str(ill) for ill in self._health.ills],
                "disk_free_bytes": dict(self._health.room),
                "reload": self._reloading.last.as_dict(self.stations.pending),
                "seq": self.office.ledger.seq,
            },
            **self._care.status(),
            "machines": machines,
        }

    def _command_failed(self, error: Exception) -> None:
        next_step = "report it, with what `dncd report` packs"
        self.log.warning("command", what=f"{type(error).__name__}: {error}", where="command socket", next=next_step)


def in_loop(loop: Loop, job: Callable[[], _Answer]) -> _Answer:
    """Runs `job` in the loop's thread and gives its result, or raises what it raised. From another thread."""
    done = threading.Event()
    lock = threading.Lock()
    box: list[_Answer | Exception] = []
    given_up = False

    def work() -> None:
        try:
            result: _Answer | Exception = job()
        except Exception as error:  # noqa: BLE001 - handed to the caller's thread
            result = error
        with lock:
            box.append(result)
            if given_up and isinstance(result, StreamReply):
                result.gone()  # nobody is left who could close it
        done.set()

    loop.post(work)
    if not done.wait(_ANSWER_S):
        with lock:
            given_up = not box
        if given_up:
            raise NotDoneError("the service is busy or stopping", "command socket", "Ask again in a moment")
    if isinstance(box[0], Exception):
        raise box[0]
    return box[0]


def run(settings: Settings) -> int:
    """`dncd run`: serves until it is told to stop; gives the exit status."""
    journal.set_up()
    faulthandler.enable()  # where every thread stood, when the manager's watchdog aborts a service that hangs
    sys.setswitchinterval(defaults.SWITCH_S)
    Service(settings).run()
    return 0
