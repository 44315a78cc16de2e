"""One machine in the loop: its port, its jobs in other threads, and the pure machine (`core`) that decides.

Thin on purpose: it reads the port, tells the machine, and does what that answers. Whatever any of it raises stays on this
line: the port is given back, the line is in trouble, and it is tried again.
"""

import functools
import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError, PortGoneError
from dncd.outside.comparer import Comparer
from dncd.outside.folders import Listing
from dncd.outside.journal import Journal
from dncd.outside.workers import Workers
from dncd.ports.opening import open_for
from dncd.ports.port import NOTHING, Port
from dncd.ports.tap import WATCHED_LOOK_S, Watchers
from dncd.records import trials
from dncd.records.problems import Problem
from dncd.records.store import Store
from dncd.station import events as ev
from dncd.station.capture_jobs import CaptureJobs
from dncd.station.core import Core
from dncd.station.send_jobs import SendJobs
from dncd.station.states import Mode
from dncd.values import LineState, MachineSettings, Signal

_PENDING_S: Final = 0.005
"""Seconds until a port that holds bytes for a full network connection is asked again."""

_ASK_HOLDS_EVERY: Final = 8
"""Writes between two questions to the port about how much it still holds."""

REQUESTS: Final = ("go", "next", "withdraw", "request", "over-edits", "to-prove", "ended")
"""What a command may ask of one machine (`Station.answer`)."""

_NOTES: Final = {"no port": "the service has no port: {what}", "line lent": "the service has lent the line to {to}"}
"""Lines of the journal that whoever watches the line is told too."""


@dataclass(frozen=True, slots=True)
class Shared:
    """What all stations of a service have in common."""

    store: Store
    comparer: Comparer
    workers: Workers
    journal: Journal


class Station:
    """A client of the loop. All but `news` is for the loop's thread; only the opening of the port waits, in another."""

    def __init__(self, settings: MachineSettings, shared: Shared, changed: Callable[["Station"], None]) -> None:
        """changed: is told when something that others show or wait for is another."""
        store, comparer, workers = shared.store, shared.comparer, shared.workers
        self.settings, self.name = settings, settings.name
        self.core = Core(settings, workers.loop.now(), store.orders.of(settings.name))
        self.port: Port | None = None
        self.watchers = Watchers(workers.loop.now)
        self.proof = trials.Proof()
        """What the newest sheet of a trial says, once it was read."""
        self.doubt: Problem | None = None
        """Why it is not sure that the port's switch box is turned to this machine."""
        self._sends = SendJobs(store, comparer, settings)
        self.allow, self.forbid = self._sends.gates.leaves.give, self._sends.gates.leaves.use_up
        self.look_at = self._sends.look_at
        self.droppers: dict[tuple[str, str], tuple[str, str]] = {}
        """Of files that came by the page (name, SHA-256): by which word, and who asked. From any thread."""
        self.edits_seen = partial(self._sends.gates.seen, store.reader)
        self._keeps = CaptureJobs(store, comparer, settings, workers.loop.now)
        self._loop, self._workers, self._journal, self._changed = workers.loop, workers, shared.journal, changed
        self._opening = False
        self._why_blocked = store.blocked
        self._was_blocked: Problem | None = None
        self._writes, self._suspended, self._watched = 0, False, False
        state = store.shop.state
        workers.records.do(lambda: trials.latest(state, settings.name), self._proved, self.broke, self)

    def _proved(self, proof: trials.Proof) -> None:
        if not self.proof.sheet:  # a newer one may have been kept since
            self.proof = proof

    @property
    def blocked(self) -> Problem | None:
        """Why nothing is sent to this machine at all."""
        return self._why_blocked(self.name) or self.doubt

    @property
    def state(self) -> LineState:
        """What the line is doing, as `status` shows it."""
        return self.core.state

    @property
    def busy(self) -> bool:
        """Whether something under way is not on record yet."""
        return self.core.busy

    # --- the loop ----------------------------------------------------------------------------------------------------

    def on_input(self, _now: float) -> None:
        """The port can be read."""
        self.kick()

    def on_due(self, now: float) -> None:
        """A time that was asked for has come."""
        if not self._pump(now):
            self.kick()

    def broke(self, error: Exception) -> None:
        """A fault of dncd itself while this line was served: it alone starts anew, the others go on."""
        self._lose(_fault(self._journal, self.name, error))
        self._plan()

    def kick(self) -> None:
        """Looks at the line, and does what can be done now."""
        port, core, now = self.port, self.core, self._loop.now()
        if (blocked := self.blocked) != self._was_blocked:
            self._was_blocked = blocked
            core.on(ev.Blocked(NotDoneError(blocked.what, blocked.where, blocked.next_step) if blocked else None), now)
        settled = True
        if port is not None:
            try:
                reading = port.read()
                if core.needs_modem:
                    self._act(core.on(ev.Lines(port.modem()), now))
                settled = port.settled()
                if reading is not NOTHING:
                    self._act(core.on(ev.Read(reading, settled), now))
                if (suspended := port.suspended()) or self._suspended:
                    self._suspended = suspended
                    self._act(core.on(ev.Suspended(Signal.ON if suspended else Signal.OFF), now))
            except PortGoneError as error:
                self._lose(error)
        self._act(core.on(ev.Tick(settled), now))
        try:
            if self.port is not None and self.port.pending_write():
                self.port.write(b"")
        except PortGoneError as error:
            self._lose(error)
        self._plan()

    def _pump(self, now: float) -> bool:
        """The short way in the middle of a sending, which each few characters of each line go; whether that was all."""
        port, core, loop = self.port, self.core, self._loop
        if port is None or self._watched:
            return False
        try:
            # A stop that can be read is heard before anything goes. That the loop has just looked is not enough: `epoll`
            # knows of a character once a worker of the kernel has moved it, which may take milliseconds; a read moves it.
            if (reading := port.read()) is not NOTHING:
                self._act(core.on(ev.Read(reading, port.settled()), now))
                return False
            if core.needs_modem:
                core.on(ev.Lines(port.modem()), now)
            if not (part := core.pump(now, behind=loop.behind)):
                return False
            due = core.pumped(port.write(part), len(part), loop.now())
            self._writes += 1
            if due and self._writes % _ASK_HOLDS_EVERY == 0 and (holds := port.outgoing()) is not None:
                core.on(ev.Holds(holds), loop.now())
                due = core.next_due(loop.now())
            if not due or port.pending_write():
                return False
        except PortGoneError as error:
            self._lose(error)
            return False
        loop.due(self, due)
        return True

    def tell(self, event: ev.Event) -> list[str]:
        """Tells the machine something that happened outside the line, and looks at the line; gives what it answers."""
        answers = self._act(self.core.on(event, self._loop.now()))
        self.kick()
        return answers

    def _plan(self) -> None:
        now = self._loop.now()
        due = self.core.next_due(now)
        if self.port is not None and self.port.pending_write():
            due = min(due, now + _PENDING_S)
        if self.port is not None and self.watchers:
            due = min(due, now + WATCHED_LOOK_S)
        self._loop.due(self, None if due == math.inf or self.core.standing.mode is Mode.CLOSED else due)

    # --- what the machine wants done -----------------------------------------------------------------------------------

    def _act(self, actions: Iterable[ev.Action]) -> list[str]:
        """Does it, in order. What fails is told to the machine, and the rest is done all the same."""
        todo, answers = deque(actions), list[str]()
        while todo:
            action = todo.popleft()
            try:
                match action:
                    case ev.Write() if self.port is not None:
                        todo.extend(self._write(self.port, action))
                    case ev.Answer():
                        answers.append(action.file)
                    case _:
                        self._do(action)
            except PortGoneError as error:
                todo.extend(self._gone(error))
            except Exception as error:  # noqa: BLE001 - what it wants done beside that must not be lost
                todo.extend(self._gone(_fault(self._journal, self.name, error)))
        return answers

    def _write(self, port: Port, write: ev.Write) -> list[ev.Action]:
        taken = port.write(write.data)
        now = self._loop.now()
        actions = self.core.on(ev.Wrote(write.part, taken, len(write.data)), now)
        if write.part is ev.Part.PROGRAM:
            self._writes += 1
            if self._writes % _ASK_HOLDS_EVERY == 0 and (holds := port.outgoing()) is not None:
                actions += self.core.on(ev.Holds(holds), now)
        return actions

    def _do(self, action: ev.Action) -> None:
        match action:
            case ev.Do():
                job = action.job
                work = self._keeps.do if isinstance(job, ev.CaptureJob) else self._sends.do

                def done(result: object) -> None:
                    self.tell(ev.Done(job, result))

                def failed(error: Exception) -> None:
                    self.tell(ev.Failed(job, error))

                do = functools.partial(work, job)  # type: ignore[arg-type]
                self._workers.do(job.thread, do, done, failed, self)
            case ev.Open():
                self._open()
            case ev.Close():
                self._let_go()
            case ev.SwitchLine() if self.port is not None:
                self.port.switch(action.line, action.signal)
            case ev.Say():
                _say(self._journal, self.name, action)
                if action.event in _NOTES:
                    self.watchers.note(_NOTES[action.event].format(**action.fields))
            case ev.Changed():
                self._changed(self)

    # --- the port ----------------------------------------------------------------------------------------------------

    def take_port(self, port: Port) -> None:
        """The port is open: listens on it. One that goes in this very instant is lost as at any other."""
        self._loop.serve(self, functools.partial(self._take, port))

    def _take(self, port: Port) -> None:
        if self.port is not None:
            port.close()
            return
        self.port = port
        try:
            self._loop.watch(port.fileno(), self)
            while self.core.port.was_lent and port.read().data:
                pass  # what came during a loan was the borrower's: a DC1 among it starts nothing
            self.port = self.watchers.around(port)
        except PortGoneError as error:
            self._lose(error)
            self._plan()
            return
        self.tell(ev.Opened(port.name, port.notes, port.looped))

    def _open(self) -> None:
        """Opens the port in a thread of its own: a device server may take seconds to answer."""
        if self._opening:
            return  # what comes of the try under way is this one's answer

        def work() -> None:
            try:
                opened: Port | Exception = open_for(self.settings)
            except Exception as error:  # noqa: BLE001 - else nobody would ever try to open it again
                opened = error
            self._loop.post(lambda: self._opened(opened), self)

        threading.Thread(target=work, name=f"dncd-open-{self.name}", daemon=True).start()
        self._opening = True

    def _opened(self, opened: Port | Exception) -> None:
        self._opening = False
        if not isinstance(opened, Exception):
            self._take(opened)
        elif isinstance(opened, DncdError):
            self.tell(ev.OpenFailed(opened))
        else:
            raise opened

    def _let_go(self) -> None:
        port, self.port, self._suspended = self.port, None, False
        if port is not None:
            try:
                self._loop.unwatch(port.fileno())
            finally:
                port.close()

    def _gone(self, error: DncdError) -> list[ev.Action]:
        self._let_go()
        return self.core.on(ev.Lost(error), self._loop.now())

    def _lose(self, error: DncdError) -> None:
        self._act(self._gone(error))

    # --- what others ask ---------------------------------------------------------------------------------------------

    def news(self, news: Listing) -> None:
        """A new listing of the machine's to-machine folder, which knows what is other in it."""
        for key in [key for key in list(self.droppers) if key[0] in news.gone]:
            self.droppers.pop(key, None)
        self.tell(ev.Listed(news.changed, tuple(news.gone), news.problem, news.sight))

    def answer(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Answers one of `REQUESTS`. NotDoneError where the machine cannot do it now, or fails over it."""
        try:
            return _answer(self, request)
        except DncdError:
            raise
        except Exception as error:
            self.broke(error)
            what = f"a fault of dncd itself ({type(error).__name__}); the line starts anew by itself"
            raise NotDoneError(what, self.name, "Look at `dncd status`, and report it with `dncd report`") from error

    def tap(self) -> None:
        """Who watches has changed."""
        self._watched = bool(self.watchers)
        try:
            if self.port is not None:
                self.port = self.watchers.around(self.port)
        except PortGoneError as error:
            self._lose(error)
        self.kick()

    def close(self) -> None:
        """Gives the port back for good."""
        self.watchers.note("the service lets this line go (it stops, or its settings were read anew): watch it again")
        self._act(self.core.on(ev.Ask(ev.Wish.SHUT), self._loop.now()))
        self._plan()


def _answer(station: Station, request: Mapping[str, Any]) -> dict[str, Any]:
    match request["do"]:
        case "go":
            return {"file": station.tell(ev.Ask(ev.Wish.GO))[0]}
        case "next":
            return {"file": station.tell(ev.PutFirst(str(request.get("file") or ""), time.time_ns()))[0]}
        case "withdraw":
            run = station.core.sender.run
            by = str(request.get("by") or "")
            (gone,) = station.tell(ev.Ask(ev.Wish.WITHDRAW, str(request.get("file") or ""), by))
            return {"file": gone, "sending": run is not None and run.file.name == gone}
        case "request":
            station.tell(ev.Ask(ev.Wish.PROGRAM))
        case "over-edits" | "to-prove":
            station.allow(str(request["do"]), str(request.get("sha256")))
        case "ended":
            file, after = request.get("file"), int(request.get("after", 0))  # of the ledger: the wall clock may jump
            endings = reversed(station.core.account.endings)
            found = (ending for ending in endings if ending.file == file and ending.fields["seq"] > after)
            return {"ended": next((ending.as_dict() for ending in found), None)}
    return {}


def _say(journal: Journal, machine: str, say: ev.Say) -> None:
    match say.level:
        case ev.Level.TRANSFER:
            journal.transfer(say.fields)
        case ev.Level.WARNING:
            journal.warning(say.event, machine=machine, **say.fields)
        case ev.Level.INFO:
            journal.info(say.event, machine=machine, **say.fields)


def _fault(journal: Journal, machine: str, error: Exception) -> PortGoneError:
    """What a fault of dncd itself means for a line; it is told with its traceback."""
    journal.failed(f"a fault of dncd on the line of {machine}", error)
    what = f"a fault of dncd itself ({type(error).__name__}); the journal has its traceback"
    return PortGoneError(what, machine, "Report it with `dncd report`; the line starts anew by itself")
