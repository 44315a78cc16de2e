"""The service: all stations, from start to stop.

Order of a start: the state folder is taken, what the last run left unfinished is finished or named, every port is opened
(one that cannot do what its settings ask ends the start), then folders and commands are listened to.

A stop: lines first, records next, folders last and with a limit. A share that hangs may keep a thread for ever; it must keep
neither a control waiting for its stop nor an ending from the ledger. All threads are daemons, which keep no process.
"""

import contextlib
import faulthandler
import gc
import signal
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from types import FrameType
from typing import Final

from dncd import __version__, defaults
from dncd.errors import NotDoneError, RecordsError
from dncd.outside import journal, manager
from dncd.outside.command_server import CommandServer
from dncd.outside.comparer import Comparer
from dncd.outside.folder_looks import Listing, Sight
from dncd.outside.folders import Folders
from dncd.outside.loop import Loop
from dncd.outside.threads import Thread
from dncd.outside.workers import Workers
from dncd.records.problems import Problem
from dncd.records.spool import Leftover
from dncd.records.store import Store
from dncd.service import lending, page_door, seats
from dncd.service.backups import BackingUp
from dncd.service.followers import Followers
from dncd.service.health import Health, Rounds
from dncd.service.library_care import LibraryCare
from dncd.service.notes import StatusNotes
from dncd.service.parts import Parts
from dncd.service.records_care import RecordsCare
from dncd.service.reload import Outcome, Reloading
from dncd.service.requests import Requests
from dncd.service.stations import Changes, Stations, open_ports
from dncd.station.capture_jobs import CaptureJobs
from dncd.station.driver import Shared, Station
from dncd.station.events import Ask, Wish
from dncd.values import MachineSettings, Settings

SEARCH_AFTER, _SEARCH_AT_LATEST = 10, 1_000
"""Small searches for garbage (of some 7,000 new objects each) after which all objects are searched: in a calm moment, and
while lines are busy. That took 20 to 200 ms from a line beside a machine that got nothing but bad files."""


class Service:
    """All machines of one settings file. Built and run in one thread, the line loop's."""

    def __init__(self, settings: Settings) -> None:
        self._at_start = settings
        self.loop = Loop()
        self.log = journal.journal()
        self.store = Store.open(settings)
        self._comparer = Comparer()
        self.workers = Workers.of(self.loop)
        self.stations = Stations(settings, self.loop, self._station, self._came, self._left)
        self._folders: Folders | None = None
        self._stop_asked = False
        self._metrics_full: Callable[[], bool] = lambda: False
        self._others: list[Thread] = []
        places = {"state": settings.shop.state, "folder": settings.shop.folder}
        self._parts = parts = Parts(
            self.workers,
            self.store,
            self.stations,
            Health(self.workers, places, self._threads),
            BackingUp(self.store, self.workers.records.do),
            Reloading(
                self.loop, self.stations, manager.reloading, self._reload_ended, lambda: self.store.old_box is None
            ),
            LibraryCare(settings, self.store.library, lambda: not self.stations.busy(), self.log),
            self.log,
        )
        self._notes = StatusNotes(parts)
        self._followers = Followers(self.loop, self.stations, self._notes)
        self._records = RecordsCare(parts, settings.shop)
        every_s = min(defaults.STATUS_EVERY_S, manager.alive_every_s() or defaults.STATUS_EVERY_S)
        self._rounds = Rounds(self.loop, self.stations, every_s, self._followers.visit, self._round_over)

    def _station(self, machine: MachineSettings) -> Station:
        return Station(machine, Shared(self.store, self._comparer, self.workers, self.log), self._changed)

    # --- start and stop ----------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Serves until SIGTERM or SIGINT. PortError when a port cannot do what its settings ask; what failed in a way that
        nobody had thought of, and belongs to no line, is raised after the end."""
        settings = self.stations.settings
        self._records.tell_recovered(self.store.recover(partial(_cut_short, self.store, self._comparer, settings)))
        stopped = dict(self.store.unreadable.machines)
        for name in settings.machines:
            with contextlib.suppress(OSError, RecordsError):  # the first round tries again and tells
                self.store.endings.claims.keep(name)
        for event, problems in (("plan unreadable", stopped), ("folder", self.store.shop.folders.loose)):
            for name, problem in problems.items():
                self.log.warning(event, machine=name, **problem.fields)
        served = settings.machines.values() if self.store.old_box is None else ()
        for name, port in open_ports(m for m in served if not m.seat.switch).items():
            self.stations.plug(self.stations[name], port)
        seated = [
            seats.seat(station, self.stations.values())
            for station in self.stations.values()
            if station.settings.seat.at_start and station.core.port.unseated and self.store.old_box is None
        ]
        if self.store.old_box is not None:
            lending.withhold(self.stations.values())
        self._folders = Folders(settings.shop, self.store.shop.folders, list(settings.machines), self._listed)
        requests = Requests(self._parts, self._notes.status, self._followers.follow, self._unless_stopping)
        state, door = settings.shop.state, page_door.PageDoor(requests)
        beside = page_door.folder_of(state)
        with (
            CommandServer(state, requests.answer, self._failed, barred=page_door.barred()) as commands,
            CommandServer(beside, door.answer, self._failed, page_door.LIMITS) as page,
            self._metrics(),
        ):
            self._others += [commands.thread, page.thread]
            self._listen_to_signals()
            self._parts.care.start()
            self.store.note("started", version=__version__, machines=list(self.stations))
            for fields in seated:
                self.store.note("seated", **(fields | {"by": "at_start in the settings"}))
            self.loop.due(self._rounds, self.loop.now())
            manager.ready(self._notes.summary())
            self.log.info("started", machines=len(self.stations), folder=str(settings.shop.folder))
            gc.freeze()  # what lives as long as the service is searched no more
            self.loop.run_until(lambda: self._stop_asked)
            self._stop_asked = True
            manager.stopping()
            if self.loop.failure is not None:
                self.log.failed("a fault of dncd that belongs to no line ends the service", self.loop.failure)
            wind_down(self._parts, self._folders, self._notes)
            self._comparer.close()
        if self.loop.failure is not None:
            raise self.loop.failure

    def _listen_to_signals(self) -> None:
        def asked(_number: int, _frame: FrameType | None) -> None:
            self._stop_asked = True
            self.loop.post(lambda: None)

        signal.signal(signal.SIGTERM, asked)
        signal.signal(signal.SIGINT, asked)
        signal.signal(signal.SIGHUP, lambda *_: self.loop.post(self._parts.reloading.ask))

    def _unless_stopping(self, job: Callable[[], None], station: Station) -> None:
        """Runs a job in the loop's thread; one that comes while the service ends has nothing left to do."""
        if not self._stop_asked:
            self.loop.post(job, station)

    # --- rounds, folders ---------------------------------------------------------------------------------------------

    def _round_over(self) -> None:
        """Every line has just answered: the watchdog may be fed, if the threads that keep the records live too."""
        parts = self._parts
        self.stations.settle()
        collect_garbage(busy=self.stations.busy())
        parts.health.set("library", parts.care.problem())
        self._look_at_doors()
        parts.backing_up.look(self.stations, self.loop.now())
        for name in self._records.look():
            if self._folders is not None and name in self.stations:
                self._folders.take(name)
        if parts.health.look():
            manager.alive()
        self._notes.round_over()
        self._followers.round_over(self._notes.latest)
        manager.tell(self._notes.summary())

    def _look_at_doors(self) -> None:
        shop, folders = self._at_start.shop, self._folders
        full = "more asked the health endpoint at once than it serves, and some were turned away"
        found_late = f"dropped files are found all the same, every {defaults.RESCAN_S:g} s; see fs.inotify in sysctl"
        for kind, what, where, next_step in (
            ("events", folders.problem if folders is not None else "", str(shop.folder), found_late),
            ("metrics-full", full if self._metrics_full() else "", shop.metrics, "look who asks there and never ends"),
        ):
            self._parts.health.set(kind, Problem(what, where, next_step) if what else None)

    def _threads(self) -> Iterable[Thread]:
        yield from (*self._others, *self._parts.care.threads)
        if self._folders is not None:
            yield self._folders.thread

    @contextlib.contextmanager
    def _metrics(self) -> Iterator[None]:
        """The health endpoint, where one is set. One that cannot be opened is told; the lines are served without it."""
        with contextlib.ExitStack() as opened:
            if address := self._at_start.shop.metrics:
                from dncd.outside.metrics import MetricsServer

                try:
                    server = opened.enter_context(
                        contextlib.closing(MetricsServer(address, lambda: self._notes.latest))
                    )
                    self._others.append(server.thread)
                    self._metrics_full = server.full
                except NotDoneError as error:
                    self._parts.health.set("metrics", Problem.of(error, "", ""))
            yield

    def _listed(self, listing: Listing) -> None:
        if listing.machine in self._records.paused():
            listing = Listing(listing.machine, (), listing.problem, listing.notes, Sight.UNSEEN)

        def hear() -> None:
            self._records.tell_folder(listing)
            if (station := self.stations.get(listing.machine)) is not None:
                self.loop.serve(station, partial(station.news, listing))

        self.loop.post(hear)

    def _changed(self, station: Station) -> None:
        self._followers.changed(station)
        if doubt := seats.doubt(station, self.stations.values(), self.store.held):
            self.log.warning("seat in doubt", machine=station.name, **doubt.fields)
        if self._folders is not None:
            self._folders.poke(station.name)
        if station.core.pending:
            self.loop.post(self.stations.settle)

    # --- reload ------------------------------------------------------------------------------------------------------

    def _came(self, station: Station) -> None:
        if self.store.old_box is not None:
            lending.withhold([station])
        if self._folders is not None:
            self._folders.take(station.name)

    def _left(self, station: Station) -> None:
        if station.name not in self.stations.settings.machines:
            if self._folders is not None:
                self._folders.drop(station.name)
            self._notes.write_last(station.name, "dncd serves this machine no more: it is not in the settings")

    def _reload_ended(self, outcome: Outcome, changes: Changes | None) -> None:
        if outcome.error is not None:
            where, next_step = str(self._at_start.file), "correct the file and reload again; the old settings go on"
            self.log.warning("settings not reloaded", what=outcome.what, where=where, next=next_step)
        elif changes is not None:
            self.log.info("settings reloaded", what=changes.sentence(), pending=list(self.stations.pending))
            new, changed, removed = (list(names) for names in (changes.new, changes.changed, changes.removed))
            note = partial(self.store.note, "reloaded", new=new, changed=changed, removed=removed)
            self.workers.records.do(note, lambda _: None, self._failed)
        manager.ready(self._notes.summary())

    def _failed(self, error: Exception) -> None:
        next_step = "report it, with what `dncd report` packs"
        self.log.warning("command", what=f"{type(error).__name__}: {error}", where="command socket", next=next_step)


def _cut_short(store: Store, comparer: Comparer, settings: Settings, leftover: Leftover) -> bool:
    """Records a capture that the last run left; False for a machine that the settings no longer have."""
    machine = settings.machines.get(leftover.machine)
    if machine is None:
        return False
    CaptureJobs(store, comparer, machine).cut_short(leftover)
    return True


_RECORDS_S: Final = 10.0
"""Seconds in which what is under way must be on record."""

_BESIDE_S: Final = 2.0
"""Seconds for what is not on record: the last STATUS.txt, a check that nobody waits for any more."""

_FOLDERS_S: Final = 1.0

_CARE_S: Final = 3.0
"""Seconds for the end of a push or a packing that is cut short."""


def wind_down(parts: Parts, folders: Folders, notes: StatusNotes) -> None:
    """Stops the lines, waits until what they did is on record, then ends all threads; in the loop's thread."""
    loop, stations = parts.workers.loop, parts.stations
    parts.reloading.stop()
    for station in stations.values():
        loop.serve(
            station, partial(station.tell, Ask(Wish.STOP, "the service was stopped in the middle of the sending"))
        )
    parts.care.stop(0.0)
    until = loop.now() + _RECORDS_S
    while stations.busy() and loop.now() < until:
        loop.once(0.1)
    for name, station in stations.items():
        loop.serve(station, station.close)
        notes.write_last(name, "dncd does not run")
    late = parts.workers.finish(_RECORDS_S, _BESIDE_S)
    loop.once(0.0)
    for name, station in stations.items():
        _tell_lost(parts, name, station.core.captures.unwritten_chars, "at most " if "captures" in late else "")
    if not folders.stop(_FOLDERS_S):
        late.append("folders")
    parts.care.stop(_CARE_S)
    if late:
        what, where = f"work is unfinished in: {', '.join(late)}", str(parts.store.shop.state)
        next_step = "look at that disk or share; the next start finishes or names what is left"
        parts.log.warning("stopped late", what=what, where=where, next=next_step)
    try:
        parts.store.note("stopped", reason="signal" if loop.failure is None else "fault")
    finally:
        parts.store.close()
        loop.close()
    parts.log.info("stopped")


def _tell_lost(parts: Parts, machine: str, chars: int, at_most: str) -> None:
    """What the disk did not take until the end. What it took of the same capture is put on record at the next start."""
    if chars:
        what = f"{at_most}{chars} characters that the control punched are lost: the disk took them not before the stop"
        where, next_step = str(parts.store.shop.state), "make sure of that disk, start dncd, then punch it out again"
        parts.log.warning("capture lost", machine=machine, what=what, where=where, next=next_step)


def collect_garbage(*, busy: bool) -> None:
    """The whole search for circles of garbage keeps every thread, so it is made in a round in which no line is busy."""
    if not busy and gc.get_count()[2] >= SEARCH_AFTER:
        gc.collect()


def run(settings: Settings) -> int:
    """`dncd run`: serves until it is told to stop; gives the exit status."""
    journal.set_up()
    faulthandler.enable()  # where every thread stood, when the manager's watchdog aborts a service that hangs
    sys.setswitchinterval(defaults.SWITCH_S)
    gc.set_threshold(700, 10, _SEARCH_AT_LATEST)  # the first two are Python's own
    Service(settings).run()
    return 0
