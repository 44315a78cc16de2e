"""One machine in the loop: its port as it comes and goes, and who gets what comes over the line."""

import dataclasses
import math
import threading
from collections.abc import Callable

from dncd import defaults
from dncd.choices import ModemLine
from dncd.errors import DncdError, NotDoneError, PortGoneError
from dncd.line.receiving import Wished
from dncd.outside.folders import Listing
from dncd.outside.journal import Journal
from dncd.outside.workers import Workers
from dncd.ports.opening import open_for
from dncd.ports.port import NOTHING, Port, Reading
from dncd.ports.tap import WATCHED_LOOK_S, Watchers
from dncd.records import trials
from dncd.station.incoming import Incoming
from dncd.station.incoming_papers import IncomingPapers
from dncd.station.office import Office
from dncd.station.outgoing import Outgoing
from dncd.station.outgoing_papers import OutgoingPapers
from dncd.station.papers import Captured, PortTrouble, Told
from dncd.station.saying import Saying
from dncd.station.tally import Tally
from dncd.values import NO_FAULTS, LineState, MachineSettings

_RETRY_FIRST_S, _RETRY_MOST_S = 0.5, 10.0
"""Seconds between tries to open an absent port: soon after it went away, then less often."""

_RETRY_LENT_S = 0.05
"""The first of these waits after a loan: a borrower that was killed may hold the port for a moment longer."""
_LOOK_AT_MODEM_S = 0.05
"""Seconds between looks at CTS or DSR while a program waits for them."""
_LOOK_AT_IDLE_MODEM_S = 0.2
"""The same while none waits: the line going off and on again between two programs must be seen."""
_PENDING_S = 0.005
"""Seconds until a port that holds bytes for a full network connection is asked again."""

_ENDINGS_KEPT = 500


class Station:
    """A client of the loop. Everything here runs in the loop's thread, except the opening of the port."""

    def __init__(
        self,
        settings: MachineSettings,
        office: Office,
        hands: Workers,
        journal: Journal,
        changed: Callable[["Station"], None],
    ) -> None:
        self.settings, self.name = settings, settings.name
        self.port: Port | None = None
        self.trouble: PortTrouble | None = None
        self.lent_to = ""
        self.watchers = Watchers(hands.loop.now)
        self.records_trouble = self.folder_trouble = ""
        self.overflow, self.overflow_at = "", 0.0
        self.tally = Tally()
        self.pending = ""
        """What a reload of the settings means for this line, while it waits for what is under way."""
        self.endings: list[Told] = []
        self.proof = trials.latest(office.shop.state, settings.name)
        papers, letters = IncomingPapers(office, settings), OutgoingPapers(office, settings)
        self.outgoing = Outgoing(
            settings, letters, hands, self, wake=self.kick, told=self._told, trouble=self._in_trouble
        )
        self.incoming = Incoming(
            papers.receiving(hands.loop.now()),
            papers,
            hands,
            self,
            throttle=lambda stop: self._saying.throttle(self.port, stop),
            heard=lambda byte: self._saying.heard_capture(self.port, byte),
            told=self._captured,
            trouble=self._in_trouble,
        )
        self._saying = Saying(settings, papers, self.incoming.receiving)
        self._loop, self._journal, self._changed = hands.loop, journal, changed
        self._opening = self._was_lent = False
        self._retry_at: float | None = None
        self._retry_wait = _RETRY_FIRST_S
        self._news: Listing | None = None
        self._look_at = 0.0
        self._calm_until = 0.0  # until then a sending needs nothing of the station but `_send_on`
        self._stopping = False
        self._watches_modem = settings.line.flow.stop_line is not ModemLine.NONE
        self._start_is_looped = False
        self._starts_on_modem = settings.send.start_on.start_line is not ModemLine.NONE

    def take_port(self, port: Port) -> None:
        """The port is open: listens on it. One that goes in this very instant is lost as at any other."""
        self.trouble, self._retry_at, self._retry_wait = None, None, _RETRY_FIRST_S
        self.port = port
        self._loop.watch(port.fileno(), self)
        try:
            while self._was_lent and port.read().data:
                pass  # what came during a loan was the borrower's: a DC1 among it starts nothing
            self.port = self.watchers.around(port)
        except PortGoneError as error:
            self.lose_port(error)
            return
        self._was_lent = False
        for note in port.notes:
            self._journal.info("port opened", machine=self.name, port=port.name, note=note)
        for warning in port.looped.values():
            what, _, next_step = warning.partition("; ")
            self._warn("modem line looped", what, next_step, f"port {port.name}")
        self.outgoing.line_warnings = tuple(port.looped.values())
        self._start_is_looped = self.settings.send.start_on.start_line.value in port.looped
        self._changed(self)
        self.on_input(self._loop.now())

    def lose_port(self, error: DncdError) -> None:
        """The port is absent, busy, or went away: what was under way ends, and it is tried again."""
        now = self._loop.now()
        if self.port is not None:
            port, self.port = self.port, None
            self.tally.losses += 1
            self._loop.unwatch(port.fileno())
            port.close()
            self.outgoing.stop(f"the port went away: {error.what}", now)
            self.incoming.stop(now)
            self.outgoing.finish_if_over()
        if self.trouble is None or self.trouble.what != error.what:
            self._warn("no port", error.what, error.next_step, error.where)
            self.trouble = PortTrouble(error.what, now)
            self.watchers.note(f"the service has no port: {error.what}")
        self._retry_at = now + self._retry_wait
        self._retry_wait = min(_RETRY_MOST_S, self._retry_wait * 2)
        self._changed(self)
        self._plan(now)

    def _open(self) -> None:
        """Opens the port in a thread of its own: a device server may take seconds to answer."""

        def work() -> None:
            try:
                opened: Port | Exception = open_for(self.settings)
            except Exception as error:  # noqa: BLE001 - else nobody would ever try to open it again
                opened = error
            self._loop.post(lambda: self._opened(opened), self)

        threading.Thread(target=work, name=f"dncd-open-{self.name}", daemon=True).start()
        self._opening, self._retry_at = True, None

    def _opened(self, opened: Port | Exception) -> None:
        self._opening = False
        if not isinstance(opened, Exception):
            if self._stopping or self.lent_to:
                opened.close()
            else:
                self.take_port(opened)
        elif not isinstance(opened, DncdError):
            raise opened
        elif not self._stopping and not self.lent_to:
            self.lose_port(opened)

    def give_away(self, to: str) -> None:
        """Closes the port until `take_back`; for `lending`, which has seen that the line is idle."""
        if self.port is not None:
            port, self.port = self.port, None
            self._loop.unwatch(port.fileno())
            port.close()
        now = self._loop.now()
        self._saying.forget()
        self.outgoing.starts.forget()
        self.lent_to, self.trouble, self._retry_at = to, PortTrouble(f"lent to {to}", now), None
        self._changed(self)
        self._plan(now)

    def take_back(self) -> None:
        """The borrower has gone: opens the port again, at once."""
        self.lent_to, self.trouble, self._retry_wait, self._was_lent = "", None, _RETRY_LENT_S, True
        self.outgoing.starts.forget()
        if not self._stopping and not self._opening:
            self._open()
        self._changed(self)

    def tap(self) -> None:
        """Who watches has changed."""
        try:
            if self.port is not None:
                self.port = self.watchers.around(self.port)
        except PortGoneError as error:
            self.lose_port(error)
        self.kick()

    def on_input(self, now: float) -> None:
        """The port can be read."""
        run = self.outgoing.run
        if run is not None and run.begun is not None and now < self._calm_until:
            self._send_on(now)
        else:
            self._serve(now)

    def _send_on(self, now: float) -> None:
        """The short way round while a program goes out: what came, what may go, and when to look again."""
        port, outgoing = self.port, self.outgoing
        try:
            if port is None:
                raise PortGoneError("it is not open", self.name, "Wait until it is there again")
            reading = port.read()
            if self._watches_modem:
                outgoing.gate(port.modem(), now)
            if reading is not NOTHING:
                self._read(reading, now)
            outgoing.pump(port, now)
            if port.pending_write():
                port.write(b"")
        except PortGoneError as error:
            self.lose_port(error)
            return
        due = outgoing.sending_due(now)
        if due is None:  # over, or only an event can help
            self._serve(now)
        else:
            self._loop.due(self, min(due, self._calm_until))

    def on_due(self, now: float) -> None:
        """A time that was asked for has come."""
        run = self.outgoing.run
        if run is not None and run.begun is not None and now < self._calm_until:
            self._send_on(now)
            return
        if self._retry_at is not None and now >= self._retry_at and not self._opening and not self._stopping:
            self._open()
        if now >= self._look_at and self._news is not None:
            self._look(now)
        self._serve(now)

    def broke(self, error: Exception) -> None:
        """A fault of dncd itself while this line was served: it alone starts anew, the others go on."""
        self._journal.failed(f"a fault of dncd on the line of {self.name}", error)
        what = f"a fault of dncd itself ({type(error).__name__}); the journal has its traceback"
        self.lose_port(PortGoneError(what, self.name, "Report it with `dncd report`; the line starts anew by itself"))

    def _serve(self, now: float) -> None:
        port = self.port
        try:
            if port is not None:
                reading = port.read()
                self._saying.take_turns(self.outgoing.run is not None, now)
                if self._watches_modem or self._starts_on_modem:
                    modem = port.modem()
                    self.outgoing.gate(modem, now)
                    if not self._start_is_looped and self.outgoing.run is None:
                        self.outgoing.starts.modem(modem, now)
                self._read(reading, now)
                self.outgoing.pump(port, now)
                if port.pending_write():
                    port.write(b"")
        except PortGoneError as error:
            self.lose_port(error)
        self.outgoing.finish_if_over()
        self.incoming.tick(now)
        self._speak()
        self.outgoing.consider(now, self.port is not None and not self.incoming.busy and not self._stopping)
        self._plan(self._loop.now())

    def _read(self, reading: Reading, now: float) -> None:
        if self.outgoing.run is not None:
            self.outgoing.feed(reading.data, now, reading.counted)
        elif reading.data:
            for said in self.incoming.feed(reading.data, reading.bad, now):
                if isinstance(said, Wished):
                    self.outgoing.starts.wished(said.wish, now)
                else:
                    self.outgoing.said(said.code, now)
        if reading.counted != NO_FAULTS and self.outgoing.run is None:
            self.incoming.notice(reading.notices, reading.counted, now)
        if reading.notices != NO_FAULTS:
            self.tally.faults += reading.notices
            what = ", ".join(f"{n} {kind}" for kind, n in dataclasses.asdict(reading.notices).items() if n)
            self._warn("faults on the line", what, "look at cable, shield and plugs, and at frame and rate")

    def _plan(self, now: float) -> None:
        dues = [self._retry_at, self.incoming.next_due(), self.outgoing.retry_due()]
        if self._news is not None:
            dues.append(self._look_at)
        if self._starts_on_modem and self.port is not None:
            waits = self.outgoing.offers.first() is not None
            dues.append(now + (_LOOK_AT_MODEM_S if waits else _LOOK_AT_IDLE_MODEM_S))
        if self.port is not None and self.port.pending_write():
            dues.append(now + _PENDING_S)
        if self.port is not None and self.watchers:
            dues.append(now + WATCHED_LOOK_S)
        self._calm_until = min((due for due in dues if due is not None), default=math.inf)
        sending = self.outgoing.sending_due(now)
        due = self._calm_until if sending is None else min(sending, self._calm_until)
        self._loop.due(self, None if due == math.inf else due)

    def _speak(self) -> None:
        try:
            self._saying.speak(self.port)
        except PortGoneError as error:
            self.lose_port(error)

    def ask_for_program(self) -> None:
        """Asks the control for a program (DC1 reader on). NotDoneError where that is not set, or the line is in use."""
        self._saying.refuse_unasked()
        self.need_line()
        if self.port is None or self.outgoing.run is not None or self.incoming.capturing is not None:
            raise NotDoneError(f"the line is not free: {self.state.value}", self.name, "Ask again when it listens")
        self._saying.ask_for_program(self.port)

    def kick(self) -> None:
        """Something outside the line changed: looks at what can be done now."""
        self._serve(self._loop.now())

    def start(self) -> None:
        """Begins: opens the port unless it was given."""
        if self.port is None and not self._opening:
            self._open()

    def news(self, news: Listing) -> None:
        """A new listing of the machine's to-machine folder."""
        self._news = news
        self.folder_trouble = news.problem
        self._look(self._loop.now())
        self.kick()

    def _look(self, now: float) -> None:
        self._look_at = now + defaults.RESCAN_S
        if self._news is not None and not self._stopping:
            self.outgoing.look(self._news.entries, now)

    def _told(self, told: Told) -> None:
        self.records_trouble = ""
        if told.result:
            self.endings = [*self.endings[-_ENDINGS_KEPT:], told]
            self._journal.transfer(told.fields)
            self.tally.went_out(told.fields)
        self._changed(self)
        self.kick()

    def _captured(self, captured: Captured) -> None:
        self.records_trouble = ""
        if captured.overflow and not self.overflow:
            next_step = "look at cable, shield and settings of this line; good programs are kept as ever"
            self._warn("too much damage", captured.overflow, next_step)
        self.overflow, self.overflow_at = captured.overflow, self._loop.now()
        if captured.transfers or captured.overflow:
            self.tally.came_in(captured.transfers)
        for fields in captured.transfers:
            self._journal.transfer(fields)
        self._changed(self)
        self.kick()

    def _in_trouble(self, what: str, error: Exception) -> None:
        said = str(error) if isinstance(error, DncdError) else f"{what}: {error}"
        if said != self.records_trouble:
            if isinstance(error, DncdError):
                self._warn("records", f"{what}: {error.what}", error.next_step, error.where)
            else:
                self._warn("records", said, "report it; it is tried again by itself", "the state folder")
        self.records_trouble = said
        self._changed(self)

    def _warn(self, event: str, what: str, next_step: str, where: str = "") -> None:
        place = where or self.settings.line.port
        self._journal.warning(event, machine=self.name, what=what, where=place, next=next_step)

    @property
    def state(self) -> LineState:
        """What the line is doing, as `status` shows it."""
        run = self.outgoing.run
        if run is not None:
            return LineState.HELD if run.sending.held_since is not None else LineState.SENDING
        if self.port is None:
            return LineState.NO_PORT
        if self.incoming.capturing is not None:
            return LineState.RECEIVING
        return LineState.WAITING if self.outgoing.offers.waiting() else LineState.LISTENING

    def stop(self, reason: str) -> None:
        """The service ends: what is under way ends as interrupted or cut off; nothing new begins."""
        now = self._loop.now()
        self._stopping = True
        self.outgoing.stop(reason, now)
        self.incoming.stop(now)
        self._serve(now)

    def retire(self, why: str) -> None:
        """Other settings are to hold: what is under way goes on to its end, nothing new begins."""
        self._stopping, self.pending = True, why

    def resume(self) -> None:
        """The settings stay after all: goes on as before."""
        if self.pending:
            self._stopping, self.pending = False, ""
            if self.port is None and not self._opening and not self.lent_to and self._retry_at is None:
                self._open()
            self._look(self._loop.now())
            self.kick()

    @property
    def busy(self) -> bool:
        """Whether something under way is not on record yet."""
        return self.outgoing.busy or self.incoming.busy

    def close(self) -> None:
        """Gives the port back."""
        self._stopping = True
        self.watchers.note("the service lets this line go (it stops, or its settings were read anew): watch it again")
        self._loop.due(self, None)
        self.outgoing.close()
        if self.port is not None:
            self._loop.unwatch(self.port.fileno())
            self.port.close()
            self.port = None

    def need_line(self) -> None:
        """NotDoneError while the line is lent."""
        if self.lent_to:
            raise NotDoneError(f"the line is lent to {self.lent_to}", self.name, "Wait, or end it")
